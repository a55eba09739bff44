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
from retune.theory.chords import (
    fifth_semitone,
    is_no_chord,
    is_tonic_chord,
    seventh_semitone,
    sus_pitch_class,
    third_semitone,
)
from retune.theory.keys import is_minor_like, scale_semitones, tonic_pc
from retune.theory.pitchnames import PLAIN_NAMES
from retune.theory.profiles import PROFILES
from retune.theory.romannames import is_diatonic

ANCHORING_MAJOR = (4, 1, 2, 1, 3, 2, 1, 3, 1, 2, 1, 2)
ANCHORING_MINOR = (4, 1, 2, 3, 1, 2, 1, 3, 2, 2, 1, 2)


def stability(midi: int, key: Key) -> float:
    """Probe-tone stability of a pitch in a key, 0 (least of the twelve) to 1 (the tonic)."""
    table = PROFILES["krumhansl-kessler"][1 if is_minor_like(key) else 0]
    low, high = min(table), max(table)
    return (table[(midi - tonic_pc(key)) % 12] - low) / (high - low)


def chord_scale(chord: Chord, key: Key) -> tuple[int, ...]:
    """Semitones of the scale that a chord stands in. In minor the seventh is raised under a chord
    that holds the leading tone (V, viio), and the sixth under one that holds the raised sixth."""
    scale = scale_semitones(key)
    if key.mode != "minor":
        return scale
    held = {(pc - tonic_pc(key)) % 12 for pc, _ in chord.tones}
    raised = {low: low + 1 for low in (8, 10) if low + 1 in held and low not in held}
    return tuple(raised.get(semitone, semitone) for semitone in scale)


@lru_cache(maxsize=1024)
def basic_space(
    chord: Chord, key: Key, semitones: tuple[int, ...] | None = None
) -> tuple[int, ...]:
    """Levels (1 to 5) that each pitch class C..B holds over a chord in a key.

    Five levels: root; root and fifth; triad; scale (`semitones` above the tonic, else the key's
    own); all twelve. A sus chord has the third that its suspension stands for.
    """
    scale = {(tonic_pc(key) + semitone) % 12 for semitone in semitones or scale_semitones(key)}
    triad = {chord.root_pc}
    fifth, third = fifth_semitone(chord), third_semitone(chord)
    if third is None and sus_pitch_class(chord) is not None:
        third = next((n for n in (4, 3) if (chord.root_pc + n) % 12 in scale), None)
    fifths = {(chord.root_pc + fifth) % 12} if fifth is not None else set()
    thirds = {(chord.root_pc + third) % 12} if third is not None else set()
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


def _scale_fifths(first_pc: int, second_pc: int, key: Key, semitones: tuple[int, ...]) -> int:
    """Steps between two roots on the scale's own circle of fifths (seven places)."""
    scale = [(tonic_pc(key) + semitone) % 12 for semitone in semitones]
    if first_pc not in scale or second_pc not in scale:
        return _fifths_apart(first_pc, second_pc)
    # A fifth is four scale steps; on a circle of seven places the way back is as short.
    places = (2 * (scale.index(second_pc) - scale.index(first_pc))) % 7
    return min(places, 7 - places)


def chord_distance(first: Chord, first_key: Key, second: Chord, second_key: Key) -> int:
    """Lerdahl's distance d = i + j + k between two chords.

    i: steps between regions on the circle of fifths; j: steps between roots on the scale's
    circle of fifths; k: pitch classes, level by level, of the second that the first has not. In
    minor the scale is that of the second chord (`chord_scale`), for both where the key is one.
    """
    scale = chord_scale(second, second_key)
    i = _fifths_apart(_region_pc(first_key), _region_pc(second_key))
    j = _scale_fifths(first.root_pc, second.root_pc, second_key, scale)
    here = scale if first_key == second_key else None
    before, after = (
        basic_space(first, first_key, here),
        basic_space(second, second_key, scale),
    )
    return i + j + sum(max(b - a, 0) for a, b in zip(before, after, strict=True))


@lru_cache(maxsize=4096)
def distance_from_home(chord: Chord, key: Key, home: Key) -> int:
    """Distance from the tonic chord of `home` to a chord that sounds in `key`.

    A chord of the key is measured in it; a borrowed or applied one, with a tone of its triad
    outside or as V7 of IV, in the region it belongs to: that of IV, or of all major and minor keys
    that have it the one with the shortest path. A chord of none (an augmented sixth) is measured
    in the key as it is.
    """
    tonic = tonic_chord(home)
    if _belongs(chord, key):
        return chord_distance(tonic, home, chord, key)
    if _leads_to_iv(chord, key):
        mode = "minor" if is_minor_like(key) else "major"
        fourth = Key(PLAIN_NAMES[(tonic_pc(key) + 5) % 12], mode)
        return chord_distance(tonic, home, chord, fourth)
    regions = [Key(name, mode) for name in PLAIN_NAMES for mode in ("major", "minor")]
    near = [r for r in regions if _belongs(chord, r) and not _is_melodic(chord, r)]
    found = (chord_distance(tonic, home, chord, region) for region in near)
    return min(found, default=chord_distance(tonic, home, chord, key))


def _belongs(chord: Chord, key: Key) -> bool:
    """Whether the triad of a chord is one of the key's, in minor those of the raised sixth and
    seventh too, and it is no V7 of IV."""
    semitone = (chord.root_pc - tonic_pc(key)) % 12
    is_own = is_diatonic(semitone, third_semitone(chord), fifth_semitone(chord), key)
    return is_own and not _leads_to_iv(chord, key)


def _leads_to_iv(chord: Chord, key: Key) -> bool:
    """Whether a chord on the tonic is V7 of IV: a dominant seventh that is not home."""
    is_dominant = (third_semitone(chord), seventh_semitone(chord)) == (4, 10)
    return is_dominant and chord.root_pc == tonic_pc(key) and not is_tonic_chord(chord, key)


def _is_melodic(chord: Chord, key: Key) -> bool:
    """Whether a chord of a minor key rests on its raised sixth, by which nobody knows the key."""
    return key.mode == "minor" and chord.role_of(tonic_pc(key) + 9) is not None


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

    Third or fifth of the chord in the melody 1; inversion 2; the chord's seventh 1; a suspended
    fourth or second 3, whichever voice has it; a note of the scale outside the chord 3; a chromatic
    one outside it 4. The model knows triads and sevenths: ninths and sixths in the melody count as
    outside, in another voice not at all. In minor the raised sixth and seventh belong to the scale.
    """
    return sum(weight for _, weight in dissonances(midi, chord, key))


def dissonances(midi: int, chord: Chord, key: Key) -> tuple[tuple[str, int], ...]:
    """What a note's surface dissonance is the sum of, in words, each with its weight."""
    role, suspended = chord.role_of(midi % 12), sus_pitch_class(chord)
    found = [("inversion", 2)] if chord.bass_pc != chord.root_pc else []
    if any(member == "seventh" for _, member in chord.tones):
        found.append(("seventh in the chord", 1))
    if suspended is not None:
        found.append(("suspension in the chord", 3))
    if role in ("third", "fifth"):
        found.append((f"{role} in the melody", 1))
    elif role not in ("root", "seventh") and midi % 12 != suspended:
        semitone = (midi - tonic_pc(key)) % 12
        in_scale = semitone in scale_semitones(key) or (key.mode == "minor" and semitone in (9, 11))
        found.append(
            ("note of the scale outside the triad", 3)
            if in_scale
            else ("chromatic note outside the triad", 4)
        )
    return tuple(found)


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

    harmony: chord distance from the tonic chord of the home key; surface: surface dissonance
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
    """The tension of a note over a chord; `home` is where distances count from
    (else `key`)."""
    pulls = [
        melodic_attraction(midi, midi + step, key)
        for step in (-2, -1, 1, 2)
        if anchoring(midi + step, key) > anchoring(midi, key)
    ]
    known = chord is not None and not is_no_chord(chord)
    base = home or key
    return Tension(
        harmony=distance_from_home(chord, key, base) if known and chord else None,
        surface=surface_dissonance(midi, chord, key) if known and chord else None,
        instability=1.0 - stability(midi, key),
        attraction=max(pulls, default=0.0),
        magnetism=magnetism(midi, key),
    )


def tension_terms(midi: int, chord: Chord, key: Key, home: Key) -> tuple[tuple[str, int], ...]:
    """What the tension of a note over a chord is the sum of: (words, number), the distance from
    home first."""
    away = ("from the tonic chord", distance_from_home(chord, key, home))
    return (away, *dissonances(midi, chord, key))
