"""Look whether everything that retune needs comes built for each system and version of Python.

    pip install uv
    python tests/wheels.py                # every system, with every extra but those left out below
    python tests/wheels.py 3.14           # one version of Python

Only the index is asked, nothing is installed: a user would have to compile what has no wheel,
which needs a compiler. Exits 1 when something has none. Takes a minute or some.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

HOME = Path(__file__).resolve().parent.parent
PYTHONS = ("3.11", "3.12", "3.13", "3.14")
SYSTEMS = (
    "x86_64-pc-windows-msvc",
    "aarch64-apple-darwin",
    "x86_64-apple-darwin",
    "x86_64-manylinux_2_28",
    "aarch64-manylinux_2_28",
)
EXTRAS = ("web", "dask", "exports", "video", "media", "corpus", "slides", "separate")
MISSING = {("x86_64-apple-darwin", "3.14")}  # numba has no wheel for Intel Macs since 0.63


def fault_of(system: str, python: str) -> str:
    """What cannot be had built on a system, "" when all can."""
    words = ["uv", "pip", "compile", "--quiet", "--only-binary", ":all:", "--no-header"]
    words += ["--python-platform", system, "--python-version", python, "pyproject.toml"]
    words += [word for extra in EXTRAS for word in ("--extra", extra)]
    done = subprocess.run(words, cwd=HOME, capture_output=True, text=True, check=False)
    return "" if done.returncode == 0 else done.stderr.strip()


def main() -> int:
    """Ask for each system and version, and print one line for each."""
    faults = 0
    for python in sys.argv[1:] or PYTHONS:
        for system in SYSTEMS:
            fault, known = fault_of(system, python), (system, python) in MISSING
            faults += bool(fault) and not known
            state = "has no wheels (known)" if fault and known else fault or "all wheels"
            sys.stdout.write(f"Python {python}, {system}: {state}\n")
            sys.stdout.flush()
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
