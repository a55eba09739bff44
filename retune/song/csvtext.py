"""Every CSV table that is written: UTF-8, commas, a header line.

Text that a spreadsheet would take for a formula gets a leading apostrophe (CWE-1236; the signs
are those of the OWASP page on CSV injection, full-width ones included, from memory). Numbers are
plain, negative ones too, and never NaN; unknown is an empty cell.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Iterator, Sequence
from itertools import chain
from typing import Any

_FORMULA = (*"=+-@\t\r\n", *"＝＋－＠")


def table(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """CSV text of rows below a header."""
    return "".join(table_lines(columns, rows))


def table_lines(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> Iterator[str]:
    """The same a line at a time, each made when it is asked for."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    for row in chain([columns], ([cell(value) for value in row] for row in rows)):
        writer.writerow(row)
        yield text.getvalue()
        text.seek(0)
        text.truncate()


def first_line(text: str) -> str:
    """The header of a table, its line end with it."""
    return text.split("\n", 1)[0] + "\n"


def cell(value: Any) -> Any:
    """A value for a table: empty for unknown, rounded numbers, no formula.

    >>> cell(-1.5), cell("-1.5"), cell("=1+1"), cell(None), cell(True)
    ('-1.5', "'-1.5", "'=1+1", '', 'yes')
    """
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6f}".rstrip("0").rstrip(".")
    if isinstance(value, str) and value.startswith(_FORMULA):
        return "'" + value
    return value
