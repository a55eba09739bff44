"""Rules as someone types them: lines read one by one, and words to go on with."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from retune.carriers.errors import RuleError, UsageError

MAX_LINES = 200


@dataclass(frozen=True)
class RuleLine:
    """One line as typed. `rules` are what it was taken for, in canonical form (two for a swap);
    none where it says nothing or does not read, and `fault` tells why it does not."""

    text: str
    rules: tuple[str, ...] = ()
    fault: RuleError | None = None

    @property
    def canonical(self) -> str:
        """The rules in one line, "" for none."""
        return "; ".join(self.rules)


def read_lines(lines: Sequence[str], *, roles: Mapping[str, str]) -> tuple[RuleLine, ...]:
    """Every line read by itself, so that a fault in one leaves the others working; `roles` are
    those of the stems by name.

    Raises UsageError for more than `MAX_LINES`: reading some and not others would lose rules.
    """
    if len(lines) > MAX_LINES:
        raise UsageError(f"{len(lines)} rules were given; the workbench takes up to {MAX_LINES}")
    return tuple(_read_line(line, roles) for line in lines)


def _read_line(line: str, roles: Mapping[str, str]) -> RuleLine:
    from retune.rules import understand
    from retune.rules.words import without_comment

    if not without_comment(line).strip():
        return RuleLine(line)
    try:
        return RuleLine(line, tuple(map(str, understand(line, stems=tuple(roles), roles=roles))))
    except RuleError as error:
        return RuleLine(line, fault=error)


def sung_otherwise(
    rule: str,
    *,
    roles: Mapping[str, str],
    cents: float,
    glide: str,
    vibrato: float,
    formants: str = "",
    tail: str = "",
) -> str:
    """A rule that moves notes, with how they sound: cents off the pitch (flat below 0), the glide
    into them ("" as sung, "slow", "fast"), the share of their vibrato that stays, and their
    formants and what sounds on after them ("" kept, "moved").

    Raises
    ------
    RuleError
        The rule does not read, moves no pitch, or one of the five is out of bounds.
    """
    from retune.rules import parse_rule
    from retune.rules.model import Manner

    read = parse_rule(rule, stems=tuple(roles))
    if read.action not in ("move", "shift"):
        raise RuleError(f'"{read.action}" moves no pitch', text=rule)
    if glide not in ("", "slow", "fast"):
        raise RuleError("a glide is slow or fast", text=rule)
    if formants not in ("", "moved"):
        raise RuleError("formants are kept or moved", text=rule)
    if tail not in ("", "moved"):
        raise RuleError("what sounds on after a note is kept or moved", text=rule)
    manner = Manner(cents, glide, vibrato, formants, tail)  # type: ignore[arg-type]
    told = replace(read, manner=manner)
    return str(parse_rule(str(told), stems=tuple(roles)))


def complete_rule(text: str, cursor: int, *, stems: Sequence[str]) -> tuple[str, ...]:
    """Words that may stand at the cursor of an unfinished rule."""
    from retune.rules import completions

    return completions(text, cursor, stems=stems)


def wordings() -> dict[str, tuple[str, ...]]:
    """The words of spoken rules, each with the wordings that mean the same."""
    from retune.rules.spoken.synonyms import same_words

    def plain(words: str) -> str:
        return re.sub(r"o:([23])", lambda m: {"2": "second", "3": "third"}[m[1]], words)

    return {word: tuple(dict.fromkeys(map(plain, others))) for word, others in same_words().items()}
