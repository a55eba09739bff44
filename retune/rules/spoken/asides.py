"""Words before a rule that say nothing of it: "let's compare: what if ..."."""

from __future__ import annotations

import re
from collections.abc import Sequence

from retune.rules.spoken.covers import NEGATIONS, covers
from retune.rules.spoken.sentence import Sentence
from retune.rules.spoken.wishes import no_stem

_PARTING = frozenset((",", ";", "-"))
_PLACES = frozenset(
    ("in", "on", "at", "over", "under", "of", "with", "from", "to", "for", "until", "till", "after",
     "before", "during", "where", "when", "while", "if", "except", "not", "only", "within",
     "inside", "above", "below", "between", "beside", "no")
)  # fmt: skip
"""With one of these a clause may say where, or of whom: it is never passed over."""
_FEWEST = 2
"""Words of an aside: a single one may be the name of a part that is no stem."""


def without_asides(sentence: Sentence, stems: Sequence[str]) -> Sentence | None:
    """The sentence without a clause at its start that holds nothing a rule could mean; None where
    there is no such clause."""
    texts = [token.text for token in sentence.tokens]
    for place, text in enumerate(texts):
        if text not in _PARTING or place + 2 >= len(texts):
            continue
        if not _says_nothing(sentence.part(0, place), stems):
            return None
        return sentence.part(place + 1, len(texts))
    return None


def _says_nothing(clause: Sentence, stems: Sequence[str]) -> bool:
    tokens = clause.tokens
    said = {token.text for token in tokens}
    if len(tokens) < _FEWEST or said & (_PLACES | NEGATIONS):
        return False
    if any(not re.fullmatch(r"[^\W\d]+", token.text) for token in tokens):
        return False
    if any(no_stem(token.raw, stems) for token in tokens):
        return False
    return not any(part for cover in covers(clause, stems)[:1] for part in cover.parts)
