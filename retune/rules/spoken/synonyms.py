"""The wordings that mean the same to a rule, from the data files `same.txt` and `free.txt`."""

from __future__ import annotations

from functools import lru_cache
from importlib import resources

_HERE = resources.files(__package__)


def lines_of(name: str) -> list[str]:
    """The lines of a data file beside this one, without comments."""
    text = _HERE.joinpath(name).read_text(encoding="utf-8")
    return [line.strip() for line in text.splitlines() if line.strip() and line[0] != "#"]


@lru_cache(maxsize=1)
def same_words() -> dict[str, tuple[str, ...]]:
    """Each plain word with the wordings that mean it."""
    found = {}
    for line in lines_of("same.txt"):
        word, _, others = line.partition(": ")
        found[word] = tuple(others.split(", "))
    return found


@lru_cache(maxsize=1)
def free_words() -> tuple[str, ...]:
    """Wordings that say nothing to a rule."""
    return tuple(filter(None, (w.strip() for w in " ".join(lines_of("free.txt")).split(","))))
