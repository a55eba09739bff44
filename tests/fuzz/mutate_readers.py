"""Mutate files and texts for a bounded time, and print what was tried and what came of it.

    python tests/fuzz/mutate_readers.py --seconds 600 --seed 1

needs nothing but the tests' own packages. Every input is one of `corpus/` with bytes changed, cut,
doubled or spliced; a finding is anything but an answer or a refusal of our own in one line. The
first ten findings are written to `--out`; the exit code is 1 if there was one.
"""

from __future__ import annotations

import argparse
import random
import tempfile
import time
from collections import Counter
from pathlib import Path

from reader_targets import CORPUS, TARGETS, clear, feed, folder_of_a_song

SOUNDS = ("audio",)
TOKENS = (
    b"\x00",
    b"\xff",
    b"\n",
    b'"',
    b"[",
    b"]",
    b"=",
    b"1e-12",
    b"-1",
    b"9" * 400,
    b"\xef\xbf\xbf",
)


def mutated(data: bytes, others: list[bytes], chance: random.Random) -> bytes:
    """One to six changes: a byte, a cut, a passage twice, a token, a piece of another input."""
    made = bytearray(data)
    for _ in range(chance.randint(1, 6)):
        at = chance.randrange(len(made) + 1)
        upto = min(at + chance.randint(1, 64), len(made))
        kind = chance.randrange(5)
        if kind == 0 and at < len(made):
            made[at] = chance.randrange(256)
        elif kind == 1:
            del made[at:upto]
        elif kind == 2:
            made[at:at] = made[at:upto]
        elif kind == 3:
            made[at:upto] = chance.choice(TOKENS)
        else:
            other = chance.choice(others)
            start = chance.randrange(len(other) + 1)
            made[at:upto] = other[start : start + 64]
    return bytes(made)


def main() -> int:
    """Parse the command line, mutate until the time is over, and print a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("readers", nargs="*", default=sorted(TARGETS))
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path(tempfile.gettempdir()) / "retune-fuzz")
    asked = parser.parse_args()
    chance, tried, found = random.Random(asked.seed), Counter[str](), Counter[str]()
    inputs = {
        name: [path.read_bytes() for path in sorted((CORPUS / name).iterdir())]
        for name in asked.readers
    }
    began, slowest = time.monotonic(), (0.0, "")
    with folder_of_a_song() as folder:
        while time.monotonic() - began < asked.seconds:
            name = chance.choice(asked.readers)
            data = mutated(chance.choice(inputs[name]), inputs[name], chance)
            at = time.process_time()
            try:
                feed(name, data, folder)
            except Exception as error:
                found[f"{name}: {type(error).__name__}: {str(error)[:80]}"] += 1
                if found.total() <= 10:
                    asked.out.mkdir(parents=True, exist_ok=True)
                    (asked.out / f"{name}-{found.total()}").write_bytes(data)
            slowest = max(slowest, (time.process_time() - at, name))
            clear(folder)
            tried[name] += 1
    for name in asked.readers:
        print(f"{name:12} {tried[name]:9} inputs")
    sounds = sum(tried[name] for name in asked.readers if name in SOUNDS)
    print(
        f"{sounds} sound files and {tried.total() - sounds} texts in "
        f"{(time.monotonic() - began) / 3600:.3f} hours; "
        f"slowest {slowest[0]:.2f} s ({slowest[1]}); "
        f"findings {found.total()}"
    )
    for words, count in found.most_common(20):
        print(f"  {count} x {words}")
    return int(found.total() > 0)


if __name__ == "__main__":
    raise SystemExit(main())
