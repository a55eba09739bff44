"""Single values of a song file: where they stand, and one checker for each kind.

A checker takes the value as TOML gave it and its `Where`, and returns the value as the carriers
hold it, or fails with file, line, key, what was given and what is allowed.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any, NoReturn

from retune.carriers.errors import InputError, SongFileError
from retune.carriers.text import cut_short, printable
from retune.song.guide import MIDI_SUFFIXES, SCORE_SUFFIXES
from retune.song.limits import (
    LEAST_PHRASE_S,
    MAX_KEY_CHANGES,
    MAX_PHRASES,
    MAX_TEXT,
    MAX_TIME_S,
    MAX_TITLE,
)
from retune.song.timetext import HOW, SECONDS, read_span
from retune.song.tomltext import KeyPath, key_lines
from retune.sound.audio import AUDIO_SUFFIXES
from retune.sound.files import missing_as, safe_child_path

FOLLOW = ("keep", "scale steps", "semitones")
GUIDE_SUFFIXES = (".csv", *MIDI_SUFFIXES, *SCORE_SUFFIXES)
Checker = Callable[[Any, "Where"], Any]


@dataclass(frozen=True)
class Where:
    """A place in a song file, for messages: the file, the key, and its line in `text`, looked for
    only when it is asked for.

    `label` stands instead of file and key when the value came from a command-line option; `home`
    is the folder that file names count from where it is not the file's own.
    """

    file: Path
    text: str = ""
    key: KeyPath = ()
    label: str = ""
    home: Path | None = None

    def at(self, *key: str | int) -> Where:
        return replace(self, key=(*self.key, *key))

    @property
    def folder(self) -> Path:
        return self.home or self.file.parent

    @property
    def name(self) -> str:
        """The key as one would write it: `stems.vocal.file`, elements counted from 1."""
        parts = [f" entry {p + 1}" if isinstance(p, int) else f".{p}" for p in self.key]
        return printable("".join(parts).lstrip("."))[:200]

    @property
    def place(self) -> str:
        """File, line and key, or the label alone."""
        if self.label:
            return self.label
        lines = key_lines(self.text)
        above = (self.key[:depth] for depth in range(len(self.key), 0, -1))
        line = next((lines[key] for key in above if key in lines), None)
        file = f"{self.file}, line {line}" if line else f"{self.file}"
        return f"{file}: {self.name}" if self.key else file

    def fail(self, problem: str) -> NoReturn:
        """Raise a SongFileError that says where, in one line."""
        raise SongFileError(f"{self.place}: {problem}")


def shown(value: Any) -> str:
    """A value as it stands in TOML, cut short, on one line."""
    if isinstance(value, bool):
        return str(value).lower()
    try:
        text = f'"{value}"' if isinstance(value, str) else repr(value)
    except ValueError:  # Python prints no whole number of more than 4300 digits
        return "a huge number"
    except RecursionError:
        return "a value nested too deeply"
    return cut_short(printable(text))


# --- checkers of one value -------------------------------------------------------------------


def is_text(value: Any, where: Where) -> str:
    """A string without control characters other than tab and line end."""
    if not isinstance(value, str):
        where.fail(f"{shown(value)} must be a string in quotes")
    if len(value) > MAX_TEXT:
        where.fail(f"the text is longer than {MAX_TEXT} characters; shorten it")
    if any((ord(c) < 32 and c not in "\t\n\r") or ord(c) == 127 for c in value):
        where.fail(f"{shown(value)} holds a control character; remove it")
    return value


def is_line(value: Any, where: Where) -> str:
    """A string of one line."""
    text = is_text(value, where)
    if "\n" in text or "\r" in text:
        where.fail("must be one line; remove the line break")
    return text


def is_title(value: Any, where: Where) -> str:
    """A string of one line that a page has room for."""
    title = is_line(value, where)
    if len(title) > MAX_TITLE:
        where.fail(f"the title is longer than {MAX_TITLE} characters; shorten it")
    return title


def is_number(low: float, high: float, unit: str = "") -> Checker:
    """A checker of decimals (or whole numbers) from `low` to `high`, both allowed."""
    span = f"a number from {low:g} to {high:g}{' ' + unit if unit else ''}"

    def check(value: Any, where: Where) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            where.fail(f"{shown(value)} must be {span}, without quotes")
        if not low <= value <= high:
            where.fail(f"{shown(value)} is out of range; must be {span}")
        return float(value)

    return check


def one_of(*allowed: str) -> Checker:
    """A checker of strings out of a short list."""

    def check(value: Any, where: Where) -> str:
        if value not in allowed or not isinstance(value, str):
            listed = ", ".join(f'"{word}"' for word in allowed)
            where.fail(f"{shown(value)} is not known; use {listed}")
        return value

    return check


def auto_or(checker: Checker, automatic: Any = None) -> Checker:
    """A checker that takes "auto" for `automatic` and leaves the rest to `checker`."""

    def check(value: Any, where: Where) -> Any:
        if value == "auto":
            return automatic
        return checker(value, where)

    return check


TIME = is_number(0.0, MAX_TIME_S, "seconds")
TEMPO = is_number(20.0, 400.0, "beats a minute")
TUNING = is_number(380.0, 500.0, "Hz")


def is_list(checker: Checker, *, of: str, at_most: int, at_least: int = 0) -> Checker:
    """A checker of arrays whose every element passes `checker`."""

    def check(value: Any, where: Where) -> tuple[Any, ...]:
        if not isinstance(value, list):
            where.fail(f"{shown(value)} must be a list of {of} in square brackets")
        if len(value) < at_least:
            where.fail(f"needs {at_least} or more {of}")
        if len(value) > at_most:
            where.fail(f"more than {at_most} {of}; leave some out")
        return tuple(checker(item, where.at(index)) for index, item in enumerate(value))

    return check


def ascending(checker: Checker, what: str, *, least_s: float = 0.0) -> Checker:
    """A checker of lists that rise from element to element, by `least_s` or more."""

    def check(value: Any, where: Where) -> tuple[float, ...]:
        times: tuple[float, ...] = checker(value, where)
        for index, (before, after) in enumerate(pairwise(times), start=1):
            if after <= before:
                where.at(index).fail(f"{after:g} does not come after {before:g}; {what} must rise")
            if after - before < least_s:
                where.at(index).fail(
                    f"{after:g} is less than {least_s:g} s after {before:g}; leave one out"
                )
        return times

    return check


def is_meter(value: Any, where: Where) -> tuple[int, int]:
    """ "3/4" as (3, 4)."""
    match = re.fullmatch(r"([1-9]\d?)/([1-9]\d?)", value) if isinstance(value, str) else None
    meter = (int(match[1]), int(match[2])) if match else (0, 0)
    if not 1 <= meter[0] <= 16 or meter[1] not in (2, 4, 8, 16):
        where.fail(
            f'{shown(value)} is not a meter; write beats over a note value, as "3/4" '
            "(1 to 16 over 2, 4, 8 or 16)"
        )
    return meter


def is_key(value: Any, where: Where) -> str:
    """A key that the theory reads ("Bb major"), as typed."""
    from retune.theory.keys import parse_key

    text = is_line(value, where)
    try:
        parse_key(text)
    except InputError as error:
        where.fail(str(error))
    return text


def is_placed(checker: Checker, *, what: str, example: str) -> Checker:
    """A checker of pairs of bar:beat and something that `checker` passes."""

    def check(value: Any, where: Where) -> tuple[str, Any]:
        if not isinstance(value, list) or len(value) != 2 or not isinstance(value[0], str):
            where.fail(f'{shown(value)} must be a bar:beat and a {what}, as ["17:1", "{example}"]')
        if not re.fullmatch(r"\d{1,5}:[1-9]\d?(\.\d+)?", value[0]):
            where.fail(f'{shown(value[0])} is not a bar:beat, as "17:1"')
        return value[0], checker(value[1], where)

    return check


def in_order_of_bars(checker: Checker, *, what: str) -> Checker:
    """A checker of lists of pairs whose places in the bars rise."""

    def check(value: Any, where: Where) -> tuple[tuple[str, Any], ...]:
        pairs: tuple[tuple[str, Any], ...] = checker(value, where)
        places = [tuple(map(float, place.split(":"))) for place, _ in pairs]
        for index, (before, after) in enumerate(pairwise(places), start=1):
            if after <= before:
                where.at(index).fail(f"comes at or before the {what} above it; sort them")
        return pairs

    return check


is_key_list = in_order_of_bars(
    is_list(
        is_placed(is_key, what="key", example="G major"),
        of="changes of key",
        at_most=MAX_KEY_CHANGES,
    ),
    what="change of key",
)


PHRASE_WORDS = re.compile(
    r"every\s+[1-9]\d{0,2}\s+bars?(\s*,\s*pickup\s+\d{1,2}(\.\d+)?\s+beats?)?", re.IGNORECASE
)


def is_phrases(value: Any, where: Where) -> str | tuple[tuple[float, float], ...]:
    """ "auto", "every N bars[, pickup N beats]", or spans in order that do not overlap."""
    if isinstance(value, str):
        words = " ".join(value.lower().split())
        if words != "auto" and not PHRASE_WORDS.fullmatch(words):
            where.fail(
                f'{shown(value)} is not known; write "auto", "every 4 bars", '
                '"every 4 bars, pickup 1 beat" or [[start, end], ...] in seconds'
            )
        return words
    spans: tuple[tuple[float, float], ...] = is_list(
        _is_span, of="phrases", at_least=1, at_most=MAX_PHRASES
    )(value, where)
    for index, (before, after) in enumerate(pairwise(spans), start=1):
        if after[0] < before[1]:
            where.at(index).fail(
                f"starts at {after[0]:g} s, before the phrase above it ends ({before[1]:g} s); "
                "phrases must rise and not overlap"
            )
    return spans


def _is_span(value: Any, where: Where) -> tuple[float, float]:
    if not isinstance(value, list) or len(value) != 2:
        where.fail(f"{shown(value)} must be a start and an end in seconds, as [0.0, 8.2]")
    start_s, end_s = (TIME(item, where) for item in value)
    if end_s <= start_s:
        where.fail(f"ends at {end_s:g} s, not after its start at {start_s:g} s")
    if end_s - start_s < LEAST_PHRASE_S:
        where.fail(f"lasts less than {LEAST_PHRASE_S:g} s; a phrase is longer")
    return start_s, end_s


def is_passage(value: Any, where: Where) -> tuple[str, str]:
    """A part of the song, from one time to another: "0:48-1:12" or "9:1-17:1"."""
    found = read_span(is_line(value, where))
    if found is None:
        where.fail(f"{shown(value)} is not a passage; write two times, as 0:48-1:12; {HOW}")
    return found


def is_file(value: Any, where: Where) -> Path:
    """A file inside the song's folder, as an absolute path."""
    text = is_line(value, where)
    try:
        path = safe_child_path(where.folder, text)
    except InputError as error:
        where.fail(str(error))
    said = missing_as(path)
    if said:
        fix = "check the name (it counts from the song file)" if "exist" in said else "name a file"
        where.fail(f"{shown(text)} {said}; {fix}")
    return path


def is_guide(value: Any, where: Where) -> Path:
    """The path of a rough guide to the melody, which must be there and read as CSV or MIDI."""
    path = is_file(value, where)
    check_guide(path, where, text=shown(value))
    return path


def check_guide(path: Path, where: Where, *, text: str) -> None:
    """Refuse a guide that its name tells to be neither notes nor sound."""
    if path.suffix.lower() not in (*GUIDE_SUFFIXES, *AUDIO_SUFFIXES):
        where.fail(
            f"{text} must be a CSV (start_s,end_s,pitch), a MIDI file, for a song with stems a "
            ".musicxml score, for a mix a recording of the melody alone, hummed or played"
        )


_CORRECTION_FORMS = re.compile(
    rf"pitch [A-G](bb?|##?)?-?\d|degree [b#]{{0,2}}[1-7]|octave (up|down)|split|merge next"
    rf"|start {SECONDS}|end {SECONDS}|ending here|not an ending|drop"
    rf"|add [A-G](bb?|##?)?-?\d to {SECONDS}|no voice to {SECONDS}"
)


def is_correction(value: Any, where: Where) -> str:
    """What a hand correction sets, spaces made single."""
    words = " ".join(value.split()) if isinstance(value, str) else ""
    if not _CORRECTION_FORMS.fullmatch(words):
        where.fail(
            f"{shown(value)} is not a correction; use pitch F4, degree 2, octave up, octave "
            "down, split, merge next, start 12.5, end 12.5, ending here, not an ending, drop, "
            "add F4 to 13.1 or no voice to 24.5"
        )
    return words
