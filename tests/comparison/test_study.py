"""A study of many songs: one row a phrase, shares with honest intervals, picture, page, files."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retune.comparison.exports.phrase_files import phrases_csv, phrases_parquet
from retune.comparison.phrase_table import columns_of, position_of
from retune.comparison.shares import degree_rows, share_of
from retune.comparison.statistics import clopper_pearson
from retune.comparison.study_page import by_position, study_page
from retune.comparison.study_picture import shares_svg


def row(song: str, phrase: int, phrases: int, degree: str | None, ending: str | None) -> Any:
    return {
        "song": song, "phrase": phrase, "phrases": phrases, "degree": degree, "ending": ending,
        "position": position_of(phrase, phrases), "chord": "=1+1", "start_s": 0.25 * phrase,
    }  # fmt: skip


ROWS = [
    row("a", 1, 3, "2", "open"),
    row("a", 2, 3, "5", "partly at rest"),
    row("a", 3, 3, "1", "at rest"),
    row("b", 1, 2, "2", "open") | {"home.degree": "1", "home.ending": "at rest"},
    row("b", 2, 2, "1", "partly at rest") | {"home.degree": "1", "home.ending": "at rest"},
]


def test_one_song_has_clopper_and_pearsons_interval() -> None:
    found = share_of([(7, 20)])
    assert (found.low, found.high) == pytest.approx(clopper_pearson(7, 20), abs=1e-9)


def test_songs_that_agree_within_count_as_one_phrase_each() -> None:
    """Ten songs of ten like phrases: by Korn and Graubard n is m - 1, then narrowed by t."""
    from scipy.stats import beta, t

    found = share_of([(10, 10)] * 4 + [(0, 10)] * 6)
    n = 9 * (t.ppf(0.975, 99) / t.ppf(0.975, 9)) ** 2
    assert found.low == pytest.approx(beta.ppf(0.025, 0.4 * n, 0.6 * n + 1))
    assert found.high == pytest.approx(beta.ppf(0.975, 0.4 * n + 1, 0.6 * n))
    assert found.high - found.low > 2 * (clopper_pearson(40, 100)[1] - clopper_pearson(40, 100)[0])


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(0, 9)), max_size=12))
def test_a_share_lies_in_its_interval(pairs: list[tuple[int, int]]) -> None:
    found = share_of([(k, k + other) for k, other in pairs])
    assert 0 <= found.low <= found.high <= 1
    if found.n:
        assert found.low <= found.share <= found.high
        low, high = clopper_pearson(found.k, found.n)
        assert found.low <= low + 1e-9 and high - 1e-9 <= found.high  # noqa: PT018


def test_degrees_are_counted_by_state_and_a_variant_by_its_own_columns() -> None:
    found = {r.degree: r for r in degree_rows(ROWS)}
    assert list(found) == ["1", "2", "5"]
    assert found["1"].states == {"at rest": 1, "partly at rest": 1, "open": 0, "not known": 0}
    assert (found["2"].share.k, found["2"].share.n, found["2"].share.songs) == (2, 5, 2)
    (home,) = degree_rows(ROWS[3:], variant="home")
    assert (home.degree, home.states["at rest"]) == ("1", 2)


def test_positions_partition_the_phrases() -> None:
    groups = dict(by_position(ROWS))
    counts = {title: sum(r.share.k for r in rows) for title, rows in groups.items()}
    assert counts == {"all phrases": 5, "first phrases": 2, "inner phrases": 1, "last phrases": 2}


def test_picture_says_its_numbers_and_page_escapes_what_it_shows() -> None:
    svg = shares_svg(by_position(ROWS))
    assert "degree 1: 2 of 5, 40 %" in svg
    page = study_page([*ROWS, row("<b>", 1, 1, None, None)], ["home"], title="x")
    assert "<b></td>" not in page
    assert "&lt;b&gt;" in page
    assert page.count("<svg") == 4  # each for wide and for narrow screens


def test_csv_and_parquet_hold_the_same_table_with_types() -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    lines = list(csv.reader(io.StringIO(phrases_csv(ROWS, ["home"]))))
    table = parquet.read_table(io.BytesIO(phrases_parquet(ROWS, ["home"], about="two songs")))
    assert tuple(lines[0]) == tuple(table.column_names) == columns_of(["home"])
    assert table.column("phrase").to_pylist() == [1, 2, 3, 1, 2]
    assert table.column("start_s").to_pylist()[0] == 0.25
    assert table.column("home.degree").to_pylist() == [None, None, None, "1", "1"]
    assert lines[1][lines[0].index("chord")] == "'=1+1"
    assert table.schema.metadata[b"about"] == b"two songs"


def test_a_study_renders_nothing_and_counts_a_phrase_once(tmp_path: Path) -> None:
    from retune.faces.cli import main
    from retune.pipeline.demo import demo_folder

    broken = tmp_path / "broken.toml"
    broken.write_text("format = 1\n", encoding="utf-8")
    songs = [str(demo_folder() / "song.toml"), str(broken)]
    assert main(["batch", *songs, "--report", str(tmp_path / "study"), "--quiet"]) == 1
    assert sorted(path.name for path in (tmp_path / "study").iterdir() if path.suffix) == [
        "endings.svg", "index.html", "phrases.csv",
    ]  # fmt: skip
    with open(tmp_path / "study/phrases.csv", encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    with open(demo_folder() / "truth_phrases.csv", encoding="utf-8", newline="") as stream:
        truth = list(csv.DictReader(stream))
    assert [r["degree"] for r in rows] == [r["ending_degree"] for r in truth]
    assert [r["ending"] for r in rows] == [r["ending"] for r in truth]
    assert [r["home-early.degree"] for r in rows] == ["5", "1", "3", "1", "4", "1"]
    assert [r["harmony-alone.degree"] for r in rows] == [r["degree"] for r in rows]
