"""A chord taken apart: root, degrees above it, bass. Reads and writes Harte labels."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from retune.carriers.errors import ChordError
from retune.theory.chordtables import (
    BASS_DEGREES,
    MAJOR,
    NO_BASE,
    READ_SHORTHANDS,
    SHORTHANDS,
    TONE_ROLES,
)
from retune.theory.pitchnames import (
    LETTERS,
    accidental_semitones,
    ascii_accidentals,
    pitch_class_of,
)

NO_CHORD = ("N", "X")
_DEGREE = re.compile(r"([b#]{0,3})(1[0-3]|[1-9])")
_HARTE = re.compile(
    r"(?P<root>[A-G](?:b{0,2}|#{0,2}))"
    r"(?::(?P<quality>[^(/]*)(?:\((?P<degrees>[^()]*)\))?)?(?:/(?P<bass>.*))?"
)


@dataclass(frozen=True)
class ChordParts:
    """`root` a pitch-class name, `degrees` above it in the major scale's digits, `bass` the
    degree in the bass ("1" in root position). No degrees: no chord, `root` is "N" or "X"."""

    root: str
    degrees: tuple[str, ...] = ()
    bass: str = "1"

    @property
    def root_pc(self) -> int:
        return pitch_class_of(self.root) if self.degrees else -1

    @property
    def bass_pc(self) -> int:
        return (self.root_pc + degree_semitones(self.bass)) % 12 if self.degrees else -1

    @property
    def semitones(self) -> dict[int, tuple[int, ...]]:
        """For each degree number its semitones above the root, 0 to 11: {1: (0,), 3: (4,)}."""
        found: dict[int, tuple[int, ...]] = {}
        for degree in self.degrees:
            number = degree_number(degree)
            found[number] = (*found.get(number, ()), degree_semitones(degree) % 12)
        return found

    @property
    def label(self) -> str:
        """Canonical Harte label."""
        if not self.degrees:
            return self.root
        bass = "" if self.bass == "1" else f"/{self.bass}"
        return f"{self.root}:{_quality(self.degrees)}{bass}"

    @property
    def tones(self) -> tuple[tuple[int, str], ...]:
        """(pitch class, role) of every tone, root first; a bass from outside the chord sounds
        too and counts as an extension."""
        found: dict[int, str] = {}
        for degree in sorted(self.degrees, key=_role_order):
            pitch_class = (self.root_pc + degree_semitones(degree)) % 12
            found.setdefault(pitch_class, TONE_ROLES.get(degree_number(degree), "extension"))
        if self.degrees:
            found.setdefault(self.bass_pc, "extension")
        return tuple(found.items())


def degree_number(degree: str) -> int:
    """The digit of a chord degree: 7 of "bb7"."""
    return int(degree.lstrip("b#"))


def degree_semitones(degree: str) -> int:
    """Semitones of a chord degree above its root; 14 for "9"."""
    number = degree_number(degree)
    octaves, step = divmod(number - 1, 7)
    return 12 * octaves + MAJOR[step] + accidental_semitones(degree[: -len(str(number))])


def _order(degree: str) -> tuple[int, int]:
    return degree_number(degree), degree_semitones(degree)


def _role_order(degree: str) -> tuple[bool, int, int]:
    return degree_number(degree) not in TONE_ROLES, *_order(degree)


def sorted_degrees(degrees: set[str]) -> tuple[str, ...]:
    """Chord degrees by number, then by size."""
    return tuple(sorted(degrees, key=_order))


@lru_cache(maxsize=1024)
def _quality(degrees: tuple[str, ...]) -> str:
    """The shorthand of a set of degrees, with what it lacks in brackets."""
    wanted = set(degrees)
    for name, tones in SHORTHANDS.items():
        if set(tones) == wanted:
            return name
    fitting = [
        name for name, tones in SHORTHANDS.items() if set(tones) <= wanted and name not in NO_BASE
    ]
    if not fitting:
        return f"({','.join(degrees)})"
    base = max(fitting, key=lambda name: len(SHORTHANDS[name]))
    return f"{base}({','.join(d for d in degrees if d not in SHORTHANDS[base])})"


def bass_degree(parts: ChordParts, bass_pc: int, bass_name: str = "") -> str:
    """The degree that a bass pitch class is: that of the chord tone, else that of its letter,
    else the usual one. Never above 7."""
    above = (bass_pc - parts.root_pc) % 12
    for degree in parts.degrees:
        if degree_semitones(degree) % 12 == above:
            number = degree_number(degree)
            return degree[: -len(str(number))] + str((number - 1) % 7 + 1)
    if bass_name:
        step = (LETTERS.index(bass_name[0]) - LETTERS.index(parts.root[0])) % 7
        alteration = (above - MAJOR[step] + 6) % 12 - 6
        if abs(alteration) <= 1 and step:
            return {-1: "b", 0: "", 1: "#"}[alteration] + str(step + 1)
    return BASS_DEGREES[above]


@lru_cache(maxsize=4096)
def read_harte(label: str) -> ChordParts:
    """A Harte label such as "Bb:min7(11)/b3", "N" or "X".

    Raises
    ------
    ChordError
        Not Harte syntax; names the part that does not read.
    """
    text = ascii_accidentals(label.strip())
    if text in NO_CHORD:
        return ChordParts(text)
    match = _HARTE.fullmatch(text)
    if match is None:
        raise ChordError(f'"{label}" is not a Harte label; write it like Bb:min7 or F:7/3')
    if match["quality"] is None:
        degrees = set(SHORTHANDS["maj"])
    else:
        degrees = _read_quality(match["quality"], match["degrees"], label)
    parts = ChordParts(match["root"], sorted_degrees(degrees))
    if match["bass"] is None:
        return parts
    if not _DEGREE.fullmatch(match["bass"]):
        raise ChordError(
            f'"{label}": the bass of a Harte label is a degree of the chord, such as /3 or /b7'
        )
    bass_pc = (parts.root_pc + degree_semitones(match["bass"])) % 12
    known = {degree_semitones(degree) % 12 for degree in parts.degrees}
    if degree_semitones(match["bass"]) % 12 in known or degree_number(match["bass"]) > 7:
        return ChordParts(parts.root, parts.degrees, bass_degree(parts, bass_pc))
    return ChordParts(parts.root, parts.degrees, match["bass"])


def _read_quality(quality: str, bracket: str | None, label: str) -> set[str]:
    known = SHORTHANDS | READ_SHORTHANDS
    if quality not in known and (quality or bracket is None):
        raise ChordError(f'"{label}": "{quality}" is not a Harte shorthand')
    degrees = set(known[quality]) if quality else {"1"}
    for item in (bracket or "").split(",") if bracket is not None else ():
        removed, degree = item.strip().startswith("*"), item.strip().lstrip("*")
        if not _DEGREE.fullmatch(degree):
            raise ChordError(f'"{label}": "{item.strip()}" is not a degree from 1 to 13')
        if not removed:
            degrees.add(degree)
            continue
        gone = degree_semitones(degree) % 12
        degrees = {d for d in degrees if degree_semitones(d) % 12 != gone}
    if not degrees:
        raise ChordError(f'"{label}" leaves no tone; write N for no chord')
    return degrees
