"""The notebooks: the public API only, what they show inside and small, figures that agree."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

import retune
from retune.faces.cli import main

NOTEBOOKS = Path(retune.__file__).parent.parent / "notebooks"
if not NOTEBOOKS.is_dir():
    pytest.skip("an installation has no notebooks", allow_module_level=True)
PATHS = sorted(NOTEBOOKS.glob("*.ipynb"))
MOST_BYTES = 1_200_000


def code_cells(path: Path) -> list[dict[str, Any]]:
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    return [cell for cell in cells if cell["cell_type"] == "code"]


def shown(path: Path) -> str:
    outputs = [output for cell in code_cells(path) for output in cell["outputs"]]
    return "".join("".join(output.get("text", [])) for output in outputs)


each = pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem[:2])


@each
def test_they_call_the_public_api_only(path: Path) -> None:
    source = "\n".join("".join(cell["source"]) for cell in code_cells(path))
    assert "import retune\n" in source + "\n"
    assert not re.search(r"\bfrom retune|import retune\.|sys\.path", source)
    assert set(re.findall(r"\bretune\.(\w+)", source)) <= set(retune.__all__)
    assert not re.search(r"\.(inputs|last|_[a-z]\w*)\b", source)


@each
def test_they_hold_what_they_show(path: Path) -> None:
    outputs = [output for cell in code_cells(path) for output in cell["outputs"]]
    kinds = {output["output_type"] for output in outputs}
    assert "error" not in kinds
    assert "stream" not in kinds or all(o.get("name", "stdout") == "stdout" for o in outputs)
    drawn = [form for output in outputs for form in output.get("data", {})]
    assert {"text/html", "image/svg+xml"} & {*drawn}
    assert path.stat().st_size < MOST_BYTES


def test_one_begins_with_a_finished_recording_and_sounds_are_inside() -> None:
    (path,) = [path for path in PATHS if "finished_recording" in path.stem]
    text = path.read_text(encoding="utf-8")
    assert text.count("data:audio/ogg;base64,") == 3
    assert "from a full mix: approximate" in text
    assert "clean" in shown(path)


def test_trial_counts_are_those_of_tally(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (path,) = [path for path in PATHS if path.stem.startswith("02")]
    answers = tmp_path / "answers.csv"
    rows = "".join(
        f"a,1,{n},pair,phrase 2,x,y,{'first' if n % 2 else 'second'}\n" for n in range(10)
    )
    answers.write_text(f"listener,sheet,trial,kind,passage,first,second,answer\n{rows}")
    for sides, options in (("two-sided", []), ("one-sided", ["--one-sided"])):
        assert main(["tally", str(answers), "--version", "y", *options]) == 0
        told = re.search(r"(\d+)\s+trials\s+would", capsys.readouterr().out)
        assert told is not None
        assert f"{sides}: 80 % takes {told[1]} trials" in shown(path)
