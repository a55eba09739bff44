"""Feed a reader bytes that a coverage-guided fuzzer makes up, for a bounded time.

    pip install atheris                     # Linux on x86-64 only
    python tests/fuzz/fuzz_readers.py song --seconds 300

begins with the files of `corpus/<reader>/` and stops at the first finding, whose bytes it writes
to `--out`. Fix the reader, copy the file into `corpus/<reader>/`, and `test_corpus.py` keeps it
from coming back. The corpus that grows is kept under `--out`, not here: add to `corpus/` by hand
what reaches something new.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["retune", "tomllib", "tomlkit"]):
    from reader_targets import CORPUS, TARGETS, clear, feed, folder_of_a_song


def main() -> None:
    """Parse the command line and hand over to the fuzzer, which ends the process."""
    parser = argparse.ArgumentParser(description="Fuzz one reader of retune.")
    parser.add_argument("reader", choices=sorted(TARGETS))
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--longest", type=int, default=4096, help="bytes of an input")
    parser.add_argument("--out", type=Path, default=Path(tempfile.gettempdir()) / "retune-fuzz")
    asked = parser.parse_args()
    grown = asked.out / asked.reader
    grown.mkdir(parents=True, exist_ok=True)
    kept = CORPUS / asked.reader
    with folder_of_a_song() as folder:

        def one(data: bytes) -> None:
            feed(asked.reader, data, folder)
            clear(folder)

        options = [
            f"-max_total_time={asked.seconds}",
            f"-max_len={asked.longest}",
            "-timeout=10",
            "-rss_limit_mb=3000",
            f"-artifact_prefix={asked.out}/{asked.reader}-",
            str(grown),
            *([str(kept)] if kept.is_dir() else []),
        ]
        atheris.Setup([sys.argv[0], *options], one)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
