"""Tension and stability from published models, each term on its own.

Lerdahl's basic space and chord distance (Tonal Pitch Space, 2001), his anchoring strengths and
melodic attraction (Music Perception 13(3), 1996, 319-363; formula and strengths as in MIDI
Toolbox `melattraction`), probe-tone stability (Krumhansl & Kessler 1982), surface dissonance
(Lerdahl & Krumhansl 2007; its weights from memory), magnetism (Larson, Music Perception 21(4),
2004; its formula from memory). Modes take the major or minor table by their third.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from retune.carriers.heard import Chord, Key
from retune.theory.chords import fifth_semitone, is_no_chord, third_semitone
from retune.theory.keys import is_minor_like, scale_semitones, tonic_pc
from retune.theory.profiles import PROFILES

ANCHORING_MAJOR = (4, 1, 2, 1, 3, 2, 1, 3, 1, 2, 1, 2)
ANCHORING_MINOR = (4, 1, 2, 3, 1, 2, 1, 3, 2, 2, 1, 2)


def stability(midi: int, key: Key) -> float:
    """Probe-tone stability of a pitch in a key, 0 (least of the twelve) to 1 (the tonic)."""
    table = PROFILES["krumhansl-kessler"][1 if is_minor_like(key) else 0]
    low, high = min(table), max(table)
    return (table[(midi - tonic_pc(key)) % 12] - low) / (high - low)


@lru_cache(maxsize=1024)
def basic_space(chord: Chord, key: Key) -> tuple[int, ...]:
    """Levels (1 to 5) that each pitch class C..B holds over a chord in a key.

    Five levels: root; root and fifth; triad; scale; all twelve.
    """
    triad = {chord.root_pc}
    fifth, third = fifth_semitone(chord), third_semitone(chord)
    fifths = {(chord.root_pc + fifth) % 12} if fifth is not None else set()
    thirds = {(chord.root_pc + third) % 12} if third is not None else set()
    scale = {(tonic_pc(key) + semitone) % 12 for semitone in scale_semitones(key)}
    levels = ({chord.root_pc}, triad | fifths, triad | fifths | thirds)
    # The levels nest: a chord tone outside the scale stands in the scale for as long.
    nested = scale | levels[2]
    return tuple(1 + (pc in nested) + sum(pc in level for level in levels) for pc in range(12))


def _fifths_apart(first_pc: int, second_pc: int) -> int:
    steps = (7 * (second_pc - first_pc)) % 12
    return min(steps, 12 - steps)


def _region_pc(key: Key) -> int:
    """Tonic of the major key with the same signature: regions lie on the circle of fifths."""
    shift = {
        "major": 0,
        "minor": 3,
        "dorian": 10,
        "phrygian": 8,
        "lydian": 7,
        "mixolydian": 5,
        "locrian": 1,
    }[key.mode]
    return (tonic_pc(key) + shift) % 12


def _scale_fifths(first_pc: int, second_pc: int, key: Key) -> int:
    """Steps between two roots on the scale's own circle of fifths (seven places)."""
    scale = [(tonic_pc(key) + semitone) % 12 for semitone in scale_semitones(key)]
    if first_pc not in scale or second_pc not in scale:
        return _fifths_apart(first_pc, second_pc)
    # A fifth is four scale steps; on a circle of seven places the way back is as short.
    places = (2 * (scale.index(second_pc) - scale.index(first_pc))) % 7
    return min(places, 7 - places)


def chord_distance(first: Chord, first_key: Key, second: Chord, second_key: Key) -> int:
    """Lerdahl's distance d = i + j + k between two chords.

    i: steps between regions on the circle of fifths; j: steps between roots on the scale's
    circle of fifths; k: pitch classes, level by level, of the second that the first has not.
    """
    i = _fifths_apart(_region_pc(first_key), _region_pc(second_key))
    j = _scale_fifths(first.root_pc, second.root_pc, second_key)
    before, after = basic_space(first, first_key), basic_space(second, second_key)
    return i + j + sum(max(b - a, 0) for a, b in zip(before, after, strict=True))


def anchoring(midi: int, key: Key) -> int:
    """Anchoring strength of a pitch in a key, 1 to 4."""
    table = ANCHORING_MINOR if is_minor_like(key) else ANCHORING_MAJOR
    return table[(midi - tonic_pc(key)) % 12]


def melodic_attraction(from_midi: int, to_midi: int, key: Key) -> float:
    """How strongly one pitch draws to another: (s2 / s1) / n**2 over n semitones.

    The formula divides by zero for a repeated pitch; a pitch is not drawn to itself: 0.
    """
    interval = abs(to_midi - from_midi)
    if interval == 0:
        return 0.0
    return anchoring(to_midi, key) / anchoring(from_midi, key) / interval**2


def surface_dissonance(midi: int, chord: Chord, key: Key) -> int:
    """Surface dissonance of a melody note over a chord; weights from memory.

    Third or fifth of the chord in the melody 1; inversion 2; the chord's seventh 1; a note
    of the scale outside the chord 3; a chromatic one outside it 4. The model knows triads and
    sevenths: ninths, sixths and suspended notes count as outside. In minor the raised sixth and
    seventh belong to the scale.
    """
    role = chord.role_of(midi % 12)
    total = 2 if chord.bass_pc != chord.root_pc else 0
    total += 1 if any(member == "seventh" for _, member in chord.tones) else 0
    if role in ("third", "fifth"):
        return total + 1
    if role in ("root", "seventh"):
        return total
    semitone = (midi - tonic_pc(key)) % 12
    in_scale = semitone in scale_semitones(key) or (key.mode == "minor" and semitone in (9, 11))
    return total + (3 if in_scale else 4)


def magnetism(midi: int, key: Key) -> float:
    """Larson's magnetism: the pull to the nearer of the two tonic-triad notes around a pitch less
    that of the farther, 1 / near**2 - 1 / far**2 in semitones; positive upwards, negative down.

    0 on a note of the tonic triad and half-way between two.
    """
    third = 3 if is_minor_like(key) else 4
    stable = {(tonic_pc(key) + step) % 12 for step in (0, third, 7)}
    if midi % 12 in stable:
        return 0.0
    up = next(n for n in range(1, 12) if (midi + n) % 12 in stable)
    down = next(n for n in range(1, 12) if (midi - n) % 12 in stable)
    return 1 / up**2 - 1 / down**2


@dataclass(frozen=True)
class Tension:
    """The terms of a note's tension, none invented; None where a term has no ground.

    harmony: chord distance from the tonic chord of the song's key; surface: surface dissonance
    over its chord; instability: 1 minus probe-tone stability; attraction: the strongest pull to
    a better anchored pitch within two semitones (0 where there is none); magnetism: see
    `magnetism`.
    """

    harmony: int | None
    surface: int | None
    instability: float
    attraction: float
    magnetism: float

    @property
    def harmonic(self) -> int | None:
        """Harmony plus surface: Lerdahl's tension of an event that hangs directly from the tonic
        chord (no tree of prolongations is drawn)."""
        if self.harmony is None or self.surface is None:
            return None
        return self.harmony + self.surface


@lru_cache(maxsize=256)
def tonic_chord(key: Key) -> Chord:
    """The tonic triad of a key."""
    from retune.theory.chords import parse_chord

    return parse_chord(f"{key.tonic}:{'min' if is_minor_like(key) else 'maj'}", key)


def note_tension(midi: int, chord: Chord | None, key: Key, home: Key | None = None) -> Tension:
    """The tension of a note over a chord; `home` is the song's own key (else `key`)."""
    pulls = [
        melodic_attraction(midi, midi + step, key)
        for step in (-2, -1, 1, 2)
        if anchoring(midi + step, key) > anchoring(midi, key)
    ]
    known = chord is not None and not is_no_chord(chord)
    base = home or key
    return Tension(
        harmony=chord_distance(tonic_chord(base), base, chord, key) if known and chord else None,
        surface=surface_dissonance(midi, chord, key) if known and chord else None,
        instability=1.0 - stability(midi, key),
        attraction=max(pulls, default=0.0),
        magnetism=magnetism(midi, key),
    )
