"""TOML text read with care: a bad file is refused in words, every key knows its line."""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from difflib import SequenceMatcher
from pathlib import Path
from typing import Any

from retune.carriers.errors import SongFileError
from retune.song.limits import check_toml

_MAX_ELEMENTS = 10_000  # elements of an array that get a line of their own
KeyPath = tuple[str | int, ...]
_QUOTED = r'"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\''
_HEADER = re.compile(rf"[ \t]*(\[\[?)((?:{_QUOTED}|[^\]\"'\n])*)\]+")
_KEY = re.compile(rf"[ \t]*((?:{_QUOTED}|[\w .\t-])+)=")
_TOKEN = re.compile(
    r'"""(?:[^"\\]+|\\.|"{1,2}(?!"))*"{3,5}|'  # may end in up to two quotes of its own
    r"'''(?:[^']+|'{1,2}(?!'))*'{3,5}|"
    rf"{_QUOTED}|#[^\n]*|[\[\]{{}},\n]",
    re.DOTALL,
)
_BLANK = re.compile(r"(?:\s+|#[^\n]*)*")


def parse_toml(text: str, *, path: Path) -> dict[str, Any]:
    """The tables of TOML 1.0 text. Raises SongFileError with the line that does not read."""
    check_toml(text, path=path, error=SongFileError)
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, ValueError) as error:
        place = re.search(r"\(at line (\d+), column (\d+)\)", str(error))
        line = f", line {place[1]}" if place else ""
        said = re.sub(r" ?\(at .*\)$", "", str(error))
        is_cut = str(error).endswith("(at end of document)")
        hint = "; the file ends too early: is it cut off?" if is_cut else _toml_hint(said)
        raise SongFileError(f"{path}{line}: not valid TOML: {said}{hint}") from error
    except RecursionError as error:
        raise SongFileError(f"{path}: not valid TOML: nested too deeply") from error


def _toml_hint(said: str) -> str:
    """What to do about the commonest slips."""
    if said == "Invalid value":
        return "; put text in quotes, and write decimals with a point"
    if said == "Cannot overwrite a value":
        return "; the key stands there twice, keep one"
    return ""


def key_lines(text: str) -> dict[KeyPath, int]:
    """The line (from 1) of every table, key and array element in valid TOML `text`.

    Entries of an array of tables and elements of an array are numbered from 0; what stands
    inside an inline table is left to the line of its key.
    """
    lines: dict[KeyPath, int] = {}
    starts = [0, *(match.end() for match in re.finditer("\n", text))]
    counts: dict[KeyPath, int] = {}
    table: KeyPath = ()
    position = 0
    while (position := _next_item(text, position)) < len(text):
        line = bisect_right(starts, position)
        if header := _HEADER.match(text, position):
            table = _table_path(_key_parts(header[2]), counts, is_entry=header[1] == "[[")
            lines.setdefault(table, line)
            position = header.end()
        elif key := _KEY.match(text, position):
            path = (*table, *_key_parts(key[1]))
            for depth in range(len(table) + 1, len(path) + 1):
                lines.setdefault(path[:depth], line)
            elements, position = _scan_value(text, key.end())
            for index, at in enumerate(elements):
                lines[(*path, index)] = bisect_right(starts, at)
        else:
            break
    return lines


def without_table(text: str, path: KeyPath) -> str | None:
    """Valid TOML `text` without the table at `path`, its header line and what is in it, comments
    and blank lines below it left; None where it has no header of its own."""
    found = key_lines(text)
    rows = re.findall(r"[^\n]*\n|[^\n]+", text)
    first = found.get(path)
    if first is None or not _heads(rows[first - 1], path):
        return None
    own = {key for key in found if key[: len(path)] == path}
    after = [line for key, line in found.items() if key not in own and line > first]
    stop = min(after, default=len(rows) + 1) - 1
    while stop > first and (not rows[stop - 1].strip() or rows[stop - 1].lstrip()[:1] == "#"):
        stop -= 1
    return "".join([*rows[: first - 1], *rows[stop:]])


def _heads(row: str, path: KeyPath) -> bool:
    """Whether a line is the header of the table at `path`."""
    header = _HEADER.match(row)
    names = tuple(part for part in path if isinstance(part, str))
    return header is not None and _key_parts(header[2]) == names


def _next_item(text: str, position: int) -> int:
    """Where the next thing stands that is neither space nor comment."""
    match = _BLANK.match(text, position)
    return match.end() if match else position


def _key_parts(key: str) -> KeyPath:
    """The parts of a dotted key, quotes and escapes resolved."""
    parts: list[str | int] = []
    level = tomllib.loads(f"{key.strip()} = 0")
    while isinstance(level, dict):
        ((name, level),) = level.items()
        parts.append(name)
    return tuple(parts)


def _table_path(parts: KeyPath, counts: dict[KeyPath, int], *, is_entry: bool) -> KeyPath:
    """`parts` with the number of the current entry behind each array of tables."""
    path: KeyPath = ()
    for depth, part in enumerate(parts):
        path = (*path, part)
        if is_entry and depth == len(parts) - 1:
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path


def _scan_value(text: str, position: int) -> tuple[list[int], int]:
    """Where the elements of an array value begin, and where the value's last line ends."""
    elements: list[int] = []
    is_array = text[_next_item(text, position)] == "["
    depth = 0
    for token in _TOKEN.finditer(text, position):
        mark = token[0]
        if mark == "\n" and depth == 0:
            return elements, token.end()
        depth += {"[": 1, "{": 1, "]": -1, "}": -1}.get(mark, 0)
        if is_array and depth == 1 and mark in ("[", ","):
            at = _next_item(text, token.end())
            if text[at : at + 1] != "]" and len(elements) < _MAX_ELEMENTS:
                elements.append(at)
    return elements, len(text)


def comments_in(text: str) -> list[str]:
    """The comments in the text of a value, each from its "#" on."""
    return [token[0] for token in _TOKEN.finditer(text) if token[0].startswith("#")]


MOST_COMPARED = 4_000_000
"""Lines of one text times those of another that are compared one by one."""


def with_line_ends(text: str, like: str) -> str:
    """`text`, whose lines end in "\\n", with the line ends of the text it was made from: each line
    that is in both keeps its own, a new one has the commonest."""
    n_long = like.count("\r\n")
    n_short = like.count("\n") - n_long
    usual = "\r\n" if n_long > n_short else "\n"
    if not n_long or not n_short:
        return text.replace("\n", usual)
    old, new = like.split("\n"), text.split("\n")
    ends = [usual] * len(new)
    for here, there in _same_lines([line.removesuffix("\r") for line in old], new):
        if there < len(new) - 1 and here < len(old) - 1:
            ends[there] = "\r\n" if old[here].endswith("\r") else "\n"
    ends[-1] = ""
    return "".join(map(str.__add__, new, ends))


def _same_lines(old: Sequence[str], new: Sequence[str]) -> Iterator[tuple[int, int]]:
    """Pairs of places at which both have the same line, in order."""
    most = min(len(old), len(new))
    first = next((n for n in range(most) if old[n] != new[n]), most)
    last = next((n for n in range(most - first) if old[-1 - n] != new[-1 - n]), most - first)
    yield from ((n, n) for n in range(first))
    middle = old[first : len(old) - last], new[first : len(new) - last]
    if len(middle[0]) * len(middle[1]) <= MOST_COMPARED:
        for a, b, size in SequenceMatcher(None, *middle, autojunk=False).get_matching_blocks():
            yield from ((first + a + n, first + b + n) for n in range(size))
    yield from ((len(old) - n, len(new) - n) for n in range(last, 0, -1))
