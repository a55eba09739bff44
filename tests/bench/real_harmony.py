"""A band part that fits a voice: its tuning, its key, a triad a segment, and who plays what."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from retune.theory.profiles import profile_correlations

Floats = NDArray[np.float64]
KINDS = ("strings", "piano", "guitar", "organ")
PARTS = ("left", "right", "bass", "drums")
KICK, SNARE, HAT = 36, 38, 42  # General MIDI Level 1, percussion key map
MAJOR, MINOR = (0, 4, 7), (0, 3, 7)
SCALE_TRIADS = {
    False: ((0, MAJOR), (2, MINOR), (4, MINOR), (5, MAJOR), (7, MAJOR), (9, MINOR)),
    True: ((0, MINOR), (3, MAJOR), (5, MINOR), (7, MINOR), (7, MAJOR), (8, MAJOR), (10, MAJOR)),
}
MAIN_STEPS = (0, 5, 7)
LOWEST_MIDI, BASS_MIDI = 50, 33


@dataclass(frozen=True)
class Chord:
    """A triad that sounds from `start_s` to `end_s`; pitch classes, the root first."""

    start_s: float
    end_s: float
    classes: tuple[int, int, int]


@dataclass(frozen=True)
class Struck:
    """One tone of one of PARTS; `velocity` from 0 to 127."""

    part: str
    start_s: float
    end_s: float
    midi: int
    velocity: int


def tuning_of(midi: Floats) -> float:
    """By how many semitones, -0.5 to 0.5, sung pitches lie off A4 = 440 Hz: a circular mean."""
    return float(np.angle(np.mean(np.exp(2j * np.pi * midi))) / (2 * np.pi))


def histogram(midi: Floats) -> Floats:
    """How often each pitch class (12,) is sung."""
    return np.bincount(np.round(midi).astype(int) % 12, minlength=12).astype(np.float64)


def key_of(midi: Floats) -> tuple[int, bool]:
    """Tonic and whether minor, by Temperley's profiles."""
    fits = [
        profile_correlations(histogram(midi), profile="temperley", minor=minor)
        for minor in (False, True)
    ]
    best = int(np.argmax(np.concatenate(fits)))
    return best % 12, best >= 12


def triads_with(sung: int, key: tuple[int, bool]) -> list[tuple[int, int, int]]:
    """The triads of the key that hold a pitch class; where there is none, all that do."""
    tonic, minor = key
    of_key = [(tonic + step, shape) for step, shape in SCALE_TRIADS[minor]]
    every = [(root, shape) for root in range(12) for shape in (MAJOR, MINOR)]
    for choice in (of_key, every):
        triads = [tuple((root + s) % 12 for s in shape) for root, shape in choice]
        if any(sung in triad for triad in triads):
            return [t for t in triads if sung in t]  # type: ignore[misc]
    raise AssertionError(f"no triad holds pitch class {sung}")


def choose(
    counts: Floats, key: tuple[int, bool], before: tuple[int, int, int]
) -> tuple[int, int, int]:
    """The triad with the most-sung class that holds most of what is sung; rather I, IV or V,
    rather not the one before. Where nothing is sung, the one before goes on."""
    total = counts.sum()
    if not total:
        return before

    def worth(triad: tuple[int, int, int]) -> float:
        is_main = (triad[0] - key[0]) % 12 in MAIN_STEPS
        return float(counts[list(triad)].sum() / total + 0.1 * is_main - 0.15 * (triad == before))

    return max(triads_with(int(np.argmax(counts)), key), key=worth)


def harmonize(time_s: Floats, midi: Floats, *, length_s: float, segment_s: float) -> list[Chord]:
    """Chords under a voice: `midi` (n,), tuned, where it is voiced, at `time_s`."""
    key = key_of(midi)
    before = tuple((key[0] + s) % 12 for s in (MINOR if key[1] else MAJOR))
    edges_s = [*np.arange(0, length_s - segment_s / 2, segment_s), length_s]
    chords = []
    for start_s, end_s in pairwise(float(e) for e in edges_s):
        here = (time_s >= start_s) & (time_s < end_s)
        before = choose(histogram(midi[here]), key, before)  # type: ignore[arg-type]
        chords.append(Chord(start_s, end_s, before))
    return chords


def voiced_near(classes: tuple[int, int, int], lowest: int) -> list[int]:
    """Four tones of a triad in close position, the lowest within an octave above `lowest`."""
    tones = [m for m in range(lowest, lowest + 24) if m % 12 in classes]
    return tones[:4]


def figure(kind: str, chord: Chord, tones: list[int]) -> Iterator[tuple[float, float, int]]:
    """(start, end, tone) of what the chord's instrument plays."""
    eighth_s = (chord.end_s - chord.start_s) / 4
    if kind in ("strings", "organ"):
        for tone in tones:
            yield chord.start_s, chord.end_s, tone
    elif kind == "piano":
        for beat, beat_tones in enumerate((tones, tones[1:])):
            for tone in beat_tones:
                yield chord.start_s + 2 * beat * eighth_s, chord.end_s, tone
    else:
        for k, tone in enumerate((tones[0], tones[2], tones[3], tones[1])):
            yield chord.start_s + k * eighth_s, chord.end_s, tone


def drums(chord: Chord) -> Iterator[tuple[float, int]]:
    eighth_s = (chord.end_s - chord.start_s) / 4
    yield chord.start_s, KICK
    yield chord.start_s + 2 * eighth_s, SNARE
    for k in range(4):
        yield chord.start_s + k * eighth_s, HAT


def arrange(chords: list[Chord], kind: str, rng: np.random.Generator) -> list[Struck]:
    """All that the band strikes, as loosely as people play: 8 ms (standard deviation)."""
    struck = []

    def add(part: str, start_s: float, end_s: float, midi: int, velocity: float) -> None:
        start_s = max(start_s + rng.normal(0, 0.008), 0.0)
        loud = int(np.clip(velocity + rng.normal(0, 6), 1, 127))
        struck.append(Struck(part, start_s, max(end_s, start_s + 0.05), midi, loud))

    lowest = LOWEST_MIDI + int(rng.integers(6))
    for chord in chords:
        for k, (start_s, end_s, tone) in enumerate(
            figure(kind, chord, voiced_near(chord.classes, lowest))
        ):
            add(PARTS[k % 2], start_s, end_s, tone, 80)
        root = BASS_MIDI + (chord.classes[0] - BASS_MIDI) % 12
        middle_s = (chord.start_s + chord.end_s) / 2
        add("bass", chord.start_s, middle_s, root, 90)
        add("bass", middle_s, chord.end_s, root, 80)
        for start_s, drum in drums(chord):
            add("drums", start_s, start_s + 0.1, drum, 50 if drum == HAT else 85)
    return struck
