"""The table of phrases as files: CSV for a spreadsheet, Parquet with its types for a script."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from typing import Any

from retune.comparison.exports.material import Material, need, provenance, software
from retune.comparison.phrase_table import columns_of, phrase_rows
from retune.song.csvtext import table

_WHOLE = ("phrase", "phrases", "bar")
_REAL = ("start_s", "end_s", "ending_s", "certainty")


def phrases_csv(rows: Sequence[Mapping[str, Any]], variants: Sequence[str]) -> str:
    """The table as CSV text."""
    columns = columns_of(variants)
    return table(columns, ([row.get(name) for name in columns] for row in rows))


def phrases_parquet(
    rows: Sequence[Mapping[str, Any]], variants: Sequence[str], *, about: str = ""
) -> bytes:
    """The table as an Apache Parquet file: int32, float64 and UTF-8 columns, null where unknown;
    `about` stands in its metadata.

    Raises
    ------
    UsageError
        The package pyarrow is not installed.
    """
    pa = need("pyarrow", extra="corpus")
    parquet = need("pyarrow.parquet", extra="corpus")
    types = {**dict.fromkeys(_WHOLE, pa.int32()), **dict.fromkeys(_REAL, pa.float64())}
    schema = pa.schema(
        [(name, types.get(name, pa.string())) for name in columns_of(variants)],
        metadata={"software": software(), "about": about},
    )
    out = io.BytesIO()
    parquet.write_table(pa.Table.from_pylist(list(map(dict, rows)), schema=schema), out)
    return out.getvalue()


def song_parquet(material: Material) -> bytes:
    """The phrases of one song, as sung and in its variants."""
    names = [plan.name for plan in material.plans]
    rows = phrase_rows(material.analysis, material.plans, song=material.title)
    return phrases_parquet(rows, names, about=provenance(material, None, *material.plans))
