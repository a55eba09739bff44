"""Words to go on with: as the grammar has them, else as someone would say it."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

from retune.rules.parse import MAX_LENGTH
from retune.rules.parse import completions as completions_of_grammar
from retune.rules.reading import MAX_WORDS, readings_of
from retune.rules.spoken.covers import covers
from retune.rules.spoken.heard import Question
from retune.rules.spoken.synonyms import free_words, same_words
from retune.rules.spoken.tokens import sentence_of
from retune.rules.words import without_comment

AT_MOST = 14
_BEGIN = (
    "make", "end", "let", "raise", "lower", "resolve", "leave", "hold", "delay", "swap", "in",
    "every", "all",
)  # fmt: skip
_WHAT = (
    "every phrase", "the last note of each phrase", "the first note of each phrase", "all 2s",
    "every leading tone", "the highest note of each phrase", "every passing tone",
)  # fmt: skip
_ACTION = (
    "end on the tonic", "to the tonic", "to the nearest chord tone", "up a step", "down a step",
    "up a third", "one beat longer", "a beat later",
)  # fmt: skip
_WHERE = (
    "in phrase 1", "in the last phrase", "except the last phrase", "over V", "at half cadences",
    "on beat 1", "in bars 1-4",
)  # fmt: skip
_TARGETS = ("the tonic", "degree 1", "the nearest chord tone", "the chord's root")
_SIZES = ("step", "half step", "whole step", "third", "octave")
# What follows the word that stands last.
_AFTER = {
    **dict.fromkeys(("on", "to", "with"), _TARGETS),
    **dict.fromkeys(("a", "by"), _SIZES),
    "from": ("bar 5 on", "the chorus on", 'word "'),
}
_WHAT_PARTS = frozenset(
    ("position", "degrees", "names", "role", "at", "notes", "stem", "phrases", "cadences")
)


def completions(
    text: str, cursor: int | None = None, *, stems: Sequence[str] = ()
) -> tuple[str, ...]:
    """What may stand at the cursor (by default at the end). Nothing where what stands before is
    not understood.

    >>> completions("move highest note to ch")
    ('chord root', 'chord third', 'chord fifth', 'chord seventh')
    >>> completions("make every phrase e")[:2]
    ('end on the tonic', 'every phrase')
    """
    typed = text if cursor is None else text[:cursor]
    if len(typed) > MAX_LENGTH:
        return ()
    found = completions_of_grammar(text, cursor, stems=stems)
    if found or without_comment(typed) != typed or not typed.strip():
        return found
    begun = typed.split()[-1].lower() if not typed[-1].isspace() else ""
    before = typed[: len(typed) - len(begun)]
    return _spoken(before, begun, tuple(stems))[:AT_MOST]


def _spoken(before: str, begun: str, stems: tuple[str, ...]) -> tuple[str, ...]:
    groups = _next(before, stems)
    if groups is None:
        return ()
    wordings = [offer for group in groups for offer in group]
    if begun:
        wordings += [*stems, *_vocabulary()]
    fitting = [offer for offer in wordings if offer.lower().startswith(begun) and offer != begun]
    return tuple(dict.fromkeys(fitting))


def _next(before: str, stems: tuple[str, ...]) -> tuple[tuple[str, ...], ...] | None:
    """Wordings to go on with, the likeliest first; None where the words before are not all
    understood."""
    sentence = sentence_of(before)
    if not sentence.tokens:
        return (_BEGIN,)
    if len(sentence.tokens) > MAX_WORDS:
        return None
    best = covers(sentence, stems)[0]
    last = sentence.tokens[-1].text
    if any(place < len(sentence.tokens) - 1 or last not in _AFTER for place in best.unknown):
        return None
    if last in _AFTER:
        return (_AFTER[last],)
    found = readings_of(sentence, stems)
    if isinstance(found, Question) or len(found) != 1:
        kinds = {part.kind for part in best.parts}
        return (_ACTION, _WHAT, _WHERE) if kinds & _WHAT_PARTS else (_WHAT, stems, _WHERE)
    return (_WHERE,)


@lru_cache(maxsize=1)
def _vocabulary() -> tuple[str, ...]:
    """Every wording of a word or two, in order of the alphabet."""
    same = [word for pair in same_words().items() for word in (pair[0], *pair[1])]
    words = {word for word in (*same, *free_words(), *_BEGIN) if ":" not in word}
    return tuple(sorted(word for word in words if len(word) > 2 and word[0].isalpha()))
