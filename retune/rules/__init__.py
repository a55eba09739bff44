"""Rules in plain words: read, matched on the original notes, and made into a plan of edits."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from retune.rules.completing import completions
    from retune.rules.model import Rule
    from retune.rules.naming import place_of
    from retune.rules.plan import make_plan
    from retune.rules.reading import parse_rule, parse_rules, understand
    from retune.rules.suggest import Suggestion, suggest_variants

__all__ = [
    "Rule",
    "Suggestion",
    "completions",
    "make_plan",
    "parse_rule",
    "parse_rules",
    "place_of",
    "suggest_variants",
    "understand",
]

_HOME = {
    "Rule": "model",
    "completions": "completing",
    "make_plan": "plan",
    "parse_rule": "reading",
    "parse_rules": "reading",
    "place_of": "naming",
    "Suggestion": "suggest",
    "suggest_variants": "suggest",
    "understand": "reading",
}


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(importlib.import_module(f"{__name__}.{_HOME[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
