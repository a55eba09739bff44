"""Real voices inside finished mixes: recordings of people singing alone, and a band made to fit.

Each voice of `real_voices` is put in the middle over chords that hold what it sings, spread left
and right, a bass and drums, tuned to the voice; dry, or all of it in a room. One seed makes one
band; all levels, dry and wet, share it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from real_bands import MAKERS, has_fluidsynth
from real_harmony import KINDS, arrange, harmonize, tuning_of
from rooms import RATE_HZ, in_room, panned

from retune.analysis.note_trust import Heard
from retune.carriers.heard import Audio
from retune.carriers.units import hz_to_midi
from retune.song.guide import GuideNote

Floats = NDArray[np.float64]
FOLDER = Path(__file__).parent / "real_voices"
VOICES = ("clip10", "clip12", "clip14", "singing-female", "male-phrase")
LEVELS_DB = (6.0, 0.0, -6.0)
ALONE_S = 1.0  # the band plays so long before and after the recording
STEP_S = 0.01
FMIN_HZ, FMAX_HZ = 65.0, 1200.0


@dataclass(frozen=True, eq=False)
class RealVoice:
    """Mono `samples`, peak 0.5; at the times that count, f0 or NaN where nothing is voiced;
    `notes` as found on the voice alone."""

    name: str
    samples: Floats
    time_s: Floats
    f0_hz: Floats
    notes: tuple[Heard, ...]


@dataclass(frozen=True, eq=False)
class RealMix:
    """`mix` and its parts (n, 2); `lead_db` is the voice re the band while it sings,
    before the room."""

    voice: RealVoice
    kind: str
    lead_db: float
    is_wet: bool
    mix: Floats
    lead: Floats
    backing: Floats

    @property
    def name(self) -> str:
        room = "wet" if self.is_wet else "dry"
        return f"{self.voice.name} over {self.kind}, {self.lead_db:+.0f} dB, {room}"


def read_truth(name: str, length_s: float) -> tuple[Floats, Floats]:
    """The table beside a recording, at most a row every 10 ms, so that none counts for more than
    others, with `ALONE_S` of silence before and after."""
    rows = np.loadtxt(FOLDER / f"{name}_f0.csv", delimiter=",", skiprows=1)
    step = np.floor(rows[:, 0] / STEP_S + 1e-6)
    rows = rows[(np.diff(step, prepend=-1) > 0) & (rows[:, 0] < length_s)]
    silence_s = np.arange(0, ALONE_S, STEP_S)
    time_s = np.concatenate([silence_s, rows[:, 0] + ALONE_S, silence_s + length_s + ALONE_S])
    silent = np.full(len(silence_s), np.nan)
    f0_hz = np.concatenate([silent, np.where(rows[:, 1] > 0, rows[:, 1], np.nan), silent])
    return time_s, f0_hz


@cache
def real_voice(name: str) -> RealVoice:
    """One of VOICES."""
    from retune.analysis import find_notes
    from retune.track import track_pitch

    y, _ = soundfile.read(FOLDER / f"{name}.flac")
    fade = np.clip(np.minimum(np.arange(len(y)), np.arange(len(y))[::-1]) / (0.01 * RATE_HZ), 0, 1)
    samples = np.pad(0.5 / np.abs(y).max() * y * fade, round(ALONE_S * RATE_HZ))
    time_s, f0_hz = read_truth(name, len(y) / RATE_HZ)
    audio = Audio(samples.astype(np.float32), RATE_HZ)
    notes = find_notes(track_pitch(audio, fmin_hz=FMIN_HZ, fmax_hz=FMAX_HZ), audio)
    return RealVoice(name, samples, time_s, f0_hz, notes)


def rough_guide(voice: RealVoice) -> list[GuideNote]:
    """The notes as a person would give them: semitones, times off by 30 ms (standard deviation)."""
    rng, guide, last_s = np.random.default_rng(3), [], 0.0
    for note in voice.notes:
        start_s = max(note.start_s + rng.normal(0, 0.03), last_s)
        last_s = max(note.end_s + rng.normal(0, 0.03), start_s + 0.05)
        guide.append(GuideNote(start_s, last_s, float(round(note.midi))))
    return guide


@cache
def band_for(name: str, kind: str, seed: int, maker: str) -> Floats:
    """The band (n, 2) that goes with a voice, at the level its maker gives it."""
    voice = real_voice(name)
    rng = np.random.default_rng([seed, VOICES.index(name), KINDS.index(kind)])
    sung = np.isfinite(voice.f0_hz)
    midi = np.asarray(hz_to_midi(voice.f0_hz[sung]))
    tuning = tuning_of(midi)
    length_s = len(voice.samples) / RATE_HZ
    segment_s = float(rng.uniform(1.0, 1.6))
    chords = harmonize(voice.time_s[sung], midi - tuning, length_s=length_s, segment_s=segment_s)
    struck = arrange(chords, kind, rng)
    return MAKERS[maker](struck, kind, len(voice.samples), tuning=tuning, rng=rng)


def make_real_mix(
    name: str, kind: str, *, lead_db: float, is_wet: bool, seed: int = 0, maker: str | None = None
) -> RealMix:
    """A voice over a band of one of KINDS; by default the best of MAKERS plays that is there."""
    voice = real_voice(name)
    backing = band_for(name, kind, seed, maker or default_maker())
    rng = np.random.default_rng([seed, VOICES.index(name), 7]) if is_wet else None
    return sung_over(voice, backing, kind=kind, lead_db=lead_db, room=rng)


def sung_over(
    voice: RealVoice,
    backing: np.ndarray,
    *,
    kind: str,
    lead_db: float,
    room: np.random.Generator | None,
) -> RealMix:
    """A voice in the middle over a band, `lead_db` louder while it sings; in a room drawn from
    `room`, dry without one."""
    lead = panned(np.sqrt(2) * voice.samples, 0.0)
    on = np.abs(voice.samples) > 0.02
    ratio = np.sqrt(np.mean(lead[on] ** 2) / np.mean(backing[on] ** 2))
    backing = ratio * 10 ** (-lead_db / 20) * backing
    if room is not None:
        size = {"rt60_s": room.uniform(0.5, 1.2), "wet_db": room.uniform(-12, -8)}
        low_hz = room.uniform(3000, 7000)
        lead, backing = (in_room(y, room, low_hz=low_hz, **size) for y in (lead, backing))
    gain = 0.7 / float(np.abs(lead + backing).max())
    lead, backing = gain * lead, gain * backing
    return RealMix(voice, kind, lead_db, room is not None, lead + backing, lead, backing)


def default_maker() -> str:
    return "fluidsynth" if has_fluidsynth() else "ours"


def real_mixes(*, bands: int = 1, maker: str | None = None) -> Iterator[RealMix]:
    """Every voice with `bands` kinds of band at every level, dry and wet."""
    for v, name in enumerate(VOICES):
        for b in range(bands):
            kind = KINDS[(v + b) % len(KINDS)]
            for lead_db in LEVELS_DB:
                for is_wet in (False, True):
                    yield make_real_mix(
                        name, kind, lead_db=lead_db, is_wet=is_wet, seed=b, maker=maker
                    )
