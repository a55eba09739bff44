"""What later versions of retune hear otherwise, told when an older song is opened.

A version that hears otherwise than the one before has its line in `HEARING`; the demo's pinned plan
(`tests/demo`) shows when that is so.
"""

from __future__ import annotations

import re

HEARING: tuple[tuple[str, str], ...] = (
    ("1.0.0", "notes begin where the vowel opens, and phrases are cut at shorter breaths"),
    ("1.0.0", "key, meter, bars and chords that are not given are heard in all that sounds"),
    ("1.0.0", "in a finished mix, notes where nobody sings are left out"),
    (
        "1.0.0",
        "how sure a sung note is told comes from odds fitted on singers, and fewer are in doubt",
    ),
)
"""(version, what it hears otherwise than the version before it), the oldest first."""
VERSION = re.compile(r"\d{1,4}(?:\.\d{1,4}){1,3}")


def heard_otherwise(then: str, now: str) -> tuple[str, ...]:
    """What version `now` hears otherwise than version `then`, one line a change; () for nothing.

    A `then` that is newer than `now` gives one line that says so.
    """
    if parts(then) > parts(now):
        return (f"retune {then} is newer than this one, {now}, which may hear otherwise",)
    return tuple(
        f"since retune {version}: {what}"
        for version, what in HEARING
        if parts(then) < parts(version) <= parts(now)
    )


def parts(version: str) -> tuple[int, ...]:
    """A version as numbers that compare: "1.10.0" is (1, 10), and what follows them is left out."""
    found = re.match(r"\d{1,9}(?:\.\d{1,9})*", version)
    numbers = [int(part) for part in found.group().split(".")] if found else [0]
    while len(numbers) > 1 and numbers[-1] == 0:
        numbers.pop()
    return tuple(numbers)
