"""A sentence in plain words, each with the letters it was typed as."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from functools import cached_property


@dataclass(frozen=True)
class Token:
    """A plain word, and the letters it stands for: `start` to `stop` of the sentence."""

    text: str
    start: int
    stop: int
    raw: str


@dataclass(frozen=True)
class Sentence:
    """A sentence in plain words parted by single spaces."""

    typed: str
    tokens: tuple[Token, ...]

    @cached_property
    def text(self) -> str:
        return " ".join(token.text for token in self.tokens)

    @cached_property
    def offsets(self) -> tuple[int, ...]:
        """Where each word begins in `text`."""
        places, at = [], 0
        for token in self.tokens:
            places.append(at)
            at += len(token.text) + 1
        return tuple(places)

    def index_at(self, offset: int) -> int:
        """The word that begins at or before an offset in `text`."""
        return bisect_right(self.offsets, offset) - 1

    def columns(self, first: int, last: int) -> tuple[int, int]:
        """First column and length of the words `first` up to `last` (excluded)."""
        start = self.tokens[first].start
        return start, self.tokens[max(last - 1, first)].stop - start

    def part(self, first: int, last: int) -> Sentence:
        """Some of the words as a sentence of their own, with the same columns."""
        return Sentence(self.typed, self.tokens[first:last])
