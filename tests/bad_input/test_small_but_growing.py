"""What a few lines of a song file can ask for grows no faster than the lines."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retune.analysis.corrections import Draft, apply_corrections
from retune.carriers.barlines import Bars
from retune.carriers.errors import ChordError, SongFileError
from retune.carriers.songfacts import Correction
from retune.comparison import picture_style
from retune.comparison.picture_style import n_fitting, text_width
from retune.song.chart import check_chart
from retune.song.songfile import parse_song
from retune.song.timetext import read_place

HUGE = "9" * 5000


@pytest.mark.parametrize(
    ("chart", "said"),
    [
        (" ".join(["|: " + " ".join(["Bb"] * 64) + " :| x64"] * 100), "more than 20000 entries"),
        (f"|: Bb :| x{HUGE}", "plays 1 to 64 times"),
    ],
)
def test_a_short_chart_makes_no_endless_song(chart: str, said: str) -> None:
    with pytest.raises(ChordError, match=said):
        check_chart(chart, bars=Bars((), (16, 16), 0.0))


def test_a_repeat_may_be_written_with_noughts_before_it() -> None:
    check_chart("|: Bb :| x0002", bars=Bars((), (3, 4), 0.0))


@pytest.mark.parametrize("way", ["octave up", "octave down"])
def test_octaves_said_again_and_again_stay_among_the_named_pitches(way: str) -> None:
    rows = [Correction("vocal", 0.5, way)] * 500
    (note,), told = apply_corrections([Draft(0.0, 1.0, 60.4)], rows, stem="vocal")
    assert 0 <= round(note.midi) <= 127
    assert "C-1 to G9" in told[-1]


def test_words_without_room_are_measured_once_each(monkeypatch: pytest.MonkeyPatch) -> None:
    measured = []

    def counting(text: str, size: float) -> float:
        measured.append(len(text))
        return text_width(text, size)

    monkeypatch.setattr(picture_style, "text_width", counting)
    words = ["la"] * 5000
    count = n_fitting(words, 200.0, 14.0)
    assert sum(measured) < 4 * 5000
    assert text_width(" ".join(words[:count]), 14.0) <= 200.0
    assert text_width(" ".join(words[: count + 1]), 14.0) > 200.0


@given(st.lists(st.sampled_from(["la", "lantern", "\u4e00", "I"])), st.floats(0.0, 400.0))
def test_as_many_words_as_there_is_room_for(words: list[str], room: float) -> None:
    fits = [k for k in range(1, len(words) + 1) if text_width(" ".join(words[:k]), 14.0) <= room]
    assert abs(n_fitting(words, room, 14.0) - len(fits)) <= 1
    assert n_fitting(words, 10_000.0, 14.0) == len(words)


def test_a_title_fits_on_a_page() -> None:
    text = f'format = 1\ntitle = "{"W" * 1001}"\n[stems.vocal]\nfile = "v.wav"\nrole = "melody"\n'
    with pytest.raises(SongFileError, match="longer than 1000 characters"):
        parse_song(text, path=Path("song.toml"))


@pytest.mark.parametrize("text", [f"{HUGE}:1", f"{HUGE}:10"])
def test_a_bar_of_thousands_of_digits_is_no_place(text: str) -> None:
    assert read_place(text) is None
