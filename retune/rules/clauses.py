"""The rule sets that a spoken sentence may be, its clauses read one by one where it has several."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from retune.carriers.errors import RuleError
from retune.rules.model import Rule
from retune.rules.parse import read_strictly
from retune.rules.spoken.covers import VERBS, Cover, covers
from retune.rules.spoken.readings import Readings, meanings
from retune.rules.spoken.tokens import Sentence
from retune.rules.spoken.whats import Question

_SPLITS = frozenset((",", "and", "then", ";", "except"))
_IMPERATIVE = VERBS | frozenset(
    [
        "move",
        "change",
        "make",
        "let",
        "transpose",
        "shift",
        "set",
        "put",
        "bring",
        "take",
        "turn",
        "sing",
        "replace",
        "leave",
        "raise",
        "have",
    ]
)

RuleSets = list[tuple[Rule, ...]]


def read(sentence: Sentence, stems: tuple[str, ...], before: str = "") -> RuleSets | Question:
    """The readings of a sentence that is understood to its last word; else what it lacks."""
    whole = [cover for cover in covers(sentence, stems) if not cover.unknown]
    return first_meaning(whole, stems, before)


def first_meaning(found: list[Cover], stems: tuple[str, ...], before: str) -> RuleSets | Question:
    """The readings of the cheapest cover that has any."""
    question: Question | None = None
    for cover in found:
        meant = meanings(cover, before)
        if isinstance(meant, Question):
            question = question or meant
        elif meant:
            rules = list(dict.fromkeys(_valid(meant, stems)))
            if rules:
                return rules
    return question if question is not None else []


def _valid(meant: Readings, stems: tuple[str, ...]) -> Iterator[tuple[Rule, ...]]:
    """Each reading as rules, where the grammar reads it."""
    for reading in meant:
        try:
            yield tuple(read_strictly(text, stems=stems) for text in reading)
        except RuleError:
            continue


def read_without_purpose(sentence: Sentence, stems: tuple[str, ...]) -> RuleSets | Question:
    """ "..., so that it sounds finished" says why, not what."""
    texts = [token.text for token in sentence.tokens]
    for place, text in enumerate(texts):
        two = texts[place : place + 2]
        is_why = (
            text in ("so", "because", "since") or two == ["in", "order"] or two == ["to", "make"]
        )
        if is_why and place > 2:
            return read(sentence.part(0, place), stems)
    return []


def read_clauses(sentence: Sentence, stems: tuple[str, ...]) -> RuleSets | Question:
    """Two sentences joined: "raise the 3s a step and keep the last phrase"."""
    texts = [token.text for token in sentence.tokens]
    if texts[0] == "where":  # what stands before the comma is a condition, not a rule
        return []
    for place in range(2, len(texts) - 1):
        if texts[place] not in _SPLITS:
            continue
        rest = place + 1
        while rest < len(texts) and texts[rest] in _SPLITS | {"also"}:
            rest += 1
        begins = rest < len(texts) and (
            texts[place] in (",", ";")
            or texts[rest] in _IMPERATIVE
            or "else" in texts[rest : rest + 3]
        )
        if not begins:
            continue
        first = read(sentence.part(0, place), stems)
        if isinstance(first, Question) or len(first) != 1:
            continue
        if "else" in texts[rest : rest + 3]:
            return _everything_else(first[0], sentence, rest, stems)
        about = _about(first[0][-1])
        second = read(sentence.part(rest, len(texts)), stems, about)
        if not second and not isinstance(second, Question):
            second = read_clauses(sentence.part(rest, len(texts)), stems)
        if isinstance(second, Question):
            return second
        if second:
            return [(*first[0], *more) for more in second]
    return []


def _everything_else(
    first: tuple[Rule, ...], sentence: Sentence, rest: int, stems: tuple[str, ...]
) -> RuleSets | Question:
    """ "..., everything else up a tone": that is said first, for of two rules the later wins."""
    words = list(sentence.tokens[rest:])
    place = next(n for n, token in enumerate(words) if token.text == "else")
    about = _about(first[-1])
    if about != "every note" or {token.text for token in words[:place]} & {"everything", "notes"}:
        del words[place]
    else:
        words[place] = replace(words[place], text="everything")
    second = read(Sentence(sentence.typed, tuple(words)), stems, about)
    return second if isinstance(second, Question) else [(*more, *first) for more in second]


def _about(rule: Rule) -> str:
    """What a rule moves and where, for "it" in the clause after it."""
    return str(rule.what) if rule.what is not None else ", ".join(rule.stems)
