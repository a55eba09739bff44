"""What is said of a sentence that is not understood: where it forbids, where the grammar says it
better, and what is left of it beside a wish."""

from __future__ import annotations

import re

from retune.carriers.errors import RuleError
from retune.rules.spoken.covers import NEGATIONS
from retune.rules.spoken.gist import Gist
from retune.rules.spoken.sentence import Sentence, Token
from retune.rules.spoken.synonyms import is_worded
from retune.rules.spoken.tokens import is_spoken
from retune.rules.spoken.wishes import Wish
from retune.rules.words import BEGINS, VERBS

EXAMPLES = ("move phrase-ending note to degree 1", "shift every note up 1 scale step in phrase 2")


def with_readings(error: RuleError, readings: tuple[str, ...]) -> RuleError:
    """The same fault with sentences to choose from."""
    return RuleError(
        error.problem,
        text=error.text,
        column=error.column,
        length=error.length,
        expected=error.expected,
        nearest=error.nearest,
        readings=readings,
    )


def beside(
    nearest: tuple[str, ...],
    wish: Wish,
    examples: tuple[str, ...],
    sentence: Sentence,
    unknown: tuple[int, ...],
) -> tuple[str, ...]:
    """What is left of a sentence without the words of its wish first: it may be most of what was
    meant."""
    if nearest and _is_aside(sentence, unknown):
        return nearest
    is_apart = set(range(wish.first, wish.last + 1)) <= set(unknown)
    return (*nearest[: int(is_apart)], *examples)


def _is_aside(sentence: Sentence, unknown: tuple[int, ...]) -> bool:
    """Whether what was not understood ends a clause before the one that says what to do."""
    after = sentence.tokens[unknown[0] + 1 : unknown[0] + 2] if len(unknown) == 1 else ()
    return bool(after) and after[0].text == ","


def forbidden(
    sentence: Sentence, unknown: tuple[int, ...], nearest: tuple[str, ...], gist: Gist
) -> RuleError | None:
    """Where a sentence forbids what it names, the nearest that reads is the opposite: it is asked
    where those notes go instead."""
    forbids = [place for place in unknown if _forbids(sentence.tokens[place])]
    if not forbids:
        return None
    shown = []
    for line in nearest:
        goal = re.search(r"^(move .*)note to degree ([b#]?[1-7])\b(?: above| below)?(.*)", line)
        if goal:
            others = [degree for degree in "123" if degree != goal[2]][:2]
            shown += [f"{goal[1]}degree {goal[2]} to degree {to}{goal[3]}" for to in others]
    what, where = gist.what or "phrase-ending note", gist.where
    if gist.is_one_way and not shown:  # "do not go down at the end"
        way = "up" if "down" in gist.does[0] else "down"
        shown = [f"shift {what} {way} 1 scale step {where}", f"move {what} to note before {where}"]
    degree = re.search(r"degree ([b#]?[1-7])$", what)
    if degree and not shown:
        others = [to for to in "123" if to != degree[1]][:2]
        shown = [f"move {what} to degree {to} {where}" for to in others]
    shown = shown or [f"move {what} to degree 2 {where}", f"keep {what} {where}"]
    column, length = sentence.columns(forbids[0], forbids[0] + 1)
    return RuleError(
        "say where these notes go instead, or which notes are kept",
        text=sentence.typed,
        column=column,
        length=length,
        readings=tuple(line.strip() for line in shown[:2]),
    )


_NEGATION = re.compile(r"\w*n['’]t|not|never|no|nobody|nothing|none|neither", re.IGNORECASE)


def _forbids(token: Token) -> bool:
    return token.text in NEGATIONS or _NEGATION.fullmatch(token.raw) is not None


def is_known(token: Token) -> bool:
    """Whether a word that nothing reads here is one that rules know, so no slip of the hand."""
    return token.text in NEGATIONS or is_spoken(token.raw) or is_worded(token.raw)


def is_of_people(strict: RuleError) -> bool:
    """Whether the grammar blames a word that people say, though no rule has it."""
    word = strict.text[strict.column : strict.column + strict.length]
    return strict.problem.startswith("unknown word") and is_worded(word)


def tells_more(strict: RuleError, sentence: Sentence, unknown: tuple[int, ...]) -> bool:
    """Whether the grammar's own complaint says it better: the sentence begins with one of its
    verbs, and the grammar knows the nearest word or read on at least as far."""
    if strict.problem == BEGINS or sentence.tokens[0].raw.upper() not in VERBS:
        return False
    if is_of_people(strict):
        return False
    fault = range(strict.column, strict.column + strict.length)
    is_past = unknown and not any(sentence.tokens[place].start in fault for place in unknown)
    if is_past and strict.problem.startswith("unknown word"):
        return False  # a word that is no rule's but that people say
    reached = sentence.tokens[unknown[0]].start if unknown else 0
    return bool(strict.nearest) or strict.column >= reached
