"""Help for someone who writes rules and listens as they type: lines read one by one, words to go
on with, and changed sound in small pieces that are made once."""

from __future__ import annotations

import math
import time
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from threading import Lock

from retune.carriers.changes import Edit, Patch, Plan, Verdict
from retune.carriers.errors import RuleError, UsageError
from retune.pipeline.renditions import render_home
from retune.pipeline.song_analysis import OpenSong
from retune.sound.cache import content_key

MAX_LINES = 200
# Edits further apart than this cannot share a passage, so they may be rendered one by one.
APART_S = 1.0
MAX_PIECES = 600


@dataclass(frozen=True)
class RuleLine:
    """One line as typed. `canonical` is "" where it says nothing or does not read; `fault` tells
    why it does not."""

    text: str
    canonical: str = ""
    fault: RuleError | None = None


@dataclass(frozen=True, eq=False)
class Piece:
    """The changed sound of neighbouring edits of one stem; equal keys mean equal sound."""

    key: str
    stem: str
    patches: tuple[Patch, ...]
    warnings: tuple[str, ...] = ()
    verdicts: tuple[Verdict, ...] = ()


def read_lines(lines: Sequence[str], *, stems: Sequence[str]) -> tuple[RuleLine, ...]:
    """Every line read by itself, so that a fault in one leaves the others working.

    Raises UsageError for more than `MAX_LINES`: reading some and not others would lose rules.
    """
    if len(lines) > MAX_LINES:
        raise UsageError(f"{len(lines)} rules were given; the workbench takes up to {MAX_LINES}")
    return tuple(_read_line(line, stems) for line in lines)


def _read_line(line: str, stems: Sequence[str]) -> RuleLine:
    from retune.rules import parse_rule
    from retune.rules.words import without_comment

    if not without_comment(line).strip():
        return RuleLine(line)
    try:
        return RuleLine(line, str(parse_rule(line, stems=stems)))
    except RuleError as error:
        return RuleLine(line, fault=error)


def complete_rule(text: str, cursor: int, *, stems: Sequence[str]) -> tuple[str, ...]:
    """Words that may stand at the cursor of an unfinished rule."""
    from retune.rules import completions

    return completions(text, cursor, stems=stems)


class Pieces:
    """Changed sound, rendered cluster by cluster and remembered."""

    def __init__(self, opened: OpenSong, *, engine: str = "auto") -> None:
        self.opened = opened
        self.engine = engine
        self._made: OrderedDict[str, Piece] = OrderedDict()
        self._lock = Lock()

    def of(
        self,
        plan: Plan,
        *,
        kind: str = "variant",
        from_s: float = 0.0,
        budget_s: float = math.inf,
    ) -> tuple[tuple[Piece, ...], bool]:
        """Pieces of a plan, and whether they are all of it.

        Parameters
        ----------
        kind : {"variant", "matched-control"}
        from_s : float
            Where listening begins: pieces from there on come first, those before it after them.
        budget_s : float
            No further piece is rendered once this much time has gone by (one always is).

        Raises
        ------
        EngineError
            The engine cannot do this material.
        """
        until = time.monotonic() + budget_s
        found: list[Piece] = []
        by_home: dict[str, list[Edit]] = {}
        for edit in plan.edits:
            by_home.setdefault(self.opened.home_of(edit.stem), []).append(edit)
        work = [(name, group) for name, edits in by_home.items() for group in clusters(edits)]
        work.sort(key=lambda item: (item[1][-1].end_s < from_s, item[1][0].start_s))
        for name, group in work:
            if (
                found
                and time.monotonic() > until
                and self._key(name, group, kind) not in self._made
            ):
                continue
            found.append(self._piece(name, group, kind))
        return tuple(found), len(found) == len(work)

    @staticmethod
    def _key(stem: str, edits: tuple[Edit, ...], kind: str) -> str:
        facts = [[e.stem, e.start_s, e.end_s, e.shift_cents, e.note] for e in edits]
        return content_key({"stem": stem, "kind": kind, "edits": facts})

    def _piece(self, stem: str, edits: tuple[Edit, ...], kind: str) -> Piece:
        key = self._key(stem, edits, kind)
        with self._lock:
            if key in self._made:
                self._made.move_to_end(key)
                return self._made[key]
        made = render_home(self.opened, stem, edits, kind=kind, engine=self.engine)
        piece = Piece(key, stem, made.patches, made.warnings, made.verdicts)
        with self._lock:
            self._made[key] = piece
            while len(self._made) > MAX_PIECES:
                self._made.popitem(last=False)
        return piece


def take_over(new: OpenSong, old: OpenSong | None) -> None:
    """What was measured of the original mix stays true for the same stems at the same gains."""
    if old is None or "original" not in old._memo or old.audio != new.audio:
        return
    gains = [{n: (s.gain_db, s.role) for n, s in o.song.stems.items()} for o in (old, new)]
    if gains[0] == gains[1]:
        new._memo["original"] = old._memo["original"]


def clusters(edits: Sequence[Edit]) -> list[tuple[Edit, ...]]:
    """Edits of one stem gathered where they are nearer than `APART_S` to one another."""
    found: list[list[Edit]] = []
    for edit in sorted(edits, key=lambda e: e.start_s):
        if found and edit.start_s - max(e.end_s for e in found[-1]) < APART_S:
            found[-1].append(edit)
        else:
            found.append([edit])
    return [tuple(group) for group in found]
