"""Moves in time through the whole job on the demo song: files, manifest, verification, a batch."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from retune import pipeline
from retune.pipeline.jobs import Job, run_job
from retune.pipeline.opensong import OpenSong
from retune.pipeline.pieces import pieces_of

RULES = (
    "delay phrase-ending note by 1 beat in phrase 6",
    "move phrase-ending degree 2 to degree 1 in phrase 2",
    "hold phrase-ending note 0.5 beats longer in phrase 2",
)
JOIN_S = 0.075


@pytest.fixture(scope="module")
def song(tmp_path_factory: pytest.TempPathFactory) -> OpenSong:
    return pipeline.open_song(pipeline.write_demo(tmp_path_factory.mktemp("demo")))


@pytest.fixture(scope="module")
def rendered(song: OpenSong, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("renditions")
    pipeline.write_versions(song, plans=[song.plan(rules=RULES)], out=out, control=True)
    return out


def test_length_stays_and_so_does_all_that_is_not_moved(rendered: Path) -> None:
    edits = json.loads((rendered / "rules" / "manifest.json").read_text())["edits"]
    before, rate_hz = soundfile.read(rendered / "original" / "vocal.wav", dtype="int32")
    at_s = np.arange(len(before)) / rate_hz
    inside = np.zeros(len(before), dtype=bool)
    for edit in edits:
        low = min(edit["start_s"], edit.get("start_to_s", edit["start_s"])) - JOIN_S
        high = max(edit["end_s"], edit.get("end_to_s", edit["end_s"])) + JOIN_S
        inside |= (at_s > low) & (at_s < high)
    for name in ("rules", "rules/matched-control"):
        after, _ = soundfile.read(rendered / name / "vocal.wav", dtype="int32")
        assert after.shape == before.shape
        assert np.array_equal(after[~inside], before[~inside])
        assert not np.array_equal(after[inside], before[inside])


def test_the_manifest_holds_the_times_and_is_verified(rendered: Path) -> None:
    edits = json.loads((rendered / "rules" / "manifest.json").read_text())["edits"]
    moved = [edit for edit in edits if "end_to_s" in edit]
    assert [edit["shift_cents"] for edit in moved] == [-200.0, 0.0, 0.0]
    assert [found.differences for found in pipeline.verify(rendered)] == [()]


def test_a_batch_makes_the_same_bytes(rendered: Path, song: OpenSong, tmp_path: Path) -> None:
    common = {"song": str(song.inputs.song.path), "name": "lantern", "out": str(tmp_path)}
    for variant, rules in (("original", ()), ("rules", RULES)):
        record = run_job(Job(variant=variant, rules=rules, control=True, **common))
        assert record["state"] == "done", record["error"]
    home = tmp_path / "lantern" / "rules"
    for name in ("vocal.wav", "matched-control/vocal.wav"):
        assert (home / name).read_bytes() == (rendered / "rules" / name).read_bytes()


def test_the_workbench_hears_what_is_rendered(song: OpenSong) -> None:
    plan = song.plan(rules=RULES)
    pieces, is_all = pieces_of(song.inputs, plan)
    assert is_all
    whole = song.render(plan).stems["vocal"]
    spans = sorted((p.start, p.stop) for piece in pieces for p in piece.patches)
    assert spans == [(p.start, p.stop) for p in whole.patches]
