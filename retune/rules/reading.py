"""From a sentence as someone says it to rules.

What the grammar reads is taken as it stands. Anything else is put into its words: exactly one
reading is taken, two or more are listed and none is taken, and where there is none the fault
names the word that was not understood and the nearest sentence that reads.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache, partial

from retune.carriers.errors import RuleError
from retune.rules.clauses import (
    RuleSets,
    is_joined,
    read,
    read_clauses,
    read_without_purpose,
)
from retune.rules.model import Rule, line_of
from retune.rules.parse import MAX_LENGTH, read_strictly, rule_of, tree_of
from retune.rules.refusing import EXAMPLES, with_readings
from retune.rules.rolewords import lacking_role, with_stems
from retune.rules.spoken.accounts import unaccounted
from retune.rules.spoken.asides import without_asides
from retune.rules.spoken.heard import Question
from retune.rules.spoken.sentence import Sentence
from retune.rules.spoken.tokens import sentence_of
from retune.rules.spoken.wishes import firm_wish_in
from retune.rules.unread import Read, is_read, not_understood
from retune.rules.words import VERBS, without_comment, words_of

MAX_WORDS = 60
_SENTENCES = re.compile(r";|\.\s+(?=[A-Za-z])")


def parse_rule(text: str, *, stems: Sequence[str] = ()) -> Rule:
    """Read a sentence that is one rule; `str(rule)` is its canonical form.

    Parameters
    ----------
    text : str
        A sentence such as "make every phrase end on the tonic".
    stems : sequence of str
        Names of the song's stems.

    Raises
    ------
    RuleError
        It does not read: column and length of the fault, what was expected, the nearest word, and
        under `readings` the sentences that were nearest. Also for a sentence that is two rules.
    """
    rules = understand(text, stems=stems)
    if len(rules) > 1:
        raise RuleError(
            "that is two rules; write each on a line of its own",
            text=text,
            readings=tuple(map(str, rules)),
        )
    return rules[0]


def parse_rules(
    lines: Sequence[str], *, stems: Sequence[str], roles: Mapping[str, str] | None = None
) -> list[Rule]:
    """Read the rules of a variant; blank lines and comments are skipped, and a sentence may be two
    rules ("swap 1 and 2").

    Raises
    ------
    RuleError
        The first sentence that does not read.
    """
    return [
        rule
        for line in lines
        if without_comment(line).strip()
        for rule in understand(line, stems=stems, roles=roles)
    ]


def understand(
    text: str, *, stems: Sequence[str] = (), roles: Mapping[str, str] | None = None
) -> tuple[Rule, ...]:
    """The rules of a sentence, as the grammar has it or as someone would say it. With `roles` of
    the stems a role word ("the bass") names those of that role where no stem is called so.

    Raises
    ------
    RuleError
        See `parse_rule`.
    """
    named = with_stems(text, roles or {})
    try:
        return _understood(named.text, tuple(stems))
    except RuleError as error:
        lacking = lacking_role(text, roles or {})
        raise lacking or (named.fault(error) if named.steps else error) from None


def _understood(text: str, stems: tuple[str, ...]) -> tuple[Rule, ...]:
    found = _remembered(text, stems)
    if isinstance(found, RuleError):
        raise found.again()
    return found


@lru_cache(maxsize=512)
def _remembered(
    text: str, stems: tuple[str, ...], is_offer: bool = False
) -> tuple[Rule, ...] | RuleError:
    """The rules of a line, or what to say of it; of one that is an offer itself no more than the
    grammar says, since its own offers would be looked at in their turn, without end."""
    try:
        tree = tree_of(text, stems=stems)
    except RuleError as error:
        return _listed(text, stems) or _said(text, stems, error, is_offer)
    try:
        return (rule_of(tree, text),)
    except RuleError as error:
        return error


def _parts_of(text: str) -> list[str]:
    """The sentences of a line."""
    parts = [part.strip() for part in _SENTENCES.split(without_comment(text)) if part.strip()]
    is_line = len(text) <= MAX_LENGTH and len(text.splitlines()) < 2
    return parts if len(parts) > 1 and is_line else []


def _listed(text: str, stems: tuple[str, ...]) -> tuple[Rule, ...]:
    """The rules of a line that parts them by ";", none where one is not in the grammar's words."""
    try:
        return tuple(read_strictly(part, stems=stems) for part in _parts_of(text))
    except RuleError:
        return ()


def _said(
    text: str, stems: tuple[str, ...], strict: RuleError, is_offer: bool
) -> tuple[Rule, ...] | RuleError:
    """The rules of a line as someone says it: as one, for its second sentence may speak of what
    the first was about; else each sentence by itself."""
    whole = _spoken(text, stems, strict, is_offer)
    if not isinstance(whole, RuleError):
        return whole
    found: list[Rule] = []
    for part in _parts_of(text):
        rules = _remembered(part, stems, is_offer)
        if isinstance(rules, RuleError):
            return whole
        found += rules
    return tuple(found) or whole


def _spoken(
    text: str, stems: tuple[str, ...], strict: RuleError, is_offer: bool
) -> tuple[Rule, ...] | RuleError:
    """The rules of a sentence that the grammar has refused, or what to say of it."""
    if len(text) > MAX_LENGTH or len(text.splitlines()) > 1:
        return strict
    sentence = sentence_of(without_comment(text).replace("\t", " "))
    if not 0 < len(sentence.tokens) <= MAX_WORDS:
        return strict

    def refused(untold: tuple[int, ...] = ()) -> RuleError:
        if is_offer:
            return strict
        return not_understood(sentence, stems, strict, _offers(stems), untold)

    if firm_wish_in(sentence):
        return refused()
    found = readings_of(sentence, stems)
    if not isinstance(found, Question):
        found = list(dict.fromkeys(map(_without_rest, found)))
    if isinstance(found, Question):
        untold = _left_out(sentence, found.examples) if _OPEN.match(found.problem) else ()
        if untold:
            return refused(untold)
        return _or_strict(_asked(found, sentence, stems), strict, text, stems)
    whole = [rules for rules in found if not unaccounted(sentence, line_of(rules))]
    if len(whole) == 1:
        return whole[0]
    if len(whole) > 1:
        ask = _many(whole, sentence)
        return ask if _MISFIT in strict.problem else _or_strict(ask, strict, text, stems)
    untold = _left_out(sentence, map(line_of, found)) if found else ()
    return refused(untold)


def _without_rest(rules: tuple[Rule, ...]) -> tuple[Rule, ...]:
    """ "..., leave the rest": of itself nothing else moves, and a rule that keeps every note would
    keep those that are to move."""
    moving = tuple(rule for rule in rules if str(rule) != "keep every note")
    return moving or rules


_MISFIT = "does not fit here"


def _or_strict(ask: RuleError, strict: RuleError, text: str, stems: tuple[str, ...]) -> RuleError:
    """The grammar's own complaint, with what may be meant, of a sentence in its words alone."""
    return with_readings(strict, ask.readings) if _is_in_rule_words(text, stems) else ask


_OPEN = re.compile(r"where to|which notes|how far|by how much|up or down")
"""Questions that may have overlooked a word of the sentence."""


def _left_out(sentence: Sentence, lines: Iterable[str]) -> tuple[int, ...]:
    """The words that the best of several lines does not tell."""
    least = min((unaccounted(sentence, line) for line in lines), key=len, default=())
    return tuple(place for untold in least for place in range(untold.first, untold.last))


def readings_of(sentence: Sentence, stems: tuple[str, ...]) -> RuleSets | Question:
    """What a sentence of plain words may mean, or what it lacks: as clauses where the second speaks
    of the first, else as one, else as clauses. What the whole lacks is asked rather than what a
    half of it does, but for two sentences."""
    is_two = ";" in sentence.text
    found = read_clauses(sentence, stems) if is_joined(sentence) else []
    if isinstance(found, Question) and not is_two:
        found = []
    whole = found or read(sentence, stems) or read_without_purpose(sentence, stems)
    rest = None if whole else without_asides(sentence, stems)
    if rest is not None:
        return readings_of(rest, stems)
    if whole and not isinstance(whole, Question):
        return whole
    clauses = read_clauses(sentence, stems)
    return whole if whole and isinstance(clauses, Question) and not is_two else clauses or whole


_EVERYDAY = frozenset(("MORE", "LESS", "REST"))
"""Words that people say in other ways than the grammar does: "two beats more"."""


def _is_in_rule_words(text: str, stems: tuple[str, ...]) -> bool:
    """Whether a sentence begins with a verb of the grammar and has no word but the grammar's: then
    the grammar tells best what is wrong."""
    try:
        words = words_of(text, stems=stems)
    except RuleError:
        return False
    types = [word.type for word in words]
    return bool(types) and types[0] in VERBS and not _EVERYDAY & set(types)


# --- what to ask ---------------------------------------------------------------------------------


def _many(found: RuleSets, sentence: Sentence) -> RuleError:
    return RuleError(
        "that can be read in two ways" if len(found) == 2 else "that can be read in several ways",
        text=sentence.typed,
        column=sentence.tokens[0].start,
        length=sentence.tokens[-1].stop - sentence.tokens[0].start,
        readings=tuple(map(line_of, found)),
    )


def _asked(question: Question, sentence: Sentence, stems: tuple[str, ...]) -> RuleError:
    examples = [line for line in question.examples if is_read(line, _offers(stems))]
    if question.last > question.first:
        column, length = sentence.columns(question.first, question.last)
    else:
        column, length = len(without_comment(sentence.typed).rstrip()), 1
    return RuleError(
        question.problem,
        text=sentence.typed,
        column=column,
        length=length,
        readings=tuple(examples) or EXAMPLES,
    )


def _offers(stems: tuple[str, ...]) -> Read:
    """How what is offered is read."""
    return partial(_remembered, stems=stems, is_offer=True)
