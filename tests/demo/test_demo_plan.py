"""The demo song is heard and planned as it was pinned, in any process, on any number of threads."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from copy import deepcopy
from pathlib import Path

import pytest
from demo_plan import PINNED, differences, heard_and_planned


@pytest.fixture(scope="module")
def pinned() -> dict:
    return json.loads(PINNED.read_text(encoding="utf-8"))


def test_the_plan_of_the_demo_is_the_pinned_one(pinned: dict) -> None:
    """If a change was meant to alter it: python tests/demo/renew_plan.py, and read what it says."""
    assert differences(pinned, heard_and_planned()) == []


def test_a_difference_would_be_seen(pinned: dict) -> None:
    other = deepcopy(pinned)
    edit = other["plans"]["home-early"]["edits"][0]
    edit["start_s"] += 0.002
    edit["to"] = "A3"
    edit["shift_cents"] += 0.05
    found = differences(pinned, other)
    assert [line.partition(":")[0] for line in found] == [
        "plans.home-early.edits[0].start_s",
        "plans.home-early.edits[0].to",
    ]
    del other["plans"]["mirror"]
    assert any(line.startswith("plans.mirror") for line in differences(pinned, other))


RENDER = """
import hashlib, json, sys
from pathlib import Path
from retune import pipeline
out = Path(sys.argv[1])
song = pipeline.write_demo(out / "song")
opened = pipeline.open_song(song, use_cache=False)
plans = pipeline.plans_of(opened, ["home-with-harmony"])
pipeline.write_versions(opened, plans=plans, out=out / "made", control=True)
made = [path for path in sorted((out / "made").rglob("*")) if path.is_file()]
hashes = [hashlib.sha256(path.read_bytes()).hexdigest() for path in made]
print(json.dumps(dict(zip([str(path.relative_to(out)) for path in made], hashes))))
"""


@pytest.mark.slow
def test_every_process_and_number_of_threads_gives_the_same_bytes(tmp_path: Path) -> None:
    found = []
    for number, threads in enumerate(("1", "2")):
        names = ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")
        environment = {**os.environ, **dict.fromkeys(names, threads)}
        environment["PYTHONHASHSEED"] = str(number)
        out = tmp_path / str(number)
        words = [sys.executable, "-c", RENDER, str(out)]
        done = subprocess.run(words, env=environment, capture_output=True, check=True, timeout=300)
        found.append(json.loads(done.stdout))
    assert len(found[0]) == 5 + 5 + 5 + 1
    assert found[1] == found[0]
