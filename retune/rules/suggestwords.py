"""Words for endings, as suggestions tell of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from retune.carriers.heard import Chord
from retune.rules.endings import EndingNow
from retune.rules.scene import listed
from retune.theory.chordnames import chord_name
from retune.theory.chords import is_no_chord
from retune.theory.endingstats import COLLECTION, ending_share

NAMED_AT_MOST = 6
"""More phrases than this are told as ranges."""


def ranges(numbers: Sequence[int]) -> str:
    """ "1-3, 5"."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and runs[-1][-1] == number - 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{run[0]}-{run[-1]}" if len(run) > 1 else str(run[0]) for run in runs)


def phrases_in_words(numbers: Sequence[int]) -> str:
    """ "phrase 2", "phrases 2 and 4", "phrases 1-9"."""
    if len(numbers) == 1:
        return f"phrase {numbers[0]}"
    many = len(numbers) > NAMED_AT_MOST
    return f"phrases {ranges(numbers) if many else listed([str(number) for number in numbers])}"


def numbers_of(endings: Iterable[EndingNow]) -> tuple[int, ...]:
    """The phrases of endings."""
    return tuple(e.phrase for e in endings)


def degrees_of(endings: Iterable[EndingNow]) -> str:
    """ "2 and 4"."""
    return listed(list(dict.fromkeys(e.degree for e in endings)))


def told(endings: Sequence[EndingNow]) -> str:
    """ "Phrase 2 ends on 2 over Bb and phrase 4 on 2 over F"; of many, "phrases 1-9 end on 2"."""
    if len(endings) > NAMED_AT_MOST:
        return f"Phrases {ranges(numbers_of(endings))} end on {degrees_of(endings)}"
    words: list[str] = []
    for ending in endings:
        ends = "Phrase {} ends on" if not words else "phrase {} on"
        over = over_words(ending.chord)
        words.append(f"{ends.format(ending.phrase)} {ending.degree}{over}")
    return listed(words)


def over_words(chord: Chord | None) -> str:
    """ " over F7", or "" where no chord is known."""
    return "" if chord is None or is_no_chord(chord) else f" over {chord_name(chord)}"


def sentences(*given: str) -> str:
    """The sentences that there are, in a row."""
    return " ".join(filter(None, given))


def usual(ending: EndingNow, other: str) -> str:
    """How usual the ending's degree and another are there, in a collection that was counted."""
    shares = [
        ending_share(degree, ending.key.mode, last=ending.is_last)
        for degree in (ending.degree, other)
    ]
    if None in shares:
        return ""
    which = "last" if ending.is_last else "inner"
    return (
        f"In {COLLECTION} in {ending.key.mode}, {shares[0]:.1f} % of {which} phrases end on "
        f"{ending.degree} and {shares[1]:.1f} % on {other}."
    )
