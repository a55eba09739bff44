"""Melody by harmony, two by two, on one ending: what makes it rest, the one or the other."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from retune.carriers.heard import Chord, Key
from retune.rules.endings import EndingNow
from retune.rules.fitting import FOURTH, Accompaniment, Fit, in_scale, standing, state_over
from retune.rules.sounding import transposed
from retune.rules.trial import Candidate
from retune.theory.chordnames import chord_name
from retune.theory.chords import is_no_chord, is_root_position, is_tonic_chord, third_semitone

_TOLD = "One of a set that tells what makes an ending rest, the melody or the harmony"


@dataclass(frozen=True)
class _Cross:
    """An ending on 2, its chord before and after, and the rule that moves the chord."""

    ending: EndingNow
    before: Chord
    after: Chord
    semitones: int
    shift: str

    @property
    def where(self) -> str:
        return f"phrase {self.ending.phrase}, which ends on 2 over {chord_name(self.before)}"

    def melody(self, degree: str) -> str:
        return f"move phrase-ending note to degree {degree} in phrase {self.ending.phrase}"

    def verdict(self, degree: str, chord: Chord) -> str:
        """Whether a degree over a chord comes home, and what it is there."""
        key = self.ending.key
        state = state_over(degree, chord, key)
        if state == "at rest":
            return f"this comes home, for {standing(degree, chord, key)}"
        if state == "partly at rest":
            return f"this rests in part, for {standing(degree, chord, key)}"
        return f"this does not come home, for {standing(degree, chord, key)}"


def two_by_two(band: Accompaniment, endings: Sequence[EndingNow]) -> Iterator[Candidate]:
    """Melody (2 or 1) by harmony (dominant or tonic), band and bass moved together; with a mirror,
    and the bass moved alone."""
    found = next(_ends_on_two(endings), None)
    if found is None or not band.stems:
        return
    ending, semitones = found
    before = ending.chord
    assert before is not None
    after = transposed(before, semitones, ending.key)
    shift = band.rules([Fit(ending, "2", after, semitones, "open")])[0]
    cross = _Cross(ending, before, after, semitones, shift)
    yield from _cells(cross)
    yield _mirror(cross)
    yield from _bass_alone(cross, band)


def _cells(cross: _Cross) -> Iterator[Candidate]:
    before, after = chord_name(cross.before), chord_name(cross.after)
    phrases = (cross.ending.phrase,)
    yield _cell(
        "melody",
        f"In {cross.where}, the melody alone moves, to 1, and the {before} stays under it: "
        f"{cross.verdict('1', cross.before)}.",
        (cross.melody("1"),),
        f"{_TOLD}: melody 1, harmony as it was.",
        phrases,
    )
    yield _cell(
        "harmony",
        f"In {cross.where}, the band alone moves, to {after}, and the melody stays on 2: "
        f"{cross.verdict('2', cross.after)}.",
        (cross.shift,),
        f"{_TOLD}: melody 2, harmony moved.",
    )
    yield _cell(
        "both",
        f"In {cross.where}, melody and harmony both move, to 1 over {after}: "
        f"{cross.verdict('1', cross.after)}.",
        (cross.melody("1"), cross.shift),
        f"{_TOLD}: both moved. The original is the fourth of the set.",
        phrases,
    )


def _cell(
    what: str, about: str, rules: tuple[str, ...], reason: str, phrases: tuple[int, ...] = ()
) -> Candidate:
    return Candidate(f"cause-{what}", "two-by-two", about, rules, reason, phrases)


def _mirror(cross: _Cross) -> Candidate:
    return _cell(
        "mirror",
        f"A control for cause-melody: in {cross.where}, the 2 moves about as far, but up to 3: "
        f"{cross.verdict('3', cross.before)}.",
        (cross.melody("3"),),
        "What is heard in cause-melody and not here is due to the tonic, not to a note having been "
        "moved.",
        (cross.ending.phrase,),
    )


def _bass_alone(cross: _Cross, band: Accompaniment) -> Iterator[Candidate]:
    if not band.bass or cross.semitones < 0:
        return
    yield _cell(
        "bass-alone",
        f"In {cross.where}, only the bass moves, to the tonic; the {chord_name(cross.before)} "
        "above it stays, so that this is not the tonic chord.",
        (cross.shift.replace(", ".join(band.stems), ", ".join(band.bass), 1),),
        "It tells whether the bass alone makes an ending rest.",
    )


def _ends_on_two(endings: Sequence[EndingNow]) -> Iterator[tuple[EndingNow, int]]:
    """Inner endings on 2 whose chord a fourth takes from dominant to tonic, or back; the first
    kind first."""
    on_two = [e for e in endings if e.degree == "2" and not e.is_last and not is_no_chord(e.chord)]
    for ending in on_two:
        if _is_dominant(ending.chord, ending.key):
            yield ending, FOURTH
    for ending in on_two:
        chord, key = ending.chord, ending.key
        if chord is None or not is_tonic_chord(chord, key):
            continue
        if _is_dominant(transposed(chord, -FOURTH, key), key):
            yield ending, -FOURTH


def _is_dominant(chord: Chord | None, key: Key) -> bool:
    """Whether a chord in root position would be the key's own tonic chord a fourth higher (no
    Picardy third), and leads there by its major third."""
    if chord is None or third_semitone(chord) != 4 or not is_root_position(chord):
        return False
    home = transposed(chord, FOURTH, key)
    return is_tonic_chord(home, key) and in_scale(home, key)
