"""A song with stems held against a score of its melody: what is heard otherwise, note by note."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from retune.carriers.errors import InputError
from retune.carriers.heard import Bars, Key
from retune.pipeline.score_check import MOST_TOLD, score_words
from retune.song.scorelyrics import read_score_notes

BEAT_S = 0.5
SUNG = (("Bb4", 70, 0), ("C5", 72, 2), ("D5", 74, 3), ("Eb5", 75, 4),
        ("D5", 74, 8), ("C5", 72, 10), ("Bb4", 70, 12))  # fmt: skip
NOTES = tuple(
    SimpleNamespace(name=name, midi_name=midi, bar=beat // 4 + 1, start_s=1 + BEAT_S * beat,
                    end_s=1.4 + BEAT_S * beat)
    for name, midi, beat in SUNG
)  # fmt: skip
TUNE = SimpleNamespace(
    melody=SimpleNamespace(notes=NOTES),
    bars=Bars((1.0, 3.0, 5.0, 7.0, 9.0), (4, 4), 120.0),
    key_at=lambda at_s: Key("Bb", "major"),
)


def told(path: Path, *, passage: tuple[float, float] | None = None, mix: Any = None) -> list[str]:
    opened = SimpleNamespace(
        song=SimpleNamespace(music=SimpleNamespace(guide=path)), mix=mix, passage=passage
    )
    return score_words(opened, TUNE)  # type: ignore[arg-type]


def table(path: Path, rows: list[tuple[float, float, object]]) -> Path:
    lines = "\n".join(f"{a},{b},{pitch}" for a, b, pitch in rows)
    path.write_text(f"start_s,end_s,pitch\n{lines}\n", encoding="utf-8")
    return path


def as_heard() -> list[tuple[float, float, object]]:
    return [(n.start_s, n.end_s, n.name) for n in NOTES]


def test_a_score_that_agrees_says_so_and_no_more(tmp_path: Path) -> None:
    early = [(a + 0.1, b, pitch) for a, b, pitch in as_heard()]
    assert told(table(tmp_path / "m.csv", early)) == ["guide m.csv: 7 of 7 notes heard as written"]


def test_each_difference_is_told_in_order_of_time(tmp_path: Path) -> None:
    rows = as_heard()
    (a, b, _), (c, _, _) = rows[0], rows[4]
    rows[0] = (a, b, "Bb5")  # an octave is a difference too
    del rows[4]
    rows.append((100.0, 101.0, "F4"))
    first, *lines = told(table(tmp_path / "m.csv", rows))
    assert first == "guide m.csv: 5 of 7 notes heard as written"
    assert lines == [
        "guide m.csv: Bb5 in bar 1 is heard as Bb4",
        f"guide m.csv: D5 at {c:.2f} s is heard and not written",
        "guide m.csv: F4 at 100.00 s is not heard",
    ]


def test_of_many_differences_the_first_are_told(tmp_path: Path) -> None:
    rows = [(100.0 + k, 100.5 + k, "F4") for k in range(30)]
    lines = told(table(tmp_path / "m.csv", rows))
    assert len(lines) == MOST_TOLD + 2
    assert lines[-1] == f"guide m.csv: {30 + 7 - MOST_TOLD} more differences"


def test_of_a_passage_the_score_counts_inside_alone(tmp_path: Path) -> None:
    rows = [*as_heard(), (100.0, 101.0, "F4")]
    (line,) = told(table(tmp_path / "m.csv", rows), passage=(0.0, 50.0))
    assert line.endswith("7 of 7 notes heard as written")


def test_a_recording_and_a_mix_are_not_held_against_it(tmp_path: Path) -> None:
    (line,) = told(tmp_path / "hum.wav")
    assert "guides a finished mix only" in line
    assert told(tmp_path / "none.csv", mix=object()) == []


def measure(number: int, *notes: str, more: str = "") -> str:
    return f'<measure number="{number}">{more}{"".join(notes)}</measure>'


def note(step: str, octave: int, duration: int, *, alter: int = 0, more: str = "") -> str:
    raised = f"<alter>{alter}</alter>" if alter else ""
    pitch = f"<pitch><step>{step}</step>{raised}<octave>{octave}</octave></pitch>"
    return f"<note>{more}{pitch}<duration>{duration}</duration></note>"


def score(*measures: str) -> str:
    return f'<score-partwise><part id="P1">{"".join(measures)}</part></score-partwise>'


BEGIN = (
    "<attributes><divisions>2</divisions><time><beats>4</beats><beat-type>4</beat-type></time>"
    "</attributes>"
)


def test_a_score_is_read_with_pickup_signs_and_ties() -> None:
    tied = '<tie type="stop"/>'
    text = score(
        measure(0, note("F", 4, 2), more=BEGIN),
        measure(1, note("B", 4, 4, alter=-1), note("F", 4, 4, alter=1)),
        measure(
            2, note("F", 4, 4, alter=1, more=tied), "<note><rest/><duration>4</duration></note>"
        ),
    )
    notes = read_score_notes(text, name="s")
    assert [(n.from_bar, n.midi) for n in notes] == [(0.75, 65), (1.0, 70), (1.5, 66)]


def test_a_part_that_transposes_is_read_as_it_sounds() -> None:
    lower = BEGIN.replace(
        "</attributes>",
        "<transpose><chromatic>-2</chromatic><octave-change>-1</octave-change></transpose>"
        "</attributes>",
    )
    (found,) = read_score_notes(score(measure(1, note("D", 5, 8), more=lower)), name="s")
    assert found.midi == 60


@pytest.mark.parametrize("text", ["<x/>", "no xml", score(measure(1))])
def test_what_is_no_score_is_refused_by_name(text: str) -> None:
    with pytest.raises(InputError, match=r"^s"):
        read_score_notes(text, name="s")


def test_bars_of_a_score_are_those_of_the_song(tmp_path: Path) -> None:
    path = tmp_path / "s.musicxml"
    bars = [
        measure(1, note("B", 4, 4, alter=-1), note("C", 5, 2), note("D", 5, 2), more=BEGIN),
        measure(2, note("E", 5, 8, alter=-1)),
        measure(3, note("D", 5, 4), note("C", 5, 4)),
        measure(4, note("B", 4, 8)),
    ]
    path.write_text(score(*bars), encoding="utf-8")
    assert told(path)[1:] == ["guide s.musicxml: B4 in bar 4 is heard as Bb4"]
