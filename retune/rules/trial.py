"""A contrast to try on a song: its rules, and what they claim."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Candidate:
    """A variant to try; `group` names those that belong together, `phrases` what must move, and
    `rests` what must come to rest, in part at least."""

    name: str
    group: str
    about: str
    rules: tuple[str, ...]
    reason: str
    phrases: tuple[int, ...] = ()
    rests: tuple[int, ...] = ()
