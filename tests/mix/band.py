"""Small finished mixes with the truth beside them: a sung line over panned chords and a bass."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retune.analysis.guided import guided_notes
from retune.carriers.changes import Edit
from retune.carriers.heard import Audio, Note, PitchTrack, StemAnalysis
from retune.song.guide import GuideNote
from retune.track import track_mix

RATE_HZ = 22050
Floats = NDArray[np.float64]
# MIDI, start and end in seconds; the one that moves.
LINE = (
    (62, 0.3, 0.8),
    (65, 0.8, 1.3),
    (67, 1.3, 1.9),
    (64, 1.9, 3.0),
    (65, 3.4, 4.0),
    (62, 4.0, 5.0),
)
MOVED = 4
SHIFT_CENTS = -200.0
CHORDS = ((50, 57, 65), (48, 55, 64), (46, 53, 62), (45, 52, 61))


@dataclass(frozen=True, eq=False)
class Mix:
    """`mix` (n, 2), the same with the note sung at the new pitch, and the parts."""

    mix: Floats
    truth: Floats
    voice: Floats
    backing: Floats
    hz: Floats

    @property
    def audio(self) -> Audio:
        return Audio(self.mix.astype(np.float32), RATE_HZ)


def pitch_line(*, shift_cents: float = 0.0) -> Floats:
    """Hertz of each sample, legato slides of 80 ms and a vibrato of 35 cents."""
    time_s = np.arange(int(5.4 * RATE_HZ)) / RATE_HZ
    midi = np.full(len(time_s), float(LINE[0][0]))
    for k, (pitch, start_s, _) in enumerate(LINE):
        wanted = pitch + (shift_cents / 100 if k + 1 == MOVED else 0.0)
        part = 0.5 - 0.5 * np.cos(np.pi * np.clip((time_s - start_s + 0.04) / 0.08, 0, 1))
        midi += (wanted - midi) * part
    midi += 0.35 * np.sin(2 * np.pi * 5.5 * time_s)
    return np.asarray(440 * 2 ** ((midi - 69) / 12))


def sing(hz: Floats) -> Floats:
    """Harmonics of `hz` under three formants, silent between the phrases."""
    time_s = np.arange(len(hz)) / RATE_HZ
    phase = 2 * np.pi * np.cumsum(hz) / RATE_HZ
    level = np.zeros(len(hz))
    for first, last in ((0.3, 3.0), (3.4, 5.0)):
        inside = np.minimum((time_s - first) / 0.03, (last - time_s) / 0.05)
        level = np.maximum(level, np.clip(inside, 0, 1))
    voice = np.zeros(len(hz))
    for h in range(1, int(8000 / hz.max()) + 1):
        f = h * hz
        gain = sum(a / (1 + ((f - c) / w) ** 2) for c, w, a in
                   ((650, 120, 1.0), (1150, 150, 0.6), (2700, 250, 0.3)))  # fmt: skip
        voice += (gain + 0.02) * np.cos(h * phase)
    return np.asarray(voice * level)


def play(n: int) -> Floats:
    """Chords of decaying tones spread left and right, and a bass in the middle."""
    rng = np.random.default_rng(4)
    out = np.zeros((n, 2))
    for k, chord in enumerate(CHORDS * 2):
        first = int(k * 0.7 * RATE_HZ)
        if first >= n:
            break
        time_s = np.arange(min(int(0.7 * RATE_HZ), n - first)) / RATE_HZ
        fade = np.minimum(time_s / 0.006, 1) * np.clip((0.7 - time_s) / 0.02, 0, 1)
        fade *= np.exp(-time_s)
        for i, pitch in enumerate((chord[0] - 12, *chord)):
            f = 440 * 2 ** ((pitch - 69) / 12)
            tone = sum(np.cos(2 * np.pi * h * f * time_s + rng.uniform(0, 6)) / h**1.4
                       for h in range(1, int(6000 / f)))  # fmt: skip
            side = (0.0, -0.7, 0.7, -0.3)[i]
            pan = np.array([np.cos((side + 1) * np.pi / 4), np.sin((side + 1) * np.pi / 4)])
            out[first : first + len(time_s)] += (tone * fade)[:, None] * pan
    return out + 1e-4 * rng.standard_normal(out.shape)


def make_mix(*, lead_db: float = 0.0) -> Mix:
    hz = pitch_line()
    voice, moved = sing(hz), sing(pitch_line(shift_cents=SHIFT_CENTS))
    backing = play(len(voice))
    sung = np.abs(voice) > 0.01
    backing *= np.sqrt(2 * np.mean(voice[sung] ** 2) / np.sum(np.mean(backing[sung] ** 2, axis=0)))
    backing *= 10 ** (-lead_db / 20)
    gain = 0.6 / float(np.abs(voice[:, None] + backing).max())
    both = [gain * (part[:, None] + backing) for part in (voice, moved)]
    return Mix(*both, gain * voice, gain * backing, hz)


def guide() -> tuple[GuideNote, ...]:
    """As a person would tap it: up to 50 ms off."""
    off = np.random.default_rng(1).uniform(-0.05, 0.05, len(LINE))
    return tuple(
        GuideNote(round(a + o, 2), round(b + o, 2), float(m))
        for (m, a, b), o in zip(LINE, off, strict=True)
    )


def stem_of(mix: Mix) -> tuple[StemAnalysis, Edit]:
    """The mix as analysed with its guide, and the move of its fourth note."""
    track: PitchTrack = track_mix(mix.audio, fmin_hz=65.0, fmax_hz=1200.0, guide=guide())
    heard = guided_notes(track, guide())
    notes = tuple(
        Note(k, n.start_s, n.end_s, n.midi, "", 0.0, confidence=n.confidence, doubt=n.doubt)
        for k, n in enumerate(heard, 1)
    )
    _, start_s, end_s = LINE[MOVED - 1]
    edit = Edit("all", start_s, end_s, SHIFT_CENTS, "", note=MOVED)
    return StemAnalysis("all", "mix", notes, (), track), edit
