"""Chords that fit an ending on another degree: the one beneath it, or that chord moved as a whole
with bass and backing, so that the melody does not fight it."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from retune.carriers.heard import Analysis, Bars, Chord, Ending, Key
from retune.rules.endings import EndingNow
from retune.rules.scene import listed
from retune.rules.sounding import transposed
from retune.rules.suggestwords import ranges
from retune.song.bartime import beat_length_s
from retune.song.moved import beat_at
from retune.theory.chordnames import chord_name
from retune.theory.chords import is_no_chord
from retune.theory.keys import degree_pc, scale_semitones, tonic_pc
from retune.theory.roles import how_it_ends, melodic_ending

FOURTH = 5
"""Semitones from a dominant up to its tonic: the shorter way (down would be 7)."""
# Ways for a chord to go, the first that fits is taken: a fourth, then a step, up or down.
_WAYS = (FOURTH, -FOURTH, 2, -2)
_TRIAD = ("root", "third", "fifth")


@dataclass(frozen=True)
class Fit:
    """An ending brought to a degree: over which chord then, moved by how many semitones (0: as it
    stands), and how it ends there."""

    ending: EndingNow
    degree: str
    chord: Chord | None
    semitones: int
    state: Ending


def state_over(degree: str, chord: Chord | None, key: Key) -> Ending:
    """How a phrase would end on a degree over a chord; by the melody alone where none is known."""
    return how_it_ends(degree_pc(degree, key), chord, key) or melodic_ending(degree) or "open"


@dataclass(frozen=True)
class Accompaniment:
    """Bass and backing stems that move together, by bars."""

    bass: tuple[str, ...]
    backing: tuple[str, ...]
    bars: Bars

    @property
    def stems(self) -> tuple[str, ...]:
        return (*self.bass, *self.backing)

    @classmethod
    def of(cls, analysis: Analysis) -> Accompaniment:
        """That of a song; no stems where no backing or no bars are known, so that nothing moves."""
        stems = analysis.stems.values()
        backing = tuple(s.name for s in stems if s.role == "backing")
        bass = tuple(s.name for s in stems if s.role == "bass" and s.notes)
        if not backing or len(analysis.bars.downbeats_s) < 2:
            return cls((), (), analysis.bars)
        return cls(bass, backing, analysis.bars)

    def home(self, ending: EndingNow, degree: str = "1") -> Fit | None:
        """The ending on the tonic, where it rests at least in part over the chord as it stands, or
        wholly over that chord moved; None where the tonic would fight either."""
        state = state_over(degree, ending.chord, ending.key)
        if state != "open":
            return Fit(ending, degree, ending.chord, 0, state)
        return next(
            (fit for fit in self._moved(ending, degree) if fit.state == "at rest"),
            None,
        )

    def away(self, ending: EndingNow, degree: str) -> Fit:
        """The ending on a degree that waits, over a chord that waits with it; over the chord as it
        stands, where no other can be had."""
        state = state_over(degree, ending.chord, ending.key)
        stays = Fit(ending, degree, ending.chord, 0, state)
        if _is_of_triad(stays):
            return stays
        waits = (fit for fit in self._moved(ending, degree) if fit.state == "open")
        return next(filter(_is_of_triad, waits), stays)

    def _moved(self, ending: EndingNow, degree: str) -> Iterator[Fit]:
        """The ending over its chord moved whole, to where all its tones are of the scale."""
        if not self.stems or ending.chord is None or is_no_chord(ending.chord):
            return
        for semitones in _WAYS:
            chord = transposed(ending.chord, semitones, ending.key)
            if in_scale(chord, ending.key):
                state = state_over(degree, chord, ending.key)
                yield Fit(ending, degree, chord, semitones, state)

    def rules(self, fits: Iterable[Fit]) -> tuple[str, ...]:
        """The rules that move the chords of endings; stretches of whole bars in one."""
        bars: dict[int, list[int]] = {}
        others: list[str] = []
        for fit in fits:
            if not fit.semitones or fit.ending.chord is None:
                continue
            first, stop = self._stretch(fit.ending, fit.ending.chord)
            if first[1] == stop[1] == 1.0:
                bars.setdefault(fit.semitones, []).extend(
                    range(first[0], max(stop[0], first[0] + 1))
                )
            else:
                others.append(
                    f"{self._shift(fit.semitones)} from {_moment(first)} to {_moment(stop)}"
                )
        whole = (
            f"{self._shift(semitones)} in bar{'s' if len(found) > 1 else ''} {ranges(found)}"
            for semitones, several in bars.items()
            if (found := sorted(set(several)))
        )
        return tuple(dict.fromkeys((*whole, *others)))

    def _shift(self, semitones: int) -> str:
        way = f"{'up' if semitones > 0 else 'down'} {abs(semitones)} semitones"
        return f"shift {', '.join(self.stems)} {way}"

    def _stretch(
        self, ending: EndingNow, chord: Chord
    ) -> tuple[tuple[int, float], tuple[int, float]]:
        """First and last bar and beat (not reached) of what moves: as much of the ending's chord as
        lies in the bars in which the ending sounds, so that its neighbours keep their harmony."""
        downbeats, note = self.bars.downbeats_s, ending.note
        start_s = max(chord.start_s, downbeats[max((note.bar or 1) - 1, 0)])
        # A note held a little over a barline has ended with the bar.
        loose_s = beat_length_s(note.start_s, self.bars) / 4
        next_bar = bisect_left(downbeats, max(note.end_s - loose_s, start_s + loose_s))
        end_s = min(chord.end_s, downbeats[min(next_bar, len(downbeats) - 1)])
        return _bar_and_beat(start_s, self.bars), _bar_and_beat(end_s, self.bars)


def in_scale(chord: Chord, key: Key) -> bool:
    """Whether all tones of a chord are of the key's own scale."""
    scale = {(tonic_pc(key) + semitone) % 12 for semitone in scale_semitones(key)}
    return {pc for pc, _ in chord.tones} <= scale


def _is_of_triad(fit: Fit) -> bool:
    pitch = degree_pc(fit.degree, fit.ending.key)
    return fit.chord is None or is_no_chord(fit.chord) or fit.chord.role_of(pitch) in _TRIAD


def standing(degree: str, chord: Chord, key: Key) -> str:
    """What a degree is in a chord: "1 is the seventh of Dm7", "1 is no tone of G"."""
    member, name = chord.role_of(degree_pc(degree, key)), chord_name(chord)
    if member is None:
        return f"{degree} is no tone of {name}"
    return f"{degree} is the {member} of {name}"


def moves_in_words(fits: Iterable[Fit]) -> str:
    """ "G becomes C and D becomes G"; "" where no chord moves."""
    found = [
        f"{chord_name(fit.ending.chord)} becomes {chord_name(fit.chord)}"
        for fit in fits
        if fit.semitones and fit.ending.chord is not None and fit.chord is not None
    ]
    return listed(list(dict.fromkeys(found)))


def _moment(place: tuple[int, float]) -> str:
    return f"{place[0]}:{place[1]:g}"


def _bar_and_beat(time_s: float, bars: Bars) -> tuple[int, float]:
    """Bar and beat of a moment, beats to the hundredth; never before bar 1."""
    last_s = bars.downbeats_s[-1]
    bar = max(bars.bar_of(beat_at(bars, min(time_s + 1e-3, last_s))), 1)
    beat = beat_at(bars, max(time_s, bars.downbeats_s[bar - 1])) - bars.first_beat(bar)
    return bar, round(1 + beat, 2)
