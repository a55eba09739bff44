"""What people ask for that rules cannot do, and what to do instead."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from retune.rules.spoken.sentence import Sentence
from retune.rules.spoken.synonyms import lines_of


@dataclass(frozen=True)
class Wish:
    """What to say of a wish that rules cannot do, and sentences that come near it; `first` to
    `last` are the words that ask for it."""

    says: str
    examples: tuple[str, ...]
    first: int
    last: int


@dataclass(frozen=True)
class _Kind:
    """A kind of wish: the words that ask for it, what to say, and sentences that come near."""

    pattern: re.Pattern[str]
    says: str
    examples: tuple[str, ...]


@lru_cache(maxsize=1)
def _kinds() -> tuple[tuple[_Kind, ...], tuple[_Kind, ...]]:
    """The kinds of wish that are plain whatever else is said, and all others."""
    firm, others = "\n".join(lines_of("wishes.txt")).split("\n----\n")
    return _kinds_in(firm), _kinds_in(others)


def _kinds_in(text: str) -> tuple[_Kind, ...]:
    blocks = re.findall(r"(?m)^(?![=-] )(.+)\n= (.+)((?:\n- .+)*)", text)
    return tuple(
        _Kind(
            re.compile(rf"(?:^|(?<= ))(?:{words})(?= |$)"),
            says,
            tuple(line.removeprefix("- ") for line in shown.split("\n") if line),
        )
        for words, says, shown in blocks
    )


def firm_wish_in(sentence: Sentence) -> Wish | None:
    """A wish so plain that a sentence has no other reading."""
    return _found(_kinds()[0], sentence, ())


def wish_in(sentence: Sentence, unknown: Sequence[int] = ()) -> Wish | None:
    """The wish of a sentence. Where certain words are all that was not understood, it has to be in
    one of them."""
    return _found(_kinds()[1], sentence, unknown)


def _found(kinds: tuple[_Kind, ...], sentence: Sentence, unknown: Sequence[int]) -> Wish | None:
    for kind in kinds:
        for match in kind.pattern.finditer(sentence.text):
            first = sentence.index_at(match.start())
            last = sentence.index_at(max(match.end() - 1, match.start()))
            if not unknown or any(first <= place <= last for place in unknown):
                shown = tuple(match.expand(line) for line in kind.examples)
                return Wish(kind.says, shown, first, last)
    return None


_PARTS = re.compile(
    r"(?:soprano|mezzo|treble|alto|tenor|baritone|guitar|guitarist|piano|pianist|keys|keyboard|organ|"
    r"strings?|violin|viola|cello|flute|clarinet|sax|saxophone|trumpet|horn|brass|drum|drummer|"
    r"percussion|synth|pad|harp|bassist|band|orchestra|descant)s?",
    re.IGNORECASE,
)


def no_stem(word: str, stems: Sequence[str]) -> str:
    """What to add of a word that is that of a voice or an instrument: which stems there are."""
    if not stems or not _PARTS.fullmatch(word):
        return ""
    return f": no stem is called so; there are {', '.join(stems)}"
