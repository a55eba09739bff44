"""The wordings that mean the same to a rule, from the data files `same.txt`, `verbs.txt` and
`free.txt`."""

from __future__ import annotations

import re
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
    listed = (w.strip() for w in " ".join(lines_of("free.txt")).split(","))
    meant = {*same_words(), *(other for others in same_words().values() for other in others)}
    forms = (form for form in verb_forms()["-"] if form not in meant)
    return tuple(dict.fromkeys(filter(None, (*listed, *forms))))


@lru_cache(maxsize=1)
def verb_forms() -> dict[str, tuple[str, ...]]:
    """Each plain word with every form of the verbs that mean it; "-" for those that say nothing."""
    found = {}
    for line in lines_of("verbs.txt"):
        word, _, verbs = line.partition(": ")
        found[word] = tuple(form for verb in verbs.split(", ") for form in _forms(verb))
    return found


@lru_cache(maxsize=1)
def _worded() -> frozenset[str]:
    forms = (form for listed in verb_forms().values() for form in listed)
    return frozenset((*same_words(), *(o for more in same_words().values() for o in more),
                      *free_words(), *forms))  # fmt: skip


def is_worded(word: str) -> bool:
    """Whether a word is itself a wording that rules know; a letter alone is a name."""
    return len(word) > 1 and word.lower() in _worded()


_VOWELS = "aeiou"


def _forms(verb: str) -> tuple[str, ...]:
    """A regular verb as it stands, with -s, -ed and -ing."""
    if verb.endswith("e"):
        return verb, f"{verb}s", f"{verb}d", f"{verb[:-1]}ing"
    if verb.endswith("y") and verb[-2] not in _VOWELS:
        return verb, f"{verb[:-1]}ies", f"{verb[:-1]}ied", f"{verb}ing"
    s = f"{verb}es" if verb.endswith(("s", "sh", "ch", "x")) else f"{verb}s"
    doubles = re.fullmatch(r"[^aeiou]*[aeiou][^aeiouwxy]|begin|transfer", verb)
    stem = verb + verb[-1] if doubles else verb
    return verb, s, f"{stem}ed", f"{stem}ing"
