"""Answers of a listening test as CSV.

One header line, then a line an answer, UTF-8, commas, fields with a comma in double quotes:

    listener,sheet,trial,kind,passage,first,second,answer
    anna,1,2,pair,phrase 2,original,home-early,second

- `kind`: practice (never counted), pair, identical, rating, hands, or abx.
- `first`, `second`: the versions in the order heard; `second` is empty in a rating.
- `answer`: "first" or "second"; in a rating a whole number from 1 to 7; with hands
  "first:12 second:9", a teacher's count, which is shown and never tested.

- A test of which of A and B is X has the columns `a`, `b` and `x` instead of `first` and `second`,
  and the answers "right" and "wrong".

Columns may stand in any order; others are left alone.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass

from retune.carriers.errors import InputError
from retune.song.limits import MAX_ANSWERS, MAX_LISTENERS, check_count

COLUMNS = ("listener", "sheet", "trial", "kind", "passage", "first", "second", "answer")
NAMING_COLUMNS = ("listener", "sheet", "trial", "kind", "passage", "a", "b", "x", "answer")
KINDS = ("practice", "pair", "identical", "rating", "hands", "abx")
_HANDS = re.compile(r"first:(\d{1,6}) second:(\d{1,6})")


@dataclass(frozen=True)
class Response:
    """One answer. `rating` is set in ratings, `hands` in counts of hands, `chosen` (a version)
    in pairs, `answer` always as written."""

    listener: str
    sheet: str
    trial: int
    kind: str
    passage: str
    first: str
    second: str
    answer: str

    @property
    def key(self) -> tuple[str, str, int]:
        """Listener, sheet and trial: what is answered once."""
        return self.listener, self.sheet, self.trial

    @property
    def chosen(self) -> str | None:
        return {"first": self.first, "second": self.second}.get(self.answer)

    @property
    def rating(self) -> int | None:
        return int(self.answer) if self.kind == "rating" else None

    @property
    def hands(self) -> tuple[int, int] | None:
        found = _HANDS.fullmatch(self.answer) if self.kind == "hands" else None
        return (int(found[1]), int(found[2])) if found else None


def parse_responses(text: str, *, name: str) -> tuple[Response, ...]:
    """All answers of the text of a CSV file; `name` stands in error messages."""
    reader = csv.DictReader(io.StringIO(text, newline=""), strict=True)
    try:
        header = [column.strip() for column in reader.fieldnames or ()]
        columns = NAMING_COLUMNS if "x" in header else COLUMNS
        missing = [column for column in columns if column not in header]
        if missing:
            raise InputError(
                f'{name}: line 1: no column "{missing[0]}"; the header is {",".join(columns)}'
            )
        reader.fieldnames = header
        found = [
            (reader.line_num, _response(row, f"{name}: line {reader.line_num}")) for row in reader
        ]
    except csv.Error as error:
        raise InputError(
            f"{name}: line {reader.line_num}: does not read as CSV ({error}); mend the line: is a "
            "quote left open?"
        ) from error
    if not found:
        raise InputError(f"{name}: no answers below the header")
    check_count(len(found), MAX_ANSWERS, "answers", where=name)
    listeners = {response.listener for _, response in found}
    check_count(len(listeners), MAX_LISTENERS, "listeners", where=name)
    _check_twice(found, name)
    return tuple(response for _, response in found)


def _response(row: dict[str, str | None], where: str) -> Response:
    # DictReader keeps surplus fields under None and fills missing ones with None.
    if None in row or None in row.values():
        raise InputError(
            f"{where}: not as many fields as the header has; put text with a comma in double quotes"
        )
    if "x" in row:
        row = _of_naming(row, where)
    values = {column: (row.get(column) or "").strip() for column in COLUMNS}
    for column in ("listener", "kind", "first", "answer"):
        if not values[column]:
            raise InputError(f'{where}: "{column}" is empty')
    if values["kind"] not in KINDS:
        raise InputError(f'{where}: kind "{values["kind"]}"; give one of {", ".join(KINDS)}')
    if not re.fullmatch(r"\d{1,6}", values["trial"]):
        raise InputError(f'{where}: trial "{values["trial"]}"; give a whole number from 1')
    # Of the words that are not free, `kind` is checked above and the rest in `_check_answer`.
    response = Response(**{**values, "trial": int(values["trial"])})  # type: ignore[arg-type]
    _check_answer(response, where)
    return response


def _of_naming(row: dict[str, str | None], where: str) -> dict[str, str | None]:
    """A row about which of A and B is X as one with what was heard (X) and the other version."""
    a, b, x = ((row.get(column) or "").strip() for column in ("a", "b", "x"))
    if x not in (a, b) or a == b:
        raise InputError(f'{where}: x is "{x}"; it is one of a and b, which are two versions')
    is_asked = (row.get("kind") or "").strip() == "abx"
    return {**row, "first": x, "second": (b if x == a else a) if is_asked else ""}


def _check_answer(response: Response, where: str) -> None:
    kind, answer = response.kind, response.answer
    said = answer[:40]
    if kind == "rating":
        if answer not in tuple("1234567"):
            raise InputError(f'{where}: answer "{said}"; a rating is a whole number from 1 to 7')
    elif kind == "hands":
        if response.hands is None:
            raise InputError(f'{where}: answer "{said}"; write a count as first:12 second:9')
    elif kind == "abx":
        if answer not in ("right", "wrong"):
            raise InputError(f'{where}: answer "{said}"; give right or wrong')
    elif response.second and answer not in ("first", "second"):
        raise InputError(f'{where}: answer "{said}"; give first or second')
    if kind in ("pair", "identical", "hands") and not response.second:
        raise InputError(f'{where}: "second" is empty; a {kind} needs both versions')
    if kind == "identical" and response.first != response.second:
        raise InputError(
            f'{where}: an identical pair of "{response.first}" and "{response.second}"'
        )
    if kind == "pair" and response.first == response.second:
        raise InputError(f'{where}: a pair of "{response.first}" with itself is kind identical')


def _check_twice(responses: list[tuple[int, Response]], name: str) -> None:
    seen: set[tuple[str, str, int]] = set()
    for line, response in responses:
        if response.key in seen:
            raise InputError(
                f"{name}: line {line}: {response.listener}, sheet {response.sheet or '-'}, trial "
                f"{response.trial} is answered twice; remove one"
            )
        seen.add(response.key)
