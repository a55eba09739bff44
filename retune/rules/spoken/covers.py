"""The ways to cover a spoken sentence with parts."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

from retune.rules.spoken.parts import Part, parts_at
from retune.rules.spoken.pitches import DEGREE, NAME
from retune.rules.spoken.sentence import Sentence
from retune.rules.spoken.synonyms import free_words
from retune.rules.spoken.tokens import plain_words

MAX_COVERS = 24
_FREE_COST, _UNKNOWN_COST, _NEVER = 0.3, 10.0, 1000.0
_TIE_COST = 0.02
# "on 2" is rather where to than which; a name is rather that of a stem than of anything else.
_SECOND_CHOICE = frozenset([("degrees", "on")])
VERBS = frozenset(
    [
        "up",
        "down",
        "keep",
        "hold",
        "shorten",
        "delay",
        "earlier",
        "suspend",
        "swap",
        "resolve",
        "end",
        "begin",
        "flatten",
        "sharpen",
    ]
)
"""The plain words that say what a rule does."""
_EVERY_STEM = re.compile(
    r"(?:(?P<all>every (?:stems?|tracks?|instruments?|parts?)|every 1 of stems|whole band)"
    r"|everything|every 1|every (?:stems?|tracks?|instruments?|parts?))(?= |$)"
)
_VERBS_AFTER_TO = VERBS | {"copy", "hang"}
NEGATIONS = frozenset(["not", "never", "no", "none", "nor", "cannot", "avoid"])


@dataclass(frozen=True)
class Cover:
    """Parts that cover a sentence; `unknown` are the words that nothing reads."""

    cost: float = 0.0
    parts: tuple[Part, ...] = ()
    unknown: tuple[int, ...] = ()


def covers(sentence: Sentence, stems: Sequence[str]) -> list[Cover]:
    """The ways to cover a sentence with parts, the fewest parts first."""
    n = len(sentence.tokens)
    best: list[list[Cover]] = [[] for _ in range(n + 1)]
    best[n] = [Cover()]
    for place in range(n - 1, -1, -1):
        found: list[Cover] = []
        for part in _steps(sentence, place, stems):
            cost = _cost(part, sentence)
            found += [
                Cover(
                    cost + rest.cost,
                    (part, *rest.parts) if part.kind not in ("free", "unknown") else rest.parts,
                    (place, *rest.unknown) if part.kind == "unknown" else rest.unknown,
                )
                for rest in best[part.last]
            ]
        best[place] = _cheapest(found)
    return best[0]


def _cheapest(found: list[Cover]) -> list[Cover]:
    ordered = sorted(found, key=lambda cover: cover.cost)
    return ordered[:MAX_COVERS]


def _cost(part: Part, sentence: Sentence) -> float:
    if part.kind == "free":
        return _FREE_COST * (part.last - part.first)
    if part.kind == "unknown":
        word = sentence.tokens[part.first].text
        return _NEVER if word in NEGATIONS else _UNKNOWN_COST
    if part.kind == "stem":
        return 1.0 - _TIE_COST
    begins = sentence.tokens[part.first].text
    return 1.0 + _TIE_COST * ((part.kind, begins) in _SECOND_CHOICE)


@lru_cache(maxsize=1)
def _free() -> dict[str, list[tuple[str, ...]]]:
    """Wordings that say nothing to a rule, by their first word, the longest first."""
    found: dict[str, list[tuple[str, ...]]] = {}
    for wording in free_words():
        words = plain_words(wording)
        if words:
            found.setdefault(words[0], []).append(words)
    return {word: sorted(wordings, key=len, reverse=True) for word, wordings in found.items()}


def _steps(sentence: Sentence, place: int, stems: Sequence[str]) -> Iterator[Part]:
    yield from _stem(sentence, place, stems)
    yield from _all_stems(sentence, place, stems)
    yield from parts_at(sentence, place)
    texts = tuple(token.text for token in sentence.tokens)
    for words in _free().get(texts[place], ()):
        if texts[place : place + len(words)] == words and _may_be_free(texts, place):
            yield Part("free", None, place, place + len(words))
    if texts[place] in ("?", "!", ".", ",", ";", "-"):
        yield Part("free", None, place, place + 1)
    yield Part("unknown", None, place, place + 1)


def _may_be_free(texts: tuple[str, ...], place: int) -> bool:
    """ "to" says where to, but before a verb; "where" says where, but at the start."""
    after = texts[place + 1] if place + 1 < len(texts) else ""
    if texts[place] == "where":
        return place == 0 or texts[place - 1] in (",", "and")
    qualities = ("minor", "major", "perfect", "augmented", "diminished")
    if after in ("a", "an") and " ".join(texts[place + 2 : place + 3]) in qualities:
        return texts[place] not in ("to", "into")  # "to a minor third" is no distance
    if after in ("a", "an") and re.match(
        rf"(?:{DEGREE}|{NAME})$", " ".join(texts[place + 2 : place + 3])
    ):
        return texts[place] not in ("to", "into")  # but a goal
    return texts[place] not in ("to", "into") or after in _free() or after in _VERBS_AFTER_TO


def _stem(sentence: Sentence, place: int, stems: Sequence[str]) -> Iterator[Part]:
    for stem in stems:
        last = _last_of(sentence, place, stem)
        if last:
            # "bass line" came out as "bass phrase": the line is the part.
            after = sentence.tokens[last : last + 1]
            if after and after[0].raw.lower() in ("line", "part"):
                yield Part("stem", stem, place, last + 1)
            yield Part("stem", stem, place, last)


def _all_stems(sentence: Sentence, place: int, stems: Sequence[str]) -> Iterator[Part]:
    """ "All stems", and "everything but the bass": each stem that is not left out."""
    match = _EVERY_STEM.match(sentence.text, sentence.offsets[place])
    if match is None or not stems:
        return
    last = sentence.index_at(match.end() - 1) + 1
    if match["all"]:
        yield Part("stem", ", ".join(stems), place, last)
    left, at = list(stems), last + 1
    while sentence.tokens[at - 1 : at] and sentence.tokens[at - 1].text in ("except", "and", ","):
        out = [(stem, end) for stem in left if (end := _last_of(sentence, at, stem))]
        if not out or len(left) < 2:
            return
        left.remove(out[0][0])
        last, at = out[0][1], out[0][1] + 1
        yield Part("stem", ", ".join(left), place, last)


def _last_of(sentence: Sentence, place: int, stem: str) -> int:
    """One past the last word of a stem's name that begins here, a name such as "BV-1" being two
    words; 0 where no such name stands here."""
    if place >= len(sentence.tokens):
        return 0
    token = sentence.tokens[place]
    if stem.lower() == token.raw.lower().removesuffix("'s").removesuffix("’s"):
        return place + 1
    stop = token.start + len(stem)
    if token.stop > stop or sentence.typed[token.start : stop].lower() != stem.lower():
        return 0
    ends = (n for n, word in enumerate(sentence.tokens[place:], place + 1) if word.stop == stop)
    return next(ends, 0)
