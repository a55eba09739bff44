"""`retune batch --report DIR`: an index page of all results, and a table of phrase endings fit
for statistics (one row per song, variant and phrase)."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import cast
from urllib.parse import quote

from retune.carriers.text import counted
from retune.comparison.index_page import IndexRow, index_page
from retune.faces.batch_tally import Tally
from retune.pipeline.jobs import ENDINGS, PICTURE
from retune.pipeline.manifest import kept_json
from retune.pipeline.records import EndingRow, Record
from retune.pipeline.rendition_files import ORIGINAL
from retune.song.csvtext import table_lines
from retune.sound.folders import make_folder, named_folder
from retune.sound.made_files import made_file, refuse_other_file

COLUMNS = (
    *("song", "variant", "phrase", "at_s", "note", "key", "degree", "chord", "chord_role"),
    *("ending", "ending_melodic", "moved", "to_degree", "to_chord_role"),
)
_SHOWN = {"phrase", "degree", "to_degree", "ending"}


_HEAD = f"{COLUMNS[0]},{COLUMNS[1]},"


def check_report(report: Path) -> None:
    """Refuse, before anything is worked on, a folder that holds such files of somebody else's."""
    place = named_folder(report)
    refuse_other_file(place / "index.html")
    refuse_other_file(place / "endings.csv", head=_HEAD)


def write_report(tally: Tally, *, out: Path, report: Path) -> Path:
    """Write `index.html` and `endings.csv` into `report`; returns the page."""
    place = named_folder(report)
    make_folder(place)
    states = Counter(row["state"] for row in _rows(tally))
    told = f"{counted(states.total(), 'rendition')}, {states['failed']} failed."
    lines = (_index_row(row, out, report) for row in _rows(tally))
    with made_file(place / "index.html", "w") as stream:
        stream.writelines(index_page(lines, title="Renditions", told=told))
    cells = (
        [row["song"], row["variant"], *(line.get(name) for name in COLUMNS[2:])]
        for row in _rows(tally)
        for line in _endings(out, row)
    )
    with made_file(place / "endings.csv", "w", head=_HEAD) as stream:
        stream.writelines(table_lines(COLUMNS, cells))
    return report / "index.html"


def _rows(tally: Tally) -> Iterator[Record]:
    return (row for row in tally.in_order() if row["variant"] != ORIGINAL)


def _endings(out: Path, record: Record) -> list[EndingRow]:
    """What a job wrote of its phrase endings; nothing for a failed one."""
    lines = kept_json(out / record["song"] / record["variant"] / ENDINGS)
    rows = lines if isinstance(lines, list) else []
    whole = (line for line in rows if isinstance(line, dict) and set(line) >= _SHOWN)
    return [cast(EndingRow, line) for line in whole]


def _index_row(record: Record, out: Path, report: Path) -> IndexRow:
    home = out / record["song"] / record["variant"]

    def href(path: Path) -> str:
        if not path.is_file():
            return ""
        return quote(Path(os.path.relpath(path, report)).as_posix())

    return IndexRow(
        song=record["song"],
        variant=record["variant"],
        state=record["state"],
        original_href=href(home.parent / ORIGINAL / "mix.wav"),
        mix_href=href(home / "mix.wav"),
        picture_href=href(home / PICTURE),
        endings=tuple(
            (
                line["phrase"],
                line["degree"] or "?",
                line["to_degree"] or "",
                line["ending"] or "",
                line.get("to_ending") or "",
            )
            for line in _endings(out, record)
        ),
        warnings=tuple(record.get("warnings") or ()),
        error=record.get("error") or "",
    )
