"""What was heard in one cover of a spoken sentence, and how what it lacks is asked."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from retune.rules.spoken.parts import Part


@dataclass(frozen=True)
class Question:
    """What is missing, and sentences that say it."""

    problem: str
    examples: tuple[str, ...]
    first: int = 0
    last: int = 0
    is_firm: bool = False
    """Whether no further reading, of words more loosely joined, is to be looked for."""


@dataclass
class Heard:
    """The parts of one cover, sorted."""

    parts: tuple[Part, ...]
    kinds: dict[str, list[Part]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for part in self.parts:
            self.kinds.setdefault(part.kind, []).append(part)
        if "wait" in self.kinds:  # "wait a beat before the last note"
            wait = self.kinds["wait"][0]
            self.kinds["delay"] = self.kinds["length"] = [wait]
            if wait.value["penultimate"]:  # "before the last" came out as one word
                ending = Part("position", ("phrase-ending", False, False), wait.first, wait.last)
                self.kinds["position"] = [ending]
        if any(part.value == "ending" for part in self.of("suspend")):
            at = self.kinds["suspend"][0]
            ending = Part("position", ("phrase-ending", False, False), at.first, at.last)
            self.kinds.setdefault("position", [ending])
        if "hang" in self.kinds:  # "leave every phrase hanging on 5" is an end, nothing is kept
            self.kinds.setdefault("end", self.kinds["hang"])
            self.kinds.pop("keep", None)

    def has(self, *kinds: str) -> bool:
        return any(kind in self.kinds for kind in kinds)

    def of(self, kind: str) -> list[Part]:
        return self.kinds.get(kind, [])


@dataclass(frozen=True)
class About:
    """What the clause before moves, and where: what "it" is in the next."""

    what: str = ""
    scope: str = ""
    way: str = ""
    is_its: bool = False
    """Whether this clause speaks of its notes, or their, and so of the same place."""


NOTHING = About()


class MissingError(Exception):
    """Something is missing that has to be asked for."""

    def __init__(
        self,
        problem: str,
        examples: Sequence[str],
        part: Part | None = None,
        *,
        is_firm: bool = False,
        instead_of: str = "",
    ) -> None:
        self.instead_of = instead_of
        first, last = (part.first, part.last) if part is not None else (0, 0)
        self.question = Question(problem, tuple(examples), first, last, is_firm)

    def at(self, scope: str) -> MissingError:
        """The same question of the place that the sentence names; what was taken for a place and
        is asked about (`instead_of`, a pattern) is none."""
        scope = re.sub(self.instead_of, "", scope).strip() if self.instead_of else scope
        if scope:
            shown = tuple(f"{example} {scope}" for example in self.question.examples)
            self.question = replace(self.question, examples=shown)
        return self


class NoRuleError(Exception):
    """The parts make no rule."""


def is_names(part: Part) -> bool:
    """Whether a part names notes by pitch ("every F4")."""
    return "n:" in pitch_text(part)


def pitch_text(part: Part) -> str:
    """What a part says of pitch, as it was typed."""
    if part.kind == "target":
        match = part.value[1]
        return str(match["not"] if part.value[0] == "not" else match["target"])
    if part.kind == "last_degree":
        return str(part.value["d"])
    return str(part.value[0])
