"""One command for all that is tried at random: `python tests/fuzz`.

    python tests/fuzz --sounds 20000 --texts 20000         # some minutes
    python tests/fuzz --sounds 1000000 --texts 1000000     # an hour and a half
    python tests/fuzz --sounds 0 --texts 0 --kills 200 --full-disk

needs nothing but the tests' own packages, and POSIX. Prints what was tried and what came of it;
what a finding was made with is kept in `--out`; the exit code is 1 if there was one.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from pathlib import Path

from mutations import mutate, table
from reader_targets import ROOM, SOUNDS, TARGETS


def main() -> int:
    """Parse the command line, try everything, print a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("readers", nargs="*", metavar="READER", help=", ".join(TARGETS))
    parser.add_argument("--sounds", type=int, default=20_000)
    parser.add_argument("--texts", type=int, default=20_000)
    parser.add_argument("--kills", type=int, default=0, help="of every writing command")
    parser.add_argument("--full-disk", action="store_true", help="at every step of each of them")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path(tempfile.gettempdir()) / "retune-fuzz")
    asked = parser.parse_args()
    readers = asked.readers or list(TARGETS)
    found = 0
    for count, kinds in (
        (asked.sounds, [name for name in readers if name in SOUNDS]),
        (asked.texts, [name for name in readers if name not in SOUNDS]),
    ):
        if count and kinds:
            tried = mutate(kinds, count=count, seed=asked.seed, out=asked.out)
            print(table(tried, kinds), flush=True)
            found += tried.findings.total()
    if asked.kills or asked.full_disk:
        found += _interrupted(asked)
    return int(found > 0)


def _interrupted(asked: argparse.Namespace) -> int:
    from interruptions import COMMANDS, Tally, interrupt

    tally, began = Tally(), time.monotonic()
    with tempfile.TemporaryDirectory(prefix="retune-fuzz-", dir=ROOM) as name:
        os.environ["RETUNE_CACHE"] = f"{name}/cache"
        for command in COMMANDS:
            given = {"kills": asked.kills, "seed": asked.seed, "full": asked.full_disk}
            interrupt(command, Path(name), tally=tally, **given)
            said = f"{command}: {dict(tally.done)} {dict(tally.findings)}"
            print(said, file=sys.stderr, flush=True)
    for what, count in sorted(tally.done.items()):
        print(f"{what:24} {count:6}")
    print(
        f"{tally.done.total()} runs in {(time.monotonic() - began) / 3600:.2f} hours; "
        f"half-written, lost or unexpected {tally.findings.total()}"
    )
    for words, count in tally.findings.most_common(20):
        print(f"  {count} x {words}")
    return tally.findings.total()


if __name__ == "__main__":
    raise SystemExit(main())
