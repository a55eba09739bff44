"""Turns of phrase: word orders that are put into another before their words are looked up.

Each line of `turns.txt` is a pattern over plain words and what stands for it instead. Numbers in
the replacement are groups of the pattern, whose words keep the letters they were typed as.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from retune.rules.spoken.sentence import Sentence, Token
from retune.rules.spoken.synonyms import lines_of

MOST = 3
"""How often one turn may be taken in a sentence."""


@dataclass(frozen=True)
class _Turn:
    pattern: re.Pattern[str]
    instead: tuple[str, ...]


@lru_cache(maxsize=1)
def _turns() -> tuple[_Turn, ...]:
    names: dict[str, str] = {}
    found = []
    for line in lines_of("turns.txt"):
        if " := " in line:
            name, _, pattern = line.partition(" := ")
            names[name] = f"(?:{_filled(pattern, names)})"
            continue
        pattern, _, instead = line.partition(" =>")
        compiled = re.compile(rf"(?:^|(?<= )){_filled(pattern, names)}(?= |$)")
        found.append(_Turn(compiled, tuple(instead.split())))
    return tuple(found)


def _filled(pattern: str, names: dict[str, str]) -> str:
    return re.sub(r"<(\w+)>", lambda match: names[match[1]], pattern)


def turned(tokens: Sequence[Token], typed: str) -> tuple[Token, ...]:
    """The words with every turn of phrase put into the order that the parts know."""
    sentence = Sentence(typed, tuple(tokens))
    for turn in _turns():
        for _ in range(MOST):
            match = turn.pattern.search(sentence.text)
            if match is None or match.end() == match.start():
                break
            sentence = Sentence(typed, _replaced(sentence, match, turn.instead))
    return sentence.tokens


def _replaced(
    sentence: Sentence, match: re.Match[str], instead: Sequence[str]
) -> tuple[Token, ...]:
    first, last = _words(sentence, match, 0)
    start, stop = sentence.tokens[first].start, sentence.tokens[last - 1].stop
    raw = sentence.typed[start:stop]
    said = {token.text: token for token in sentence.tokens[first:last]}
    found: list[Token] = []
    for item in instead:
        if not item.isdigit():
            found.append(said.get(item, Token(item.removeprefix("="), start, stop, raw)))
        elif (match[int(item)] or "").strip():
            found += sentence.tokens[slice(*_words(sentence, match, int(item)))]
    return (*sentence.tokens[:first], *found, *sentence.tokens[last:])


def _words(sentence: Sentence, match: re.Match[str], group: int) -> tuple[int, int]:
    """The words of a group: the first, and one past the last."""
    start = match.start(group) + len(match[group]) - len(match[group].lstrip())
    stop = match.start(group) + len(match[group].rstrip())
    return sentence.index_at(start), sentence.index_at(stop - 1) + 1
