"""Run the notebooks and keep what they show: `python tests/docs/renew_notebooks.py [NAME ...]`.

To be run when what a notebook shows has changed; needs the `test` extra. What differs between two
machines (times, versions) is left out, so that a change of the file is a change of what is shown.
"""

from __future__ import annotations

import sys
from pathlib import Path

import nbformat
from nbclient import NotebookClient

NOTEBOOKS = Path(__file__).resolve().parent.parent.parent / "notebooks"


def renew(path: Path) -> None:
    """Run one notebook from a clean kernel and write it with its outputs."""
    book = nbformat.read(path, as_version=4)
    NotebookClient(book, timeout=600, resources={"metadata": {"path": str(path.parent)}}).execute()
    for cell in book.cells:
        cell.metadata = {}
        for output in cell.get("outputs", []):
            if _is_shown(output):
                output.data.pop("text/plain", None)
    book.metadata = {
        "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
        "language_info": {"name": "python"},
    }
    nbformat.write(book, path)
    print(f"{path.name}: {path.stat().st_size / 1000:.0f} kB")


def _is_shown(output: nbformat.NotebookNode) -> bool:
    """Whether an output has a form that is drawn or played, beside its plain words."""
    return bool({"text/html", "image/svg+xml"} & {*output.get("data", {})})


if __name__ == "__main__":
    wanted = sys.argv[1:] or sorted(path.stem for path in NOTEBOOKS.glob("*.ipynb"))
    for name in wanted:
        renew(NOTEBOOKS / f"{name}.ipynb")
