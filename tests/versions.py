"""Run the tests with other versions of Python and of everything retune depends on.

    pip install uv
    python tests/versions.py 3.13                # the newest of everything
    python tests/versions.py 3.11 --lowest       # the lowest versions that pyproject.toml allows
    python tests/versions.py 3.12 -m slow        # what it does not know goes to pytest

The first argument is a version that uv can find (`uv python list`) or the path of an interpreter.
The environment is made anew in a temporary folder, with a cache of its own, so that nothing heard
or compiled by another version is used again. Exits as pytest does. Takes some ten minutes.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

HOME = Path(__file__).resolve().parent.parent
EXTRAS = "test,world,neural"


def run(*words: object, **environment: str) -> None:
    subprocess.run([*map(str, words)], check=True, cwd=HOME, env={**os.environ, **environment})


def versions_of(python: Path) -> str:
    """What was installed of the packages that pyproject.toml names."""
    wanted = {
        re.split(r"[\s<>=~!;\[]", line, maxsplit=1)[0].lower().replace("_", "-")
        for line in re.findall(r'"([A-Za-z][^"]*>=[^"]*)"', (HOME / "pyproject.toml").read_text())
    }
    listed = subprocess.run(
        ["uv", "pip", "freeze", "--python", python], check=True, capture_output=True, text=True
    ).stdout
    return " ".join(line for line in listed.split() if line.split("==")[0].lower() in wanted)


def main() -> int:
    """Make the environment, say what is in it, and run pytest."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("python")
    parser.add_argument("--lowest", action="store_true", help="the lowest versions allowed")
    asked, for_pytest = parser.parse_known_args()
    with tempfile.TemporaryDirectory() as name:
        room = Path(name)
        python = room / "venv" / ("Scripts" if os.name == "nt" else "bin") / "python"
        run("uv", "venv", "--quiet", "--python", asked.python, room / "venv")
        how = ["--resolution", "lowest-direct"] if asked.lowest else []
        run("uv", "pip", "install", "--quiet", "--python", python, *how, "-e", f".[{EXTRAS}]")
        print(versions_of(python), flush=True)
        own = {"RETUNE_CACHE": str(room / "cache"), "NUMBA_CACHE_DIR": str(room / "numba")}
        words = [python, "-m", "pytest", "-p", "no:cacheprovider", *for_pytest]
        return subprocess.run(words, cwd=HOME, env={**os.environ, **own}, check=False).returncode


if __name__ == "__main__":
    try:
        sys.exit(main())
    except subprocess.CalledProcessError as error:  # uv has said what is wrong
        sys.exit(error.returncode)
