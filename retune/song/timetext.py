"""Times as people write them: 72.5s, 72.5, 1:12.5 (minutes:seconds) or 9:1 (bar:beat)."""

from __future__ import annotations

import re

SECONDS = r"\d+(?:\.\d+)?\s*s?"
_MINUTES = re.compile(r"(\d{1,9}):(\d\d(?:\.\d+)?)\s*s?")
_PLACE = re.compile(r"(\d{1,9}):(\d(?:\.\d+)?)")
_SPAN = re.compile(r"\s*(\S{1,40}?)\s*(?:-|–|\bto\b)\s*(\S{1,40})\s*")
HOW = "write 72.5s, 1:12 (minutes:seconds, two digits behind the colon) or 9:1 (bar:beat)"

Place = float | tuple[int, float]
"""Seconds, or a bar and a beat."""


def read_seconds(text: str) -> float | None:
    """Seconds alone; None for any other text.

    >>> read_seconds("24.5"), read_seconds("24.5 s"), read_seconds("1:12")
    (24.5, 24.5, None)
    """
    return float(text.rstrip("s")) if re.fullmatch(SECONDS, text) else None


def read_place(text: str) -> Place | None:
    """The time that `text` writes; None where it writes none.

    >>> read_place("72.5s"), read_place("1:12"), read_place("9:1"), read_place("soon")
    (72.5, 72.0, (9, 1.0), None)
    """
    text = text.strip()
    seconds = read_seconds(text)
    if seconds is not None:
        return seconds
    if found := _MINUTES.fullmatch(text):
        return 60.0 * int(found[1]) + float(found[2])
    if found := _PLACE.fullmatch(text):
        return int(found[1]), float(found[2])
    return None


def read_span(text: str) -> tuple[str, str] | None:
    """The two times of "0:48-1:12"; None where `text` holds no two times.

    >>> read_span("0:48-1:12"), read_span("9:1 - 17:1"), read_span("0:48")
    (('0:48', '1:12'), ('9:1', '17:1'), None)
    """
    found = _SPAN.fullmatch(text)
    if found is None or any(read_place(part) is None for part in found.groups()):
        return None
    return found[1], found[2]
