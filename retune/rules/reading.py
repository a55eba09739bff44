"""From a sentence as someone says it to rules.

What the grammar reads is taken as it stands. Anything else is put into its words: exactly one
reading is taken, two or more are listed and none is taken, and where there is none the fault
names the word that was not understood and the nearest sentence that reads.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache

from retune.carriers.errors import RuleError
from retune.carriers.text import cut_short
from retune.rules.model import Rule
from retune.rules.parse import MAX_LENGTH, read_strictly, rule_of, tree_of
from retune.rules.rolewords import with_stems
from retune.rules.spoken.covers import Cover, covers
from retune.rules.spoken.readings import Readings, meanings
from retune.rules.spoken.tokens import Sentence, sentence_of, typed_of
from retune.rules.spoken.whats import Question
from retune.rules.spoken.wishes import wish_in
from retune.rules.words import BEGINS, VERBS, without_comment, words_of

MAX_WORDS = 60
_SPLITS = frozenset((",", "and", "then", ";", "except"))
_IMPERATIVE = frozenset(
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
        raise (named.fault(error) if named.steps else error) from None


def _understood(text: str, stems: tuple[str, ...]) -> tuple[Rule, ...]:
    found = _remembered(text, stems)
    if isinstance(found, RuleError):
        raise found.again()
    return found


@lru_cache(maxsize=512)
def _remembered(text: str, stems: tuple[str, ...]) -> tuple[Rule, ...] | RuleError:
    try:
        tree = tree_of(text, stems=stems)
    except RuleError as error:
        return _listed(text, stems) or _spoken(text, stems, error)
    try:
        return (rule_of(tree, text),)
    except RuleError as error:
        return error


def _listed(text: str, stems: tuple[str, ...]) -> tuple[Rule, ...]:
    """The rules of a line that parts them by ";", none where one of them does not read."""
    parts = [part for part in without_comment(text).split(";") if part.strip()]
    if len(parts) < 2 or len(text) > MAX_LENGTH or len(text.splitlines()) > 1:
        return ()
    found: list[Rule] = []
    for part in parts:
        rules = _remembered(part.strip(), stems)
        if isinstance(rules, RuleError):
            return ()
        found += rules
    return tuple(found)


def _spoken(text: str, stems: tuple[str, ...], strict: RuleError) -> tuple[Rule, ...] | RuleError:
    """The rules of a sentence that the grammar has refused, or what to say of it."""
    if len(text) > MAX_LENGTH or len(text.splitlines()) > 1:
        return strict
    sentence = sentence_of(without_comment(text).replace("\t", " "))
    if not 0 < len(sentence.tokens) <= MAX_WORDS:
        return strict
    found = _read(sentence, stems) or _read_without_purpose(sentence, stems)
    if isinstance(found, Question) or not found:
        found = _read_clauses(sentence, stems) or found
    if not isinstance(found, Question) and len(found) == 1:
        return found[0]
    if not isinstance(found, Question) and not found:
        return _not_understood(sentence, stems, strict)
    ask = _asked(found, sentence) if isinstance(found, Question) else _many(found, sentence)
    return _with_readings(strict, ask.readings) if _is_in_rule_words(text, stems) else ask


def _is_in_rule_words(text: str, stems: tuple[str, ...]) -> bool:
    """Whether a sentence begins with a verb of the grammar and has no word but the grammar's: then
    the grammar tells best what is wrong."""
    try:
        words = words_of(text, stems=stems)
    except RuleError:
        return False
    return bool(words) and words[0].type in VERBS


def _with_readings(error: RuleError, readings: tuple[str, ...]) -> RuleError:
    return RuleError(
        error.problem,
        text=error.text,
        column=error.column,
        length=error.length,
        expected=error.expected,
        nearest=error.nearest,
        readings=readings,
    )


RuleSets = list[tuple[Rule, ...]]


def _read(sentence: Sentence, stems: tuple[str, ...], before: str = "") -> RuleSets | Question:
    """The readings of a sentence that is understood to its last word; else what it lacks."""
    whole = [cover for cover in covers(sentence, stems) if not cover.unknown]
    return _first_meaning(whole, stems, before)


def _first_meaning(found: list[Cover], stems: tuple[str, ...], before: str) -> RuleSets | Question:
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


def _read_without_purpose(sentence: Sentence, stems: tuple[str, ...]) -> RuleSets | Question:
    """ "..., so that it sounds finished" says why, not what."""
    texts = [token.text for token in sentence.tokens]
    for place, text in enumerate(texts):
        two = texts[place : place + 2]
        is_why = (
            text in ("so", "because", "since") or two == ["in", "order"] or two == ["to", "make"]
        )
        if is_why and place > 2:
            return _read(sentence.part(0, place), stems)
    return []


def _read_clauses(sentence: Sentence, stems: tuple[str, ...]) -> RuleSets | Question:
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
        first = _read(sentence.part(0, place), stems)
        if isinstance(first, Question) or len(first) != 1:
            continue
        if "else" in texts[rest : rest + 3]:
            return _everything_else(first[0], sentence, rest, stems)
        about = _about(first[0][-1])
        second = _read(sentence.part(rest, len(texts)), stems, about)
        if not second and not isinstance(second, Question):
            second = _read_clauses(sentence.part(rest, len(texts)), stems)
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
    if any(token.text in ("everything", "notes", "thing", "1") for token in words[:place]):
        del words[place]
    else:
        words[place] = replace(words[place], text="everything")
    second = _read(Sentence(sentence.typed, tuple(words)), stems)
    return second if isinstance(second, Question) else [(*more, *first) for more in second]


def _about(rule: Rule) -> str:
    """What a rule moves and where, for "it" in the clause after it."""
    return str(rule.what) if rule.what is not None else ", ".join(rule.stems)


# --- what to say ---------------------------------------------------------------------------------


def _text_of(rules: tuple[Rule, ...]) -> str:
    return "; ".join(map(str, rules))


def _many(found: RuleSets, sentence: Sentence) -> RuleError:
    return RuleError(
        "that can be read in two ways" if len(found) == 2 else "that can be read in several ways",
        text=sentence.typed,
        column=sentence.tokens[0].start,
        length=sentence.tokens[-1].stop - sentence.tokens[0].start,
        readings=tuple(map(_text_of, found)),
    )


def _asked(question: Question, sentence: Sentence) -> RuleError:
    if question.last > question.first:
        column, length = sentence.columns(question.first, question.last)
    else:
        column, length = len(without_comment(sentence.typed).rstrip()), 1
    return RuleError(
        question.problem,
        text=sentence.typed,
        column=column,
        length=length,
        readings=question.examples,
    )


def _not_understood(sentence: Sentence, stems: tuple[str, ...], strict: RuleError) -> RuleError:
    """The grammar's own complaint where the sentence began as its sentences do; else the word
    that was not understood, what to do about a wish, and the nearest sentence that reads."""
    found = covers(sentence, stems)[:1]
    unknown = found[0].unknown if found else ()
    is_typo = strict.nearest and sentence.tokens[0].raw.upper() in VERBS
    wish = None if is_typo else wish_in(sentence.text)
    nearest = _nearest(sentence, stems)
    if wish is None and _tells_more(strict, sentence, unknown):
        return _with_readings(strict, nearest) if unknown else strict
    if wish is not None:
        says, examples = wish
        column, length = sentence.columns(*(unknown[:1] * 2 if unknown else (0, 0)))
        if strict.problem == BEGINS:
            column, length = strict.column, strict.length
        return RuleError(
            f"{BEGINS}; {says}",
            text=sentence.typed,
            column=column,
            length=length,
            readings=examples or nearest,
        )
    if unknown:
        column, length = sentence.columns(unknown[0], unknown[0] + 1)
        word = cut_short(typed_of(sentence.tokens[unknown[0] : unknown[0] + 1]))
        return RuleError(
            f'"{word}" was not understood',
            text=sentence.typed,
            column=column,
            length=length,
            expected="" if nearest else "which notes, and where they go or how far",
            nearest=strict.nearest if strict.column == column else "",
            readings=nearest,
        )
    return strict


def _tells_more(strict: RuleError, sentence: Sentence, unknown: tuple[int, ...]) -> bool:
    """Whether the grammar's own complaint says it better: the sentence begins with one of its
    verbs, and the grammar knows the nearest word or read on at least as far."""
    if strict.problem == BEGINS or sentence.tokens[0].raw.upper() not in VERBS:
        return False
    fault = range(strict.column, strict.column + strict.length)
    is_known = unknown and not any(sentence.tokens[place].start in fault for place in unknown)
    if is_known and strict.problem.startswith("unknown word"):
        return False  # a word that is no rule's but that people say
    reached = sentence.tokens[unknown[0]].start if unknown else 0
    return bool(strict.nearest) or strict.column >= reached


def _nearest(sentence: Sentence, stems: tuple[str, ...]) -> tuple[str, ...]:
    """The nearest sentences that read: without the words that were not understood."""
    found = [cover for cover in covers(sentence, stems) if len(cover.unknown) <= 3]
    rules = _first_meaning(found, stems, "")
    if isinstance(rules, Question):
        return rules.examples
    return tuple(map(_text_of, rules[:3]))
