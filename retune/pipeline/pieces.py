"""Changed sound in small pieces that are made once, for someone who listens as they type."""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from retune.carriers.changes import Edit, Patch, Plan, Verdict
from retune.pipeline.inputs import SongInputs
from retune.pipeline.renditions import render_home
from retune.pipeline.song_analysis import analysis_key
from retune.pipeline.song_plan import check_plan
from retune.pipeline.stages import MOVING, Stage

# Edits further apart than this cannot share a passage, so they may be rendered one by one.
APART_S = 1.0
MAX_PIECES = 600


@dataclass(frozen=True, eq=False)
class Piece:
    """The changed sound of neighbouring edits of one stem; equal keys mean equal sound."""

    key: str
    stem: str
    patches: tuple[Patch, ...]
    warnings: tuple[str, ...] = ()
    verdicts: tuple[Verdict, ...] = ()


PIECE = Stage(
    "piece of changed sound",
    Piece,
    rooms=("track", "separate", "analysis", "rules", "repitch"),
    libraries=MOVING,
    keep=MAX_PIECES,
    on_disk=False,
)


def pieces_of(
    opened: SongInputs,
    plan: Plan,
    *,
    kind: str = "variant",
    engine: str = "auto",
    from_s: float = 0.0,
    budget_s: float = math.inf,
) -> tuple[tuple[Piece, ...], bool]:
    """Changed sound of a plan, cluster by cluster and remembered; and whether it is all of it.

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
    UsageError
        The song was changed since the plan was made.
    """
    check_plan(plan, opened)
    until = time.monotonic() + budget_s
    found: list[Piece] = []
    by_home: dict[str, list[Edit]] = {}
    for edit in plan.edits:
        by_home.setdefault(opened.home_of(edit.stem), []).append(edit)
    work = [(home, group) for home, edits in by_home.items() for group in clusters(edits)]
    work.sort(key=lambda item: (item[1][-1].end_s < from_s, item[1][0].start_s))
    for home, group in work:
        reads = _reads(opened, group, kind, engine)
        if found and time.monotonic() > until and not opened.memory.holds(PIECE, reads):
            continue
        found.append(_piece(opened, home, group, kind, engine, reads))
    return tuple(found), len(found) == len(work)


def _reads(opened: SongInputs, edits: Sequence[Edit], kind: str, engine: str) -> dict[str, Any]:
    facts = [
        [
            e.stem,
            e.start_s,
            e.end_s,
            *e.span_after,
            e.shift_cents,
            e.note,
            e.glide,
            e.vibrato,
            e.formants,
            e.tail,
        ]
        for e in edits
    ]
    return {"analysis": analysis_key(opened), "kind": kind, "engine": engine, "edits": facts}


def _piece(
    opened: SongInputs,
    home: str,
    edits: tuple[Edit, ...],
    kind: str,
    engine: str,
    reads: dict[str, Any],
) -> Piece:
    def make() -> Piece:
        made = render_home(opened, home, edits, kind=kind, engine=engine)
        return Piece(PIECE.key(reads), home, made.patches, made.warnings, made.verdicts)

    return opened.recall(PIECE, reads, make)


def clusters(edits: Sequence[Edit]) -> list[tuple[Edit, ...]]:
    """Edits of one stem gathered where they are nearer than `APART_S` to one another."""
    found: list[list[Edit]] = []
    for edit in sorted(edits, key=lambda e: e.start_s):
        if found and edit.reach[0] - max(e.reach[1] for e in found[-1]) < APART_S:
            found[-1].append(edit)
        else:
            found.append([edit])
    return [tuple(group) for group in found]
