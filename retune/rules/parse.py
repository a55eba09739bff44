"""From a sentence to a `Rule`, with errors that point at the word and say what was expected."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import Any

from lark import Lark, Token, UnexpectedInput, UnexpectedToken
from lark.exceptions import VisitError
from lark.lexer import Lexer

from retune.carriers.errors import RuleError
from retune.carriers.text import cut_short
from retune.rules.expected import expected_words, nearest_word, offers
from retune.rules.grammar import GRAMMAR
from retune.rules.model import Rule
from retune.rules.reader import Reader
from retune.rules.words import BEGINS, Word, without_comment, words_of

MAX_LENGTH = 2_000
MAX_DEGREE = 3  # letters of the longest degree, such as bb7


class RuleLexer(Lexer):
    """Hands the words of `rules.words` to the parser."""

    def __init__(self, lexer_conf: Any) -> None:
        self.conf = lexer_conf

    # lark lexes text; this lexer is given words that were read already.
    def lex(self, data: Any) -> Iterator[Token]:  # type: ignore[override]
        for word in data:
            yield Token(word.type, word, start_pos=word.column, column=word.column + 1)


@lru_cache(maxsize=1)
def rule_parser() -> Lark:
    """The parser, built once; strict: a grammar with two readings of a sentence is refused."""
    return Lark(
        GRAMMAR, parser="lalr", lexer=RuleLexer, start="rule", strict=True, maybe_placeholders=False
    )


def read_strictly(text: str, *, stems: Sequence[str] = ()) -> Rule:
    """Read one rule as the grammar has it; `str(rule)` is its canonical form.

    Raises
    ------
    RuleError
        It does not read: column and length of the fault, what was expected, the nearest word.
    """
    return rule_of(tree_of(text, stems=stems), text)


def tree_of(text: str, *, stems: Sequence[str] = ()) -> Any:
    """The tree of a sentence whose words and order the grammar knows. Raises RuleError."""
    if len(text) > MAX_LENGTH:
        raise RuleError(f"a rule of {len(text)} characters; at most {MAX_LENGTH} are allowed")
    if len(text.splitlines()) > 1:
        raise RuleError("a rule is one line; write each rule on a line of its own")
    try:
        words = words_of(text, stems=stems)
    except RuleError as error:
        raise _with_expectation(error, stems) from None
    try:
        return rule_parser().parse(words)
    except UnexpectedInput as error:
        raise _fault(text, words, error) from None


def rule_of(tree: Any, text: str) -> Rule:
    """The rule of a tree. Raises RuleError where a number or name is none that can be meant."""
    try:
        rule: Rule = Reader(text).transform(tree)
    except VisitError as error:
        if isinstance(error.orig_exc, RuleError):
            raise error.orig_exc from None
        raise
    return rule


def completions(
    text: str, cursor: int | None = None, *, stems: Sequence[str] = ()
) -> tuple[str, ...]:
    """What may stand at the cursor (by default at the end): words that go on from the rule up to
    there, or that complete the word that is being typed. Nothing where the rule does not read.

    >>> completions("move highest note to ch"), completions("shift vocal d", stems=["vocal"])
    (('chord root', 'chord third', 'chord fifth', 'chord seventh'), ('down',))
    """
    typed = text if cursor is None else text[:cursor]
    if without_comment(typed) != typed:
        return ()
    start = len(typed) - len(typed.rsplit(maxsplit=1)[-1]) if typed[-1:].strip() else len(typed)
    typed, begun = typed[:start], typed[start:].lower()
    try:
        words = words_of(typed, stems=stems)
        accepted = _accepted_after(words)
    except (RuleError, UnexpectedInput):
        return ()
    may = offers(accepted, words[-1].type if words else "", stems)
    return tuple(word for word in may if word.lower().startswith(begun))


def _accepted_after(words: Sequence[Word]) -> set[str]:
    """Types of words that may follow; raises UnexpectedInput where `words` do not read."""
    parser: Any = rule_parser().parse_interactive([])
    for word in words:
        parser.feed_token(Token(word.type, word))
    accepted: set[str] = parser.accepts()
    return accepted


def _with_expectation(error: RuleError, stems: Sequence[str]) -> RuleError:
    """An unknown word told with what was expected in its place."""
    if error.expected or not error.problem.startswith("unknown word"):
        return error
    try:
        words = words_of(error.text[: error.column], stems=stems)
        accepted = _accepted_after(words)
    except (RuleError, UnexpectedInput):
        return error
    typed = error.text[error.column : error.column + error.length]
    return RuleError(
        error.problem,
        text=error.text,
        column=error.column,
        length=error.length,
        expected=expected_words(accepted, words[0].type),
        nearest=nearest_word(typed, accepted) or error.nearest,
    )


def _fault(text: str, words: Sequence[Word], error: UnexpectedInput) -> RuleError:
    """A parser's complaint in words."""
    accepted = set(getattr(error, "accepts", None) or getattr(error, "expected", None) or ())
    token = error.token if isinstance(error, UnexpectedToken) else None
    word = token.value if token is not None and isinstance(token.value, Word) else None
    if not words or word is words[0]:
        first = words[0] if words else Word("", "", 0, 1)
        return RuleError(BEGINS, text=text, column=first.column, length=first.length)
    verb = words[0].type
    if word is None:
        return RuleError(
            "the rule breaks off",
            text=text,
            column=len(without_comment(text).rstrip()),
            expected=expected_words(accepted, verb),
        )
    # The parser may have closed what came before; asked anew, it tells what else could have stood.
    accepted |= _accepted_after([before for before in words if before.column < word.column])
    typed = text[word.column : word.column + word.length]
    problem, expected, nearest = _misfit(typed, word, accepted, verb)
    return RuleError(
        problem,
        text=text,
        column=word.column,
        length=word.length,
        expected=expected,
        nearest=nearest,
    )


def _misfit(typed: str, word: Word, accepted: set[str], verb: str) -> tuple[str, str, str]:
    """Problem, what was expected and the nearest word for a word that does not fit."""
    if word.type == "DEGREENAME" and {"DEGREE", "PITCH"} <= accepted:
        digits = word.value.lstrip("b#")
        name = f'"B{digits}"' if word.value == f"b{digits}" else f'a note name such as "F{digits}"'
        problem = f'"{cut_short(typed)}" alone could be a degree or a note'
        return problem, f'"degree {word.value}" or {name}', f"degree {word.value}"
    if word.type == "NUMBER" and {"DEGREE", "PITCH"} <= accepted and word.value in "1234567":
        return f'"{cut_short(typed)}" alone is no target', "", f"degree {word.value}"
    if word.type in ("NUMBER", "DEGREENAME") and "DEGREE" in accepted:
        return (
            f'"{cut_short(typed)}" does not fit here',
            expected_words(accepted, verb),
            f"degree {word.value}" if len(word.value) <= MAX_DEGREE else "",
        )
    if word.type == "A" and "PITCH" in accepted:
        return f'"{cut_short(typed)}" does not fit here', expected_words(accepted, verb), "A"
    if {"UP", "DOWN"} <= accepted and word.type == "TO":
        return 'a shift goes up or down; "move ... to" has a target', "up or down and how far", ""
    if word.type in ("UP", "DOWN") and verb == "MOVE" and "TO" in accepted:
        return (
            f'"move" has a target; "shift ... {word.value}" goes by an interval',
            expected_words(accepted, verb),
            "",
        )
    return (
        f'"{cut_short(typed)}" does not fit here',
        expected_words(accepted, verb),
        nearest_word(typed, accepted),
    )
