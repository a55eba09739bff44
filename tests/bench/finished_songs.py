"""Finished songs of a real voice: an intro, a break and an outro in which nobody sings.

The voices, bands and rooms are those of `real_mixes`; each recording is parted at a pause near its
middle, and the band goes on before, between and after. Where nobody sings it plays through the
chords of its key, and in every second song an instrument plays a solo there, in the middle where
the voice stands else: what is likeliest taken for a voice. The truth is exact.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import real_bands
from real_bands import MAKERS, has_fluidsynth, midi_of
from real_harmony import (
    KINDS,
    MAJOR,
    MINOR,
    SCALE_TRIADS,
    Chord,
    Struck,
    arrange,
    harmonize,
    histogram,
    key_of,
    tuning_of,
)
from real_mixes import VOICES, RealMix, RealVoice, real_voice, sung_over
from rooms import RATE_HZ
from soundfonts import play

from retune.carriers.units import hz_to_midi

Floats = np.ndarray
INTRO_S, BREAK_S, OUTRO_S = 8.0, 7.0, 6.0
# General MIDI Level 1 sound set, counted from 0: violin, flute, tenor saxophone, clean guitar.
SOLOS = (40, 73, 66, 27)
PROGRESSION = (0, 5, 3, 4)
SMALL_FONT = Path("/usr/share/sounds/sf2/TimGM6mb.sf2")
HELD_OUT = ("clip12", "clip14", "male-phrase")
if not real_bands.SOUNDFONT.exists() and SMALL_FONT.exists():
    real_bands.SOUNDFONT = SMALL_FONT


def song_voice(name: str) -> RealVoice:
    """A voice of VOICES with silence before, within and after it."""
    whole = real_voice(name)
    cut_s = _pause(whole)
    at, n = round(cut_s * RATE_HZ), round
    samples = np.concatenate([
        np.zeros(n(INTRO_S * RATE_HZ)), whole.samples[:at], np.zeros(n(BREAK_S * RATE_HZ)),
        whole.samples[at:], np.zeros(n(OUTRO_S * RATE_HZ)),
    ])  # fmt: skip

    def later(time_s: Floats) -> Floats:
        return time_s + INTRO_S + np.where(time_s >= cut_s, BREAK_S, 0.0)

    moved = [
        replace(note, start_s=float(later(note.start_s)), end_s=float(later(note.start_s))
        + note.end_s - note.start_s)
        for note in whole.notes
    ]  # fmt: skip
    return RealVoice(name, samples, later(whole.time_s), whole.f0_hz, tuple(moved))


def _pause(voice: RealVoice) -> float:
    """The middle of the longest gap between notes in the middle half."""
    gaps = [
        (b.start_s - a.end_s, (a.end_s + b.start_s) / 2)
        for a, b in zip(voice.notes, voice.notes[1:], strict=False)
    ]
    length_s = len(voice.samples) / RATE_HZ
    inner = [gap for gap in gaps if length_s / 4 < gap[1] < 3 * length_s / 4]
    return max(inner or gaps)[1]


def chords_under(voice: RealVoice, segment_s: float) -> tuple[list[Chord], tuple[int, bool], float]:
    """Chords, key (tonic, minor) and tuning."""
    heard = np.isfinite(voice.f0_hz)
    midi = np.asarray(hz_to_midi(voice.f0_hz[heard]))
    tuning, time_s = tuning_of(midi), voice.time_s[heard]
    length_s = len(voice.samples) / RATE_HZ
    chords = harmonize(time_s, midi - tuning, length_s=length_s, segment_s=segment_s)
    tonic, minor = key = key_of(midi - tuning)
    played = []
    for k, chord in enumerate(chords):
        if not ((time_s >= chord.start_s) & (time_s < chord.end_s)).any():
            step, shape = SCALE_TRIADS[minor][PROGRESSION[k % len(PROGRESSION)]]
            classes = tuple((tonic + step + s) % 12 for s in shape)
            chord = replace(chord, classes=classes)
        played.append(chord)
    return played, key, tuning


def solo(chords: list[Chord], voice: RealVoice, rng: np.random.Generator) -> list[Struck]:
    """A tune through the chords where nobody sings, where the voice lies."""
    middle = round(float(np.median([note.midi for note in voice.notes])))
    busy = [(note.start_s - 0.3, note.end_s + 0.3) for note in voice.notes]
    struck, before = [], middle
    for chord in chords:
        if any(a < chord.end_s and b > chord.start_s for a, b in busy):
            continue
        edges = np.linspace(chord.start_s, chord.end_s, int(rng.integers(2, 5)))
        for start_s, end_s in itertools.pairwise(edges):
            tones = [m for m in range(middle - 7, middle + 9) if m % 12 in chord.classes]
            near = sorted(tones, key=lambda m: abs(m - before))[:3]
            before = int(rng.choice(near))
            struck.append(Struck("solo", float(start_s), float(end_s), before, 100))
    return struck


@cache
def backing_of(name: str, kind: str, seed: int, maker: str) -> Floats:
    """The band (n, 2) of a song, with a solo for every second seed."""
    voice = song_voice(name)
    rng = np.random.default_rng([seed, VOICES.index(name), KINDS.index(kind), 5])
    chords, _, tuning = chords_under(voice, float(rng.uniform(1.0, 1.6)))
    n = len(voice.samples)
    out = MAKERS[maker](arrange(chords, kind, rng), kind, n, tuning=tuning, rng=rng)
    if seed % 2 and maker == "fluidsynth":
        played = midi_of([replace(s, part="left") for s in solo(chords, voice, rng)], kind, tuning)
        played.instruments = played.instruments[:1]
        played.instruments[0].program = SOLOS[(seed // 2 + VOICES.index(name)) % len(SOLOS)]
        played.instruments[0].control_changes[0].value = 64
        tune = play(played, real_bands.SOUNDFONT, rate_hz=RATE_HZ, gain=0.4)
        tune = np.pad(tune, ((0, max(n - len(tune), 0)), (0, 0)))[:n]
        loud = np.abs(tune).max()
        out = out + tune * (0.8 * np.abs(out).max() / loud if loud else 0.0)
    return out


def finished_song(
    name: str, kind: str, *, lead_db: float, is_wet: bool, seed: int = 0, maker: str | None = None
) -> RealMix:
    """A voice inside a whole song. `lead_db` is the voice re the band while it sings."""
    voice = song_voice(name)
    backing = backing_of(name, kind, seed, maker or default_maker())
    rng = np.random.default_rng([seed, VOICES.index(name), 7]) if is_wet else None
    return sung_over(voice, backing, kind=kind, lead_db=lead_db, room=rng)


def default_maker() -> str:
    return "fluidsynth" if has_fluidsynth() else "ours"


def finished_songs(
    names: tuple[str, ...] = VOICES,
    *,
    seeds: tuple[int, ...] = (0, 1),
    levels: tuple[float, ...] = (6.0, 0.0, -6.0),
    maker: str | None = None,
) -> Iterator[RealMix]:
    """Songs of every voice at every level, dry and wet; odd seeds have a solo."""
    for name in names:
        for seed in seeds:
            kind = KINDS[(VOICES.index(name) + seed) % len(KINDS)]
            for lead_db in levels:
                for is_wet in (False, True):
                    yield finished_song(
                        name, kind, lead_db=lead_db, is_wet=is_wet, seed=seed, maker=maker
                    )


def key_name(voice: RealVoice) -> tuple[int, bool]:
    """Tonic and whether minor, of the band's chords."""
    heard = np.isfinite(voice.f0_hz)
    midi = np.asarray(hz_to_midi(voice.f0_hz[heard]))
    return key_of(midi - tuning_of(midi))


__all__ = ["HELD_OUT", "MAJOR", "MINOR", "finished_song", "finished_songs", "histogram"]
