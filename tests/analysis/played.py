"""Songs made of simple tones with exact truth, for the tests of this room."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from retune.analysis import analyze_song, listen_to
from retune.carriers.heard import Analysis, Audio, FloatArray, PitchTrack, Role
from retune.carriers.songfacts import Correction, Music, Song, Stem

RATE_HZ = 16000
HOP_S = 256 / 22050
SCALES = {"major": (0, 2, 4, 5, 7, 9, 11), "minor": (0, 2, 3, 5, 7, 8, 10)}


@dataclass(frozen=True)
class Tone:
    """One note: beats from the first downbeat, length in beats, MIDI number."""

    beat: float
    beats: float
    midi: float


def row(text: str, *, at: float = 0.0) -> list[Tone]:
    """Tones from "60:1 62:0.5 r:1 ...": MIDI number (or r) and length in beats."""
    tones = []
    for word in text.split():
        pitch, _, length = word.partition(":")
        if pitch != "r":
            tones.append(Tone(at, float(length), float(pitch)))
        at += float(length)
    return tones


@dataclass(frozen=True)
class Part:
    """A stem: tones, its role, and cents it lies off, plus `drift_cents` from start to end.
    `legato` holds positions of tones that the one before runs into."""

    tones: Sequence[Tone]
    role: Role = "melody"
    cents: float = 0.0
    drift_cents: float = 0.0
    legato: frozenset[int] = field(default_factory=frozenset)
    gap_s: float = 0.07


def sound(
    part: Part, *, beat_s: float, start_s: float, length_s: float
) -> tuple[Audio, PitchTrack]:
    """A stem as harmonics of its line, with the pitch track that a perfect tracker would give."""
    fine_s = 0.001
    t = np.arange(int(length_s / fine_s)) * fine_s
    midi, level = np.full(len(t), np.nan), np.zeros(len(t))
    drift = part.drift_cents / 100 * t / length_s
    for k, tone in enumerate(part.tones):
        a, b = (start_s + x * beat_s for x in (tone.beat, tone.beat + tone.beats))
        last = b if k + 1 in part.legato else b - part.gap_s
        inside = (t >= a) & (t < last)
        midi[inside] = tone.midi + part.cents / 100 + drift[inside]
        if k in part.legato:
            bend = inside & (t < a + 0.05)
            step = part.tones[k - 1].midi - tone.midi
            midi[bend] += step * (0.5 + 0.5 * np.cos(np.pi * (t[bend] - a) / 0.05))
        attack = np.ones(len(t)) if k in part.legato else np.clip((t - a) / 0.02, 0, 1)
        release = np.ones(len(t)) if k + 1 in part.legato else np.clip((last - t) / 0.02, 0, 1)
        level[inside] = (attack * release)[inside]
    return _rendered(t, midi, level, length_s), _tracked(t, midi, level, length_s)


def _rendered(t: FloatArray, midi: FloatArray, level: FloatArray, length_s: float) -> Audio:
    at = np.arange(int(length_s * RATE_HZ)) / RATE_HZ
    known = np.isfinite(midi)
    hz = 440 * 2 ** ((np.interp(at, t[known], midi[known]) - 69) / 12)
    phase = 2 * np.pi * np.cumsum(hz) / RATE_HZ
    tone = sum(np.sin(k * phase) / k for k in range(1, 8))
    return Audio((0.2 * np.interp(at, t, level) * tone).astype(np.float32), RATE_HZ)


def _tracked(t: FloatArray, midi: FloatArray, level: FloatArray, length_s: float) -> PitchTrack:
    frames = np.arange(int(length_s / HOP_S)) * HOP_S
    near = np.clip(np.round(frames / 0.001).astype(int), 0, len(t) - 1)
    hz = 440 * 2 ** ((midi[near] - 69) / 12)
    loud = 20 * np.log10(np.maximum(level[near], 1e-4)) - 14
    return PitchTrack(frames, hz, np.where(np.isfinite(hz), 0.97, 0.02), loud)


def hear(
    parts: dict[str, Part] | Sequence[Tone],
    *,
    bpm: float = 90.0,
    start_s: float = 1.0,
    corrections: Iterable[Correction] = (),
    **music: Any,
) -> Analysis:
    """Analyze parts (or one melody) played at a tempo, first downbeat at `start_s`."""
    song, audio, tracks = prepared(parts, bpm=bpm, start_s=start_s, **music)
    song = replace(song, corrections=tuple(corrections))
    return analyze_song(song, listen_to(song, audio, tracks))


def prepared(
    parts: dict[str, Part] | Sequence[Tone],
    *,
    bpm: float = 90.0,
    start_s: float = 1.0,
    **music: Any,
) -> tuple[Song, dict[str, Audio], dict[str, PitchTrack]]:
    """Parts (or one melody) as a song, their sound and their pitch."""
    if not isinstance(parts, dict):
        parts = {"vocal": Part(parts)}
    beat_s = 60.0 / bpm
    end = max(t.beat + t.beats for p in parts.values() for t in p.tones)
    length_s = start_s + end * beat_s + 0.5
    made = {
        name: sound(part, beat_s=beat_s, start_s=start_s, length_s=length_s)
        for name, part in parts.items()
    }
    facts: dict[str, Any] = {"key": "C major", "tempo_bpm": bpm, "first_downbeat_s": start_s}
    stems = {name: Stem(name, Path(f"{name}.wav"), part.role) for name, part in parts.items()}
    song = Song(Path("song.toml"), "Test", "", stems, Music(**{**facts, **music}))
    audio, tracks = ({n: m[k] for n, m in made.items()} for k in (0, 1))
    return song, audio, tracks
