"""What retune says of the demo song and would do to it: the value that `plan.json` pins."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from retune import pipeline
from retune.pipeline.facts import analysis_facts, plan_facts

PINNED = Path(__file__).parent / "plan.json"
# What two machines may differ by.
TOLERANCES = {"_s": 0.001, "cents": 0.1, "_bpm": 0.01, "_hz": 0.05, "confidence": 0.001}


def heard_and_planned() -> dict[str, Any]:
    """Key, bars, chords and phrases of the demo song as heard, and the plan of each variant."""
    opened = pipeline.open_song(pipeline.demo_folder() / "song.toml")
    facts = analysis_facts(pipeline.analyze(opened), song="song.toml")
    vocal = facts["stems"]["vocal"]
    return {
        "key": facts["key"],
        "tuning_hz": facts["tuning_hz"],
        "n_bars": len(facts["bars"]["downbeats_s"]) - 1,
        "n_notes": {name: len(stem["notes"]) for name, stem in facts["stems"].items()},
        "phrases": vocal["phrases"],
        "warnings": facts["warnings"],
        "plans": {
            name: plan_facts(pipeline.plan(opened, variant=name)) for name in opened.song.variants
        },
    }


def differences(wanted: Any, found: Any, place: str = "") -> list[str]:
    """Where two values differ by more than machines may, in words."""
    if isinstance(wanted, dict) and isinstance(found, dict):
        names = [*wanted, *(name for name in found if name not in wanted)]
        parts = [
            (f"{place}.{name}".lstrip("."), wanted.get(name), found.get(name)) for name in names
        ]
        return [line for at, a, b in parts for line in differences(a, b, at)]
    if isinstance(wanted, list) and isinstance(found, list) and len(wanted) == len(found):
        pairs = enumerate(zip(wanted, found, strict=True))
        return [line for k, (a, b) in pairs for line in differences(a, b, f"{place}[{k}]")]
    if isinstance(wanted, float) and isinstance(found, int | float):
        allowed = next((size for end, size in TOLERANCES.items() if place.endswith(end)), 0.001)
        if math.isclose(wanted, found, rel_tol=0.0, abs_tol=allowed):
            return []
    return [] if wanted == found else [f"{place}: {wanted!r} is now {found!r}"]
