"""Songs over chords that go round, to fit the key on: modes, blues, sevenths, and plain ones.

Progressions of common practice (no source), each in a key, a meter and a figure by chance, under
a tune that takes the chord's tones on strong beats. Three in four come home at the end; the others
stop where the round does.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import replace

from time_scores import SHARP_NAMES, Piece, Span, Tone

Round = Sequence[tuple[int, str]]
# By mode: steps of the scale, and rounds of chords as (semitones over the tonic, quality).
IONIAN, AEOLIAN = (0, 2, 4, 5, 7, 9, 11), (0, 2, 3, 5, 7, 8, 10)
DORIAN, MIXOLYDIAN = (0, 2, 3, 5, 7, 9, 10), (0, 2, 4, 5, 7, 9, 10)
HARMONIC, BLUES = (0, 2, 3, 5, 7, 8, 11), (0, 2, 3, 4, 5, 7, 9, 10)
MINOR_BLUES = (0, 3, 5, 6, 7, 10)


def _round(text: str) -> Round:
    """Such as "0:maj 5:7"."""
    pairs = (word.split(":") for word in text.split())
    return [(int(step), quality) for step, quality in pairs]


ROUNDS: dict[str, tuple[tuple[int, ...], tuple[Round, ...]]] = {
    "ionian": (IONIAN, tuple(map(_round, (
        "0:maj 7:maj 9:min 5:maj", "0:maj 9:min 5:maj 7:maj", "0:maj 5:maj 7:maj 5:maj",
        "0:maj 4:min 5:maj 7:maj", "0:maj 5:maj", "0:maj 5:maj 0:maj 7:maj",
        "0:maj 9:min 2:min 7:7", "0:maj 0:maj 5:maj 5:min", "0:maj 2:min 5:maj 0:maj",
        "0:maj 0:maj 7:7 7:7 7:7 7:7 0:maj 0:maj",
    )))),
    "mixolydian": (MIXOLYDIAN, tuple(map(_round, (
        "0:maj 10:maj", "0:maj 10:maj 5:maj 0:maj", "0:maj 5:maj 10:maj 5:maj", "0:maj 7:min",
        "0:maj 0:maj 10:maj 0:maj", "0:maj 7:min 5:maj 0:maj", "0:7 10:maj 5:maj 0:7",
    )))),
    "dorian": (DORIAN, tuple(map(_round, (
        "0:min 5:maj", "0:min 10:maj", "0:min 2:min", "0:min 10:maj 5:maj 0:min",
        "0:min 3:maj 5:maj 0:min", "0:min7 5:7", "0:min 7:min 5:maj 0:min",
        "0:min 0:min 10:maj 10:maj", "0:min 5:maj 10:maj 0:min", "0:min 5:maj 0:min 7:min",
    )))),
    "aeolian": (AEOLIAN, tuple(map(_round, (
        "0:min 8:maj 10:maj 0:min", "0:min 10:maj 8:maj 10:maj", "0:min 8:maj 3:maj 10:maj",
        "0:min 5:min", "0:min 5:min 7:min 0:min", "0:min 3:maj 10:maj 5:min", "0:min 10:maj",
        "0:min 5:min 8:maj 7:min",
    )))),
    "harmonic": (HARMONIC, tuple(map(_round, (
        "0:min 5:min 7:maj 0:min", "0:min 8:maj 5:min 7:7", "0:min 7:7", "0:min 10:maj 8:maj 7:maj",
        "0:min 0:min 7:7 0:min", "0:min 3:maj 8:maj 7:7", "0:min 5:min 0:min 7:7",
    )))),
    "jazz": (IONIAN, tuple(map(_round, (
        "2:min7 7:7 0:maj7 0:maj7", "0:maj7 9:min7 2:min7 7:7", "0:maj7 9:7 2:min7 7:7",
        "0:maj 9:7 2:7 7:7", "0:maj7 5:maj7 2:min7 7:7",
    )))),
    "minor jazz": (HARMONIC, tuple(map(_round, (
        "2:hdim7 7:7 0:min7 0:min7", "0:min7 5:min7 2:hdim7 7:7", "0:min 8:maj7 2:hdim7 7:7",
    )))),
    "blues": (BLUES, tuple(map(_round, (
        "0:7 0:7 0:7 0:7 5:7 5:7 0:7 0:7 7:7 5:7 0:7 7:7",
        "0:7 5:7 0:7 0:7 5:7 5:7 0:7 0:7 7:7 5:7 0:7 0:7",
        "0:7 5:7 0:7 0:7 5:7 5:7 0:7 9:7 2:7 7:7 0:7 7:7",
        "0:7 7:7 5:7 5:7 0:7 7:7 0:7 7:7", "0:7 0:7 5:7 5:7 0:7 7:7 0:7 0:7", "0:7 5:7",
        "0:maj 0:maj 0:maj 0:7 5:7 5:7 0:maj 0:maj 7:7 7:7 0:maj 0:maj",
    )))),
    "minor blues": (MINOR_BLUES, tuple(map(_round, (
        "0:min7 0:min7 0:min7 0:min7 5:min7 5:min7 0:min7 0:min7 8:7 7:7 0:min7 0:min7",
        "0:min 5:min 0:min 0:min 5:min 5:min 0:min 0:min 7:min 5:min 0:min 0:min",
    )))),
}  # fmt: skip
MINOR = frozenset(("dorian", "aeolian", "harmonic", "minor jazz", "minor blues"))
SHAPES = {
    "maj": (0, 4, 7), "min": (0, 3, 7), "7": (0, 4, 7, 10), "min7": (0, 3, 7, 10),
    "maj7": (0, 4, 7, 11), "hdim7": (0, 3, 6, 10),
}  # fmt: skip
RHYTHMS: dict[int, tuple[tuple[float, ...], ...]] = {
    4: ((1, 1, 1, 1), (2, 1, 1), (1.5, 0.5, 2), (1, 0.5, 0.5, 1, 1), (0.5,) * 8, (3, 1), (1, 1, 2)),
    3: ((1, 1, 1), (2, 1), (1.5, 0.5, 1), (1, 0.5, 0.5, 1), (0.5,) * 6),
}
BARS = (16, 20, 24)
COMES_HOME, BEGINS_AT_HOME, IN_THREE = 0.75, 0.85, 0.2


def mode_of(piece: Piece) -> str:
    """The mode of a round; of other songs their kind."""
    return piece.name.split("-")[1] if piece.name.startswith("round-") else piece.kind


def rounds(count: int, *, seed: int = 1) -> Iterator[Piece]:
    """So many songs, the modes taking turns."""
    for k in range(count):
        rng = random.Random(1000 * seed + k)
        mode = list(ROUNDS)[k % len(ROUNDS)]
        yield song(rng, mode, f"round-{mode.replace(' ', '_')}-{seed}-{k:03d}")


def song(rng: random.Random, mode: str, name: str) -> Piece:
    scale, choices = ROUNDS[mode]
    tonic, per_bar = rng.randrange(12), 3 if rng.random() < IN_THREE else 4
    bars = _bars(rng, rng.choice(choices), mode)
    length = float(per_bar)
    spans = [
        Span(k * length, (k + 1) * length, f"{SHARP_NAMES[(tonic + step) % 12]}:{quality}")
        for k, (step, quality) in enumerate(bars)
    ]
    tune = _tune(rng, bars, scale, per_bar)
    low = 60 + (tonic + 6) % 12 - 6
    vocal = [replace(t, midi=t.midi + low) for t in tune]
    is_minor = mode in MINOR
    return Piece(
        name, "varied", {"vocal": vocal}, (per_bar, 4), 0.0, tonic, is_minor, _merged(spans)
    )


def _bars(rng: random.Random, chords: Round, mode: str) -> list[tuple[int, str]]:
    """A chord for each bar, one round after the other."""
    count = rng.choice(BARS) if len(chords) < 9 else 2 * len(chords)
    each = 2 if len(chords) == 2 and rng.random() < 0.5 else 1
    turned = 0 if rng.random() < BEGINS_AT_HOME else rng.randrange(len(chords))
    bars = [chords[(turned + k // each) % len(chords)] for k in range(count)]
    if rng.random() < COMES_HOME:
        home = next(chord for chord in chords if chord[0] == 0)
        bars = [*bars[: len(bars) - (mode.endswith("blues") or rng.random() < 0.5)], home]
    return bars


def _tune(rng: random.Random, bars: Round, scale: tuple[int, ...], per_bar: int) -> list[Tone]:
    """A walk in the scale (semitones over the tonic), a long note every fourth bar."""
    n, place, tones = len(scale), rng.randrange(2, 7), []
    low, high = -2, n + 2
    for bar, (root, quality) in enumerate(bars):
        within = {(root + s) % 12 for s in SHAPES[quality]}
        fits = [p for p in range(low, high + 1) if scale[p % n] in within] or [place]
        is_end = bar % 4 == 3 or bar == len(bars) - 1
        lengths = (0.75 * per_bar,) if is_end else rng.choice(RHYTHMS[per_bar])
        if is_end and root == 0 and rng.random() < (0.8 if bar == len(bars) - 1 else 0.4):
            fits = [0, n]
        at = float(bar * per_bar)
        for length in lengths:
            if (at - bar * per_bar) % 2 == 0:
                nearest = sorted(fits, key=lambda p: abs(p - place))
                place = rng.choice(nearest[:2])
            tones.append(Tone(at, length, 12 * (place // n) + scale[place % n]))
            at += length
            place = min(high, max(low, place + rng.choice((-2, -1, -1, 1, 1, 2))))
    return tones


def _merged(spans: list[Span]) -> list[Span]:
    """Chords that stay are one."""
    merged: list[Span] = []
    for span in spans:
        if merged and merged[-1].label == span.label:
            merged[-1] = replace(merged[-1], end=span.end)
        else:
            merged.append(span)
    return merged
