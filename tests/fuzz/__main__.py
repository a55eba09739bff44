"""One command for all that is tried at random: `python tests/fuzz`.

    python tests/fuzz --sounds 20000 --texts 20000         # some minutes
    python tests/fuzz --sounds 1000000 --texts 1000000     # an hour and a half
    python tests/fuzz --sounds 0 --texts 0 --kills 12 --full-disk       # some minutes

needs nothing but the tests' own packages, and POSIX. Prints what was tried and what came of it;
what a finding was made with is kept in `--out`; the exit code is 1 if there was one.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from mutations import mutate, table
from reader_targets import ROOM, SOUNDS, TARGETS


def main() -> int:
    """Parse the command line, try everything, print a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("readers", nargs="*", metavar="READER", help=", ".join(TARGETS))
    parser.add_argument("--sounds", type=int, default=20_000)
    parser.add_argument("--texts", type=int, default=20_000)
    parser.add_argument("--kills", type=int, default=0, help="of every writing command")
    parser.add_argument("--long", type=int, default=6, help="at most so many where one takes long")
    parser.add_argument("--full-disk", action="store_true", help="of three kinds, for each of them")
    parser.add_argument("--every", type=int, default=1, metavar="N", help="full at each N-th step")
    parser.add_argument("--only", nargs="+", metavar="COMMAND", help="kill and fill these alone")
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
    """Prints a line of the table as each command is done: a run of hours may be stopped."""
    from interruptions import COMMANDS, Tally, interrupt

    tally, began = Tally(), time.monotonic()
    names = [name for name in COMMANDS if not asked.only or name in asked.only]
    print(f"{'command':18}" + "".join(f"{way:>24}" for way in WAYS), flush=True)
    with tempfile.TemporaryDirectory(prefix="retune-fuzz-", dir=ROOM) as name:
        os.environ["RETUNE_CACHE"] = f"{name}/cache"
        for command in names:
            given = {"kills": asked.kills, "seed": asked.seed, "full": asked.full_disk}
            given |= {"every": asked.every, "long": asked.long}
            interrupt(command, Path(name), tally=tally, **given)
            print(_row(command, [tally.done[f"{command}, {way}"] for way in WAYS]), flush=True)
    print(_told(tally, names, hours=(time.monotonic() - began) / 3600))
    return tally.findings.total()


WAYS = ("killed", "run again", "full at a step", "full at a byte", "on a small file system")


def _row(name: str, counts: Sequence[int]) -> str:
    return f"{name:18}" + "".join(f"{count:24}" for count in counts)


def _told(tally: Any, names: Sequence[str], *, hours: float) -> str:
    """What was done to all, and what came of it."""
    sums = [sum(n for what, n in tally.done.items() if what.endswith(f", {way}")) for way in WAYS]
    lines = [_row("in all", sums), *(f"left out: {what}" for what in sorted(tally.left_out))]
    kinds = {
        kind: sum(n for words, n in tally.findings.items() if kind in words)
        for kind in ("half-written", "lost", "changed", "unexpected")
    }
    others = tally.findings.total() - sum(kinds.values())
    lines.append(
        f"{tally.done.total()} runs of {len(names)} commands in {hours:.2f} hours: "
        + ", ".join(f"{kind} {count}" for kind, count in kinds.items())
        + f", other findings {others}"
    )
    return "\n".join([*lines, *(f"  {n} x {w}" for w, n in tally.findings.most_common(40))])


if __name__ == "__main__":
    raise SystemExit(main())
