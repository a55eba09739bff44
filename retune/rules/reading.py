"""From a sentence as someone says it to rules.

What the grammar reads is taken as it stands. Anything else is put into its words: exactly one
reading is taken, two or more are listed and none is taken, and where there is none the fault
names the word that was not understood and the nearest sentence that reads.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import lru_cache

from retune.carriers.errors import RuleError
from retune.carriers.text import cut_short
from retune.rules.clauses import (
    RuleSets,
    first_meaning,
    is_joined,
    read,
    read_clauses,
    read_without_purpose,
)
from retune.rules.model import Rule
from retune.rules.parse import MAX_LENGTH, read_strictly, rule_of, tree_of
from retune.rules.refusing import EXAMPLES, SAY_WHICH, beside, forbidden, is_known, tells_more
from retune.rules.rolewords import with_stems
from retune.rules.spoken.asides import without_asides
from retune.rules.spoken.covers import Cover, covers
from retune.rules.spoken.heard import NOTHING, Question
from retune.rules.spoken.sentence import Sentence, Token
from retune.rules.spoken.tokens import nearest_spoken, sentence_of, typed_of
from retune.rules.spoken.wishes import no_stem, wish_in
from retune.rules.words import BEGINS, VERBS, without_comment, words_of

MAX_WORDS = 60
_SENTENCES = re.compile(r";|\.\s+(?=[A-Za-z])")
_TURNS = frozenset(
    ("otherwise", "unless", "else", "where", "when", "whenever", "wherever", "if", "until", "than",
     "over", "only", "before", "after", "between", "instead")
)  # fmt: skip
"""Words that turn the sense of what follows: without them a sentence says something else."""


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
        return _listed(text, stems) or _said(text, stems, error)
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


def _said(text: str, stems: tuple[str, ...], strict: RuleError) -> tuple[Rule, ...] | RuleError:
    """The rules of a line as someone says it: as one, for its second sentence may speak of what
    the first was about; else each sentence by itself."""
    whole = _spoken(text, stems, strict)
    if not isinstance(whole, RuleError):
        return whole
    found: list[Rule] = []
    for part in _parts_of(text):
        rules = _remembered(part, stems)
        if isinstance(rules, RuleError):
            return whole
        found += rules
    return tuple(found) or whole


def _spoken(text: str, stems: tuple[str, ...], strict: RuleError) -> tuple[Rule, ...] | RuleError:
    """The rules of a sentence that the grammar has refused, or what to say of it."""
    if len(text) > MAX_LENGTH or len(text.splitlines()) > 1:
        return strict
    sentence = sentence_of(without_comment(text).replace("\t", " "))
    if not 0 < len(sentence.tokens) <= MAX_WORDS:
        return strict
    found = readings_of(sentence, stems)
    if not isinstance(found, Question) and len(found) == 1:
        return found[0]
    if not isinstance(found, Question) and not found:
        return _not_understood(sentence, stems, strict)
    ask = _asked(found, sentence, stems) if isinstance(found, Question) else _many(found, sentence)
    return _with_readings(strict, ask.readings) if _is_in_rule_words(text, stems) else ask


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


def _asked(question: Question, sentence: Sentence, stems: tuple[str, ...]) -> RuleError:
    if question.last > question.first:
        column, length = sentence.columns(question.first, question.last)
    else:
        column, length = len(without_comment(sentence.typed).rstrip()), 1
    return RuleError(
        question.problem,
        text=sentence.typed,
        column=column,
        length=length,
        readings=tuple(line for line in question.examples if _reads(line, stems)) or EXAMPLES,
    )


def _reads(line: str, stems: tuple[str, ...]) -> bool:
    """Whether what is shown as an example is one."""
    return not any(isinstance(_remembered(text, stems), RuleError) for text in line.split("; "))


def _not_understood(sentence: Sentence, stems: tuple[str, ...], strict: RuleError) -> RuleError:
    """The grammar's own complaint where the sentence began as its sentences do; else the word
    that was not understood, what to do about a wish, and the nearest sentence that reads."""
    found = covers(sentence, stems)[:1]
    unknown = found[0].unknown if found else ()
    is_typo = strict.nearest and sentence.tokens[0].raw.upper() in VERBS
    nearest, is_whole = _nearest(sentence, stems)
    wish = None if is_typo else wish_in(sentence, unknown if is_whole else ())
    if wish is None and tells_more(strict, sentence, unknown):
        return _with_readings(strict, nearest) if unknown else strict
    if wish is not None:
        column, length = sentence.columns(*(unknown[:1] * 2 if unknown else (0, 0)))
        if strict.problem == BEGINS:
            column, length = strict.column, strict.length
        return RuleError(
            f"{BEGINS}; {wish.says}",
            text=sentence.typed,
            column=column,
            length=length,
            readings=beside(nearest if is_whole else (), wish, sentence, unknown),
        )
    slip = _slip(sentence, unknown, stems, nearest)
    if slip is None:
        forbids = forbidden(sentence, unknown, nearest)
        if forbids is not None:
            return forbids
    if slip is not None and slip[1]:
        nearest = slip[1]
    if unknown:
        strange = [place for place in unknown if not is_known(sentence.tokens[place])]
        blamed = (strange or unknown)[0]
        column, length = sentence.columns(blamed, blamed + 1)
        word = cut_short(typed_of(sentence.tokens[blamed : blamed + 1]))
        rest = ", the rest reads" if nearest and is_whole and len(unknown) < 3 else ""
        return RuleError(
            f'"{word}" was not understood{no_stem(word, stems) or rest}',
            text=sentence.typed,
            column=column,
            length=length,
            expected="" if nearest else "which notes, and where they go or how far",
            nearest=slip[0] if slip else strict.nearest if strict.column == column else "",
            readings=nearest,
        )
    if sentence.tokens[0].raw.upper() in VERBS:
        return strict
    return RuleError(
        BEGINS if strict.problem == BEGINS else SAY_WHICH,
        text=sentence.typed,
        column=sentence.tokens[0].start,
        length=len(sentence.tokens[0].raw),
        nearest=strict.nearest if strict.problem == BEGINS else "",
        readings=EXAMPLES,
    )


def _slip(
    sentence: Sentence,
    unknown: tuple[int, ...],
    stems: tuple[str, ...],
    nearest: tuple[str, ...],
) -> tuple[str, tuple[str, ...]] | None:
    """The known word nearest to the first unknown one, where all may be slips of the hand, and
    how the sentence then reads."""
    places = [place for place in unknown if not is_known(sentence.tokens[place])]
    meant = {place: nearest_spoken(sentence.tokens[place].raw) for place in places}
    if not meant or len(meant) > 3 or not all(meant.values()):
        return None
    typed = sentence.typed
    for place in reversed(places):
        token = sentence.tokens[place]
        typed = typed[: token.start] + meant[place] + typed[token.stop :]
    rules = _remembered(typed, stems)
    if not isinstance(rules, RuleError):
        return meant[places[0]], (_text_of(rules),)
    return (meant[places[0]], nearest or rules.readings) if len(places) == len(unknown) else None


def _unread(sentence: Sentence, cover: Cover) -> list[Token]:
    return [sentence.tokens[place] for place in cover.unknown]


def _nearest(sentence: Sentence, stems: tuple[str, ...]) -> tuple[tuple[str, ...], bool]:
    """The nearest sentences that read, without the words that were not understood; and whether
    they are what is left of it, not examples of what might be asked."""
    most = max(3, len(sentence.tokens) // 4)
    found = [cover for cover in covers(sentence, stems) if len(cover.unknown) <= most]
    if found and any(_TURNS & {t.text, t.raw.lower()} for t in _unread(sentence, found[0])):
        return (), False
    rules = first_meaning(found, stems, NOTHING)
    if isinstance(rules, Question):
        return tuple(line for line in rules.examples if _reads(line, stems)), False
    return tuple(map(_text_of, rules[:3])), bool(rules)
