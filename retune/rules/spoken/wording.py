"""Pieces of canonical words for readings and examples."""

from __future__ import annotations

import re
from collections.abc import Sequence

from retune.rules.spoken.parts import OWN_KIND


def own(spared: str, what: str) -> str:
    """What is kept, of the kind of note that is moved."""
    kind = re.search(r"phrase-\w+|(?:song-)?(?:highest|lowest|longest)", what)
    return spared.replace(OWN_KIND, kind[0] if kind else "every")


def way_back(scopes: Sequence[str]) -> str:
    """The way that notes go that are too high, or too low, for an example."""
    return "down" if any(scope.startswith("higher") for scope in scopes) else "up"


def another(what: str) -> str:
    """A degree that notes may go to, for an example."""
    return "degree 2" if what.endswith("degree 1") else "degree 1"


def with_side(words: str, side: str) -> str:
    """A goal with the side it lies on, where it has none yet and none by its octave."""
    if words.endswith(("above", "below")):
        return words
    named = len(words) > 1 and words[0].isupper() and not words[-1].isdigit()
    return words + side if named or words.startswith(("degree", "chord", "nearest")) else words


def targets_member(text: str) -> str:
    """A member of the chord, in canonical words."""
    for word, member in (("root", "root"), ("o:3", "third"), ("o:5", "fifth"), ("o:7", "seventh")):
        if word in text:
            return f"chord {member}"
    return "chord root"
