"""What a sung stem is made from: words, singers, tunes, and the pitch as it is sung.

Vowel formants: Peterson & Barney 1952, JASA 24, 175-184 (from memory), rounded.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
RATE_HZ = 44100
FRAME_S = 0.005
VOWELS = {
    "a": (730, 1090, 2440, 3400, 4500),
    "e": (530, 1840, 2480, 3450, 4500),
    "i": (270, 2290, 3010, 3600, 4600),
    "o": (570, 840, 2410, 3300, 4400),
    "u": (300, 870, 2240, 3250, 4400),
}
HISS = {"s": (5200.0, 0.09), "sh": (3000.0, 0.10), "t": (4200.0, 0.05), "h": (1500.0, 0.06)}
WORDS = {
    "ma": ("m", "a"), "no": ("n", "o"), "la": ("l", "a"), "me": ("m", "i"), "we": ("w", "i"),
    "see": ("s", "i"), "show": ("sh", "o"), "too": ("t", "u"), "ray": ("r", "e"),
    "you": ("y", "u"), "hay": ("h", "e"), "low": ("l", "o"), "new": ("n", "u"), "sow": ("s", "o"),
}  # fmt: skip


@dataclass(frozen=True)
class Sung:
    """One note: semitones above the tonic, seconds, the word; `legato` slides into it."""

    word: str
    semitones: int
    start_s: float
    end_s: float
    legato: bool
    moved: bool


@dataclass(frozen=True)
class Singer:
    name: str
    kind: str
    tonic_midi: int
    tract: float = 1.0
    open_share: float = 0.6
    jitter: float = 0.004
    breath: float = 0.02
    vibrato_cents: float = 40.0
    glides_s: tuple[float, float] = (0.06, 0.10)
    late_s: tuple[float, float] = (0.0, 0.0)
    scoop_cents: float = 0.0
    seed: int = 1


WIDE, LOOSE = (0.04, 0.16), (-0.03, 0.03)
SINGERS = {
    s.name: s
    for s in (
        Singer("speech", "speech", 57, seed=2),
        Singer("baritone", "pulse", 47, 1.0, 0.6, 0.005, 0.02),
        Singer("tenor", "pulse", 53, 1.04, 0.5, 0.003, 0.012, 60.0, WIDE, LOOSE, 60.0, 3),
        Singer("alto", "pulse", 58, 1.14, 0.65, 0.003, 0.05, 25.0, WIDE, LOOSE, 90.0, 4),
        Singer("soprano", "pulse", 65, 1.18, 0.6, 0.002, 0.02, 70.0, WIDE, LOOSE, 40.0, 5),
        Singer("room", "room", 47, 1.0, 0.6, 0.005, 0.02),
    )
}

# word, semitones above the tonic, seconds, rest before it (0: sung on without a break), moved
TUNES: dict[str, tuple[tuple[str, int, float, float, bool], ...]] = {
    "a": (
        ("la", 4, 0.45, 0.25, False), ("no", 2, 0.40, 0.0, False), ("ma", 0, 0.50, 0.0, False),
        ("we", 2, 0.90, 0.0, True), ("see", 7, 0.40, 0.25, False), ("low", 5, 0.35, 0.0, True),
        ("me", 4, 0.55, 0.0, False), ("show", 2, 0.75, 0.05, True), ("ray", -1, 0.45, 0.30, False),
        ("you", 0, 0.40, 0.0, True), ("new", 2, 1.00, 0.0, True), ("too", 0, 0.60, 0.04, False),
        ("la", 5, 0.50, 0.30, False), ("no", 7, 0.70, 0.0, True), ("ma", 5, 0.45, 0.0, False),
        ("hay", 2, 0.90, 0.05, True),
    ),
    "b": (
        ("me", 0, 0.50, 0.25, False), ("la", 1, 0.60, 0.0, True), ("we", 0, 0.45, 0.0, False),
        ("sow", 3, 0.50, 0.06, True), ("no", 5, 0.40, 0.0, False), ("ray", 7, 0.90, 0.0, True),
        ("you", 8, 0.40, 0.30, False), ("ma", 7, 0.55, 0.0, True), ("low", 3, 0.50, 0.0, False),
        ("new", 2, 1.00, 0.0, True), ("too", 5, 0.35, 0.25, True), ("we", 3, 0.30, 0.0, False),
        ("me", 2, 0.55, 0.0, True), ("la", 0, 0.80, 0.0, False), ("hay", -2, 0.50, 0.05, True),
    ),
    "endings": (
        ("la", 0, 0.40, 0.25, False), ("no", 2, 0.40, 0.0, False), ("me", 4, 0.60, 0.0, True),
        ("ray", 5, 0.35, 0.60, False), ("ma", 4, 0.80, 0.0, True),
        ("you", 7, 0.40, 0.50, False), ("low", 5, 0.40, 0.0, False), ("we", 2, 0.50, 0.0, True),
        ("la", 4, 0.50, 0.80, False), ("new", 2, 0.40, 0.0, False), ("no", 0, 0.90, 0.0, True),
        ("ma", 5, 0.40, 0.70, False), ("ray", 7, 0.70, 0.0, True),
        ("low", 4, 0.50, 0.60, False), ("me", 2, 0.40, 0.0, False), ("la", 0, 0.80, 0.0, True),
    ),
}  # fmt: skip
TAIL_S = 0.4


def tune(name: str) -> tuple[tuple[Sung, ...], float]:
    """The notes of a tune and its length in seconds."""
    now, notes = 0.0, []
    for word, semitones, length, rest, moved in TUNES[name]:
        now += rest
        notes.append(Sung(word, semitones, now, now + length, rest == 0, moved))
        now += length
    return tuple(notes), now + TAIL_S


def pitch_curve(
    notes: tuple[Sung, ...], total_s: float, singer: Singer, shift_cents: float
) -> Floats:
    """Cents (MIDI x 100) every FRAME_S; slides, scoops, vibrato and wander as the singer's."""
    rng = np.random.default_rng(singer.seed)
    time_s = np.arange(round(total_s / FRAME_S) + 1) * FRAME_S
    level = np.array([100.0 * (singer.tonic_midi + n.semitones) + (shift_cents if n.moved else 0)
                      for n in notes])  # fmt: skip
    cents = np.full(len(time_s), level[0])
    for i, note in enumerate(notes[1:], start=1):
        width, late = rng.uniform(*singer.glides_s), rng.uniform(*singer.late_s)
        if not note.legato:
            width, late = 1e-3, -0.01
        part = np.clip((time_s - note.start_s - late) / width + 0.5, 0, 1)
        cents += (level[i] - level[i - 1]) * (0.5 - 0.5 * np.cos(np.pi * part))
    for note in notes:
        inside = (time_s >= note.start_s) & (time_s < note.end_s)
        since = time_s - note.start_s
        if note.end_s - note.start_s > 0.38:
            grown = np.clip((since - 0.15) / 0.15, 0, 1) * np.clip(
                (note.end_s - 0.04 - time_s) / 0.06, 0, 1
            )
            rate = rng.uniform(5.0, 6.2)
            cents += (
                inside * grown * singer.vibrato_cents * np.sin(2 * np.pi * rate * (since - 0.15))
            )
        if not note.legato:
            cents -= inside * singer.scoop_cents * np.exp(-np.maximum(since, 0) / 0.04)
    kernel = np.hanning(60)
    wander = np.convolve(rng.standard_normal(len(time_s)), kernel / kernel.sum(), "same")
    return np.asarray(cents + 20.0 * wander)


def hertz(cents: Floats) -> Floats:
    return np.asarray(440.0 * 2.0 ** ((cents - 6900.0) / 1200.0))
