"""Whether a reading has in it every word that carries meaning: the last check before a sentence is
taken for rules. A word that is told nowhere in them turns the reading into a question.

Each claim is a pattern over the plain words of a sentence, and a pattern of what rules have to say,
in canonical words, where it fits.
"""

# ruff: noqa: E501  (a pattern reads best on one line)
from __future__ import annotations

import re
from dataclasses import dataclass

from retune.rules.spoken.sentence import Sentence
from retune.rules.spoken.stretches import SECTIONS


@dataclass(frozen=True)
class Untold:
    """Words of a sentence, `first` up to `last` (excluded), that a reading does not tell."""

    first: int
    last: int


_SIZE = r"(?:beats?|semitones?|wholes?|steps?|o:\d|octaves?|cents?|quarter|half)"
_COUNTS = (
    (1, "open|first|pickup|note before"),
    (2, r"second|even|odd|semitone|penultimate|1 scale|\ds\b"),
    (3, "third|semitone|2 scale"),
    (4, "fourth|semitone|3 scale"),
    (5, "fifth|semitone|4 scale|sixth or more"),
    (6, "sixth|semitone|5 scale|vi"),
    (7, "seventh|semitone|6 scale|vii"),
)
_NOTE_BESIDE = r"note before|note after|ending of|repeated"
_CLAIMS: tuple[tuple[str, str], ...] = (
    # which way
    (r"(?<!instead of )(?<!not )up", r"\bup\b|above|higher|\brise|sharp|degree #|to (?:note )?[A-G]\b|[A-G]#?\d"),
    (r"(?<!instead of )(?<!not )down", r"\bdown\b|below|lower|\bfall|flat|degree b|\bto "),
    # which notes
    (r"last(?! q:)", r"last|ending|final|penultimate|second half|lasting|longer|shorter"),
    (r"penultimate", r"penultimate|note before|delay|suspend"),
    (r"highest", r"highest"),
    (r"lowest", r"lowest"),
    (r"longest", r"longest"),
    (r"shortest", r"shortest"),
    (r"nonchord|dissonant", r"a chord tone"),
    (r"leaps|leap|jumps? (?=in|of|up|down|should|must)|every jump|skips?", r"leap|rise|fall"),
    (r"(?:approached|reached|entered)(?: \w+)? by (?:a )?step", r"step"),
    (r"before", r"before|penultimate|until|bars? 1|phrases? 1|delay|suspend|to note"),
    (r"after", r"after|from|last|note before|moved formants"),
    (rf"(?!o:1|last)\S+ (?:(?:{SECTIONS})(?:es|s)?)|^(?:{SECTIONS})", r"section|from|until|bar"),
    (r"n:[A-G][b#]*(?:-?\d)?s?", r"\b[A-G][b#]*-?\d?\b"),
    (r"q:\S+", r"word"),
    (r"(?:o:\d+|last|middle) (?:part|half)", r"half|phrase|bar|section"),
    (r"except", r"except|keep|not|other than|nearest|shift \S+,|to chord"),
    (r", (?:and )?\w+ (?:too|as well)(?= please|$)", r"^\w+ [^,;]+, |;"),
    (r"under", r"over|lower|down"),
    (r"over", r"over|higher|suspend|longer|delay"),
    # how far, how long
    (r"hold", r"hold|longer|lasting|suspend|delay|at least|shorter"),
    (r"shorten", r"shorten|shorter|lasting|longer"),
    (r"delay", r"delay|hold|suspend"),
    (r"earlier", r"earlier|shorten|bring"),
    (r"(?<!on )(?<!strong )(?<!weak )beats?", r"beat|\d:\d|bar-opening|suspend"),
    (r"octaves?", r"octave|above|below"),
    (r"semitones?", r"semitone|cents"),
    (r"cents?", r"cent"),
    (r"(?<!every )bars? \d+", r"bar|\d:\d|over|to \d"),
    (r"(?<!be )(?<!keep )(?:same|alike|identical)", _NOTE_BESIDE),
    (r"(?<!would )(?<!we )(?<!every )(?<!i )like(?! to)", _NOTE_BESIDE),
    (rf"half (?:a |an |of )?(?={_SIZE})", r"0\.5|half|semitone|cents|\.25|/|lasting"),
    *((rf"o:{n}s?(?! part| half)", rf"{n}|{words}") for n, words in _COUNTS),
    (r"(?:[2-9]|\d\d+)(?! notes| phrases| last| o:1)", r"\d"),
)  # fmt: skip
_COMPILED = tuple(
    (re.compile(rf"(?:^|(?<= ))(?:{words})(?= |$)"), re.compile(told)) for words, told in _CLAIMS
)
_NUMBERED = re.compile(
    r"(?:^|(?<= ))(?<!before )(?<!after )(?<!than )(?<!until )(?<!of )(?:phrases?|bars?) (\d+)(?! (?:note|semitone|step|whole|octave|beat|o:))(?= |$)"
)
_ONE = re.compile(r"(?<!except )in phrase (?:last|1)(?=;|$)")
_SAID_OF_ONE = re.compile(r"\b(?:last|o:1|1|very)\b")
_EACH = re.compile(r"(?:^|(?<= ))every(?! (?:stem|track|1 of stem)| like)")

_FORBIDS = re.compile(
    r"(?<!why )(?<!, )(?<!last )\b(?:not|never|no|none|nothing(?! but|,)|nobody|neither|cannot|avoid)\b|n['’]t\b",
    re.IGNORECASE,
)
_FORBIDDEN = re.compile(
    r"keep|except|\bnot\b|other than|without|longer|shorter|higher|lower|degree [^ ]+ .*to|to degree [^1]|"
    r"note [A-G]|chord \w+ to|from|until|shorten|suspend|delay|nearest|step|note before"
)


def unaccounted(sentence: Sentence, canonical: str) -> tuple[Untold, ...]:
    """The words of a sentence that rules, as they are written, do not tell."""
    found = []
    for words, told in _COMPILED:
        match = words.search(sentence.text)
        if match is not None and told.search(canonical) is None:
            found.append(_at(sentence, match))
    for match in _NUMBERED.finditer(sentence.text):
        if not re.search(rf"(?<![\d.]){match[1]}(?![\d.])", canonical):
            found.append(_at(sentence, match))
    if contradicts(sentence, canonical):
        found.append(_not_in(sentence))
    each = _EACH.search(sentence.text)
    if each and _ONE.search(canonical) and not _SAID_OF_ONE.search(sentence.text):
        found.append(_at(sentence, each))
    return tuple(found)


def contradicts(sentence: Sentence, canonical: str) -> bool:
    """Whether a sentence forbids something, and rules do nothing that could be meant by it."""
    return _FORBIDS.search(sentence.typed) is not None and not _FORBIDDEN.search(canonical)


def _not_in(sentence: Sentence) -> Untold:
    """The word that forbids."""
    place = next((n for n, token in enumerate(sentence.tokens) if _FORBIDS.search(token.raw)), 0)
    return Untold(place, place + 1)


def _at(sentence: Sentence, match: re.Match[str]) -> Untold:
    last = sentence.index_at(match.end() - 1) + 1
    return Untold(sentence.index_at(match.start()), last)
