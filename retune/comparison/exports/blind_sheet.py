"""A blind test on paper: the design (the teacher's key), a sheet to print, a table for answers.

The sheet names no version: listeners must not know which is which.
"""

from __future__ import annotations

import json

from retune.carriers.changes import Plan
from retune.comparison.blind import Design, pair_design
from retune.comparison.exports.material import Material, label, origin, software
from retune.comparison.exports.pictures import document_facts
from retune.comparison.exports.typesetting import typeset
from retune.comparison.responses import COLUMNS
from retune.song.csvtext import table

CONTROL = "matched-control"


def design_of(material: Material, plan: Plan, *, sheet: int = 1) -> Design | None:
    """The test of a variant against its matched control, in the phrases that it touches; the
    same trials as on the comparison page. None when it touches no phrase."""
    melody = material.analysis.melody
    touched = {edit.phrase for edit in plan.edits}
    names = [
        f"phrase {phrase.index}"
        for phrase in (melody.phrases if melody else ())
        if phrase.index in touched
    ]
    if not names:
        return None
    return pair_design((CONTROL, plan.name), passages=names, sheet=sheet)


def design_json(material: Material, plan: Plan, design: Design) -> str:
    """The key: every trial with what is heard first and second. Not for the listeners."""
    facts = {
        "made": software(),
        "source": origin(material),
        "altered": label(plan),
        "title": material.title,
        **design.to_json(),
    }
    return json.dumps(facts, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def answers_csv(design: Design, *, listener: str = "") -> str:
    """A table to type the answers of one sheet into, as `retune tally` reads it."""
    rows = (
        (listener, design.sheet, t.number, t.kind, t.passage, t.first, t.second, "")
        for t in design.trials
    )
    return table(COLUMNS, rows)


def sheet_pdf(material: Material, plan: Plan, design: Design) -> bytes:
    """A page to print for every listener: one line a trial, first or second."""
    trials = [
        {"number": str(t.number), "note": "practice" if t.kind == "practice" else ""}
        for t in design.trials
    ]
    data = {
        **document_facts(material, None, plan),
        "question": design.question,
        "sheet": str(design.sheet),
        "facts": material.title,
        "trials": trials,
        "foot": f"{software()}, seed {design.seed}, sheet {design.sheet}. Some of what you hear is "
        f"altered with retune. {material.rights}",
    }
    return typeset("sheet", data, svgs={})
