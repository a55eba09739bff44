"""Chord charts and .lab files placed in time; every error names the bar or the line."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retune.carriers.errors import ChordError
from retune.carriers.heard import Bars, Chord, Key
from retune.song.chart import chart_bars, chart_cells, check_chart, merged, read_chart, read_lab

BB_MAJOR = Key("Bb", "major")
Placed = list[tuple[str, float, float]]


def even_bars(n: int, meter: tuple[int, int] = (3, 4)) -> Bars:
    """Bars of two seconds from zero."""
    return Bars(tuple(2.0 * k for k in range(n + 1)), meter, 90.0)


def placed(text: str, bars: Bars, key: Key | None = BB_MAJOR) -> Placed:
    return spans(read_chart(text, bars=bars, key_at=lambda _: key))


def spans(chords: tuple[Chord, ...]) -> Placed:
    return [(c.label, round(c.start_s, 6), round(c.end_s, 6)) for c in chords]


def test_one_cell_a_bar() -> None:
    found = placed("Bb | Gm | Eb . F7 | Bb", even_bars(4))
    assert found == [
        ("Bb:maj", 0, 2),
        ("G:min", 2, 4),
        ("Eb:maj", 4, 5.333333),
        ("F:7", 5.333333, 6),
        ("Bb:maj", 6, 8),
    ]


def test_bars_of_uneven_length_are_divided_each_for_itself() -> None:
    bars = Bars((1.0, 2.0, 5.0), (4, 4), 90.0)
    assert placed("Bb F | Eb F . .", bars) == [
        ("Bb:maj", 1, 1.5),
        ("F:maj", 1.5, 2),
        ("Eb:maj", 2, 2.75),
        ("F:maj", 2.75, 5),
    ]


def test_compound_meter_counts_dotted_beats() -> None:
    assert placed("Bb F", even_bars(1, (6, 8))) == [("Bb:maj", 0, 1), ("F:maj", 1, 2)]
    with pytest.raises(ChordError, match=r"3 entries for 2 beats \(dotted quarters\)"):
        placed("Bb F Bb", even_bars(1, (6, 8)))


def test_a_dash_repeats_the_bar_before() -> None:
    assert placed("Bb . F | - | -", even_bars(3)) == [
        ("Bb:maj", 0, 1.333333),
        ("F:maj", 1.333333, 2),
        ("Bb:maj", 2, 3.333333),
        ("F:maj", 3.333333, 4),
        ("Bb:maj", 4, 5.333333),
        ("F:maj", 5.333333, 6),
    ]


def test_a_dot_holds_over_the_barline() -> None:
    assert placed("Bb | . . F", even_bars(2)) == [("Bb:maj", 0, 3.333333), ("F:maj", 3.333333, 4)]


def test_a_beat_may_have_as_many_entries_as_the_others() -> None:
    assert placed("Bb F Gm Eb . F", even_bars(1)) == [
        ("Bb:maj", 0, 0.333333),
        ("F:maj", 0.333333, 0.666667),
        ("G:min", 0.666667, 1),
        ("Eb:maj", 1, 1.666667),
        ("F:maj", 1.666667, 2),
    ]
    with pytest.raises(ChordError, match="has 15 entries for 3 beats"):
        placed("Bb F Gm " * 5, even_bars(1))


def test_a_pickup_has_a_chord_a_beat_before_bar_1() -> None:
    bars = Bars((2.0, 4.0, 6.0), (4, 4), 120.0)
    assert chart_cells("pickup F7 . | Bb | -") == ["Bb", "-"]
    assert placed("pickup Cm F7 | Bb | .", bars) == [
        ("C:min", 1, 1.5),
        ("F:7", 1.5, 2),
        ("Bb:maj", 2, 6),
    ]
    assert placed("Pickup Bb | . | F", bars) == [("Bb:maj", 1.5, 4), ("F:maj", 4, 6)]


def test_what_of_a_pickup_lies_before_the_song_is_cut() -> None:
    bars = Bars((0.75, 2.75), (4, 4), 120.0)
    assert placed("pickup Gm Cm F7 | Bb", bars) == [
        ("C:min", 0, 0.25),
        ("F:7", 0.25, 0.75),
        ("Bb:maj", 0.75, 2.75),
    ]
    with pytest.raises(ChordError, match=r"pickup .* 5 entries, more than the 4 beats"):
        placed("pickup F F F F F | Bb", bars)


def test_silence_is_kept() -> None:
    assert placed("Bb | N.C. | Bb", even_bars(3)) == [
        ("Bb:maj", 0, 2),
        ("N", 2, 4),
        ("Bb:maj", 4, 6),
    ]


@pytest.mark.parametrize(
    ("text", "cells"),
    [
        ("| Bb | F |", "Bb F"),
        ("Bb || F ||", "Bb F"),
        ("Bb | F\nGm | C", "Bb F Gm C"),
        ("| Bb | F |\n| Gm | C |\n", "Bb F Gm C"),
        ("|: Bb | F :|", "Bb F Bb F"),
        ("|: Bb | F :| x3 Gm", "Bb F Bb F Bb F Gm"),
        ("|: Bb | F :| X3 | Gm", "Bb F Bb F Bb F Gm"),
        ("|: Bb | F :|: Gm :|", "Bb F Bb F Gm Gm"),
        ("|: Bb | F :||: Gm :|", "Bb F Bb F Gm Gm"),
        ("Eb ||: Bb :|", "Eb Bb Bb"),
        ("Bb :| F :|", "Bb Bb F F"),
        ("Eb |\n|: Bb | F :|\n| Gm", "Eb Bb F Bb F Gm"),
        ("Bb:maj | F:7 |", "Bb:maj F:7"),
        ("", ""),
        ("|", ""),
    ],
)
def test_cells(text: str, cells: str) -> None:
    assert chart_cells(text) == cells.split()
    assert chart_bars(text) == len(cells.split())


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("Bb F | C", r'bar 1 \("Bb F"\).*do not divide 3 beats.*"Bb F \."'),
        ("Bb | F C Gm Eb", r'bar 2 \("F C Gm Eb"\) has 4 entries for 3 beats'),
        ("Bb | F | H7", r'bar 3 \("H7"\).*did you mean "B7"'),
        ("Bb | | F", "bar 2 is empty"),
        ("- | F", r'bar 1 \("-"\).*there is none'),
        ("Bb | F -", r'bar 2 \("F -"\).*repeats a whole bar'),
        ("Bb | %", r'bar 2 \("%"\): "%" is not read; write "-"'),
        ("Bb / /", r'bar 1 .*"/" is not read; hold a beat with "\."'),
        (". . Bb", r"bar 1 .*there is none"),
        ("|: Bb | F", "repeat from bar 1 is not closed"),
        ("Bb |: F |: Gm :|", "bar 3: .*inside another repeat"),
        (":| Bb", "bar 1: .*no bar before it"),
        ("Bb :| x0", "1 to 64 times"),
        ("Bb :| x65", "1 to 64 times"),
        ("|: Bb :| x64 " * 200, "more than 10000 bars"),
        ("Bb | F | Gm | Eb | Bb | Cmajj7", r'bar 6 \("Cmajj7"\)'),
    ],
)
def test_errors_name_the_bar(text: str, says: str) -> None:
    with pytest.raises(ChordError, match=says):
        placed(text, even_bars(3))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("Bb | Xx", r'bar 2 \("Xx"\): "Xx" is not a chord.*\(line 1, column 6 of the chart\)'),
        ("\n  Bb | F\n  Gm | C H7\n", r'bar 4 \("C H7"\).*\(line 3, column 10 of the chart\)'),
        ("|: Bb | F :| x2 H7", r'bar 5 \("H7"\).*\(line 1, column 17 of the chart\)'),
        ("pickup Bb Hm | F", r'pickup \("Bb Hm"\).*\(line 1, column 11 of the chart\)'),
        ("Bb | . % | F", r'bar 2 .*"%" is not read.*\(line 1, column 8 of the chart\)'),
        ("Bb | F | VIII", r'bar 3 \("VIII"\).*column 10'),
        (". | F", r"bar 1 .*there is none \(line 1, column 1 of"),
        ("Bb | | F", "bar 2 is empty"),
    ],
)
def test_a_chart_is_refused_where_no_bar_is_known(text: str, says: str) -> None:
    with pytest.raises(ChordError, match=says):
        check_chart(text)


def test_how_many_entries_fill_a_bar_is_asked_where_the_meter_is_known() -> None:
    for text in ("Bb F C | . | V7 I | N.C.", "pickup F F | Bb | . . F", ""):
        check_chart(text)
    with pytest.raises(ChordError, match="3 entries do not divide 4 beats"):
        check_chart("Bb F C", bars=Bars((), (4, 4), 0.0))
    check_chart("Bb F C", bars=Bars((), (3, 4), 0.0))


def test_a_chart_of_other_length_than_the_song() -> None:
    assert placed("Bb", even_bars(3)) == [("Bb:maj", 0, 2)]
    assert placed("Bb | F | Gm", even_bars(1)) == [("Bb:maj", 0, 2)]
    assert placed("Bb | F", Bars((), (3, 4), 90.0)) == []


def test_numerals_are_read_in_the_key_of_their_bar() -> None:
    keys = {True: BB_MAJOR, False: Key("G", "major")}
    chords = read_chart("I | V7 | -", bars=even_bars(3), key_at=lambda s: keys[s < 4])
    assert spans(chords) == [("Bb:maj", 0, 2), ("F:7", 2, 4), ("D:7", 4, 6)]
    assert [chord.roman for chord in chords] == ["I", "V7", "V7"]
    with pytest.raises(ChordError, match=r"bar 1 .*needs a key"):
        placed("I", even_bars(1), None)


@given(st.lists(st.sampled_from(["Bb", "F7/A", "N.C.", "-", "Eb . F", "Gm Cm F"]), min_size=1))
def test_chords_fill_the_bars_without_gap(cells: list[str]) -> None:
    cells = ["Bb", *cells]
    chords = read_chart(" | ".join(cells), bars=even_bars(len(cells)), key_at=lambda _: None)
    assert chords[0].start_s == 0.0
    assert chords[-1].end_s == pytest.approx(2.0 * len(cells))
    for one, next_one in itertools.pairwise(chords):
        assert one.end_s == pytest.approx(next_one.start_s)
        assert one.label != next_one.label


def test_lab_files_are_read(tmp_path: Path) -> None:
    path = tmp_path / "song.lab"
    path.write_text("0.0 2.0 Bb:maj\n\n2.0\t4.5\tF:7/3\n5.0 6.0 N\n", encoding="utf-8")
    chords = read_lab(path, lambda _: BB_MAJOR)
    assert spans(chords) == [("Bb:maj", 0, 2), ("F:7/3", 2, 4.5), ("N", 5, 6)]
    assert [chord.roman for chord in chords] == ["I", "V65", ""]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("0 2 Bb:maj\n2 Bb\n", "song.lab, line 2: .*start end label"),
        ("0 2 Bb:maj\n1.5 3 F:7\n", "song.lab, line 2: begins before"),
        ("0 2 Bb:maj\n4 3 F:7\n", "song.lab, line 2: 4 to 3 s is no span"),
        ("0 nan Bb:maj\n", "song.lab, line 1: 0 to nan s is no span"),
        ("0 inf Bb:maj\n", "song.lab, line 1: 0 to inf s is no span"),
        ("0 2 C:m7b5\n", 'song.lab, line 1: .*did you mean "C:hdim7"'),
    ],
)
def test_lab_errors_name_the_line(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "song.lab"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ChordError, match=says):
        read_lab(path, lambda _: BB_MAJOR)


def test_a_lab_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ChordError, match=r"gone\.lab"):
        read_lab(tmp_path / "gone.lab", lambda _: None)
    (tmp_path / "binary.lab").write_bytes(b"\xff\xfe\x00\x81")
    with pytest.raises(ChordError, match=r"binary\.lab"):
        read_lab(tmp_path / "binary.lab", lambda _: None)


def test_only_chords_that_touch_are_one() -> None:
    first, second = read_chart("Bb | Bb", bars=even_bars(2), key_at=lambda _: BB_MAJOR)[:1] * 2
    later = replace(second, start_s=first.end_s + 0.5, end_s=first.end_s + 1.0)
    assert merged([first, later]) == (first, later)
    touching = replace(later, start_s=first.end_s)
    assert merged([first, touching]) == (replace(first, end_s=touching.end_s),)
