"""Every form of a correction by hand, and what is said where it cannot be applied."""

from __future__ import annotations

from pathlib import Path

import pytest
from played import hear, row

from retune.analysis.corrections import Draft, apply_corrections
from retune.carriers.errors import SongFileError
from retune.carriers.songfacts import Correction
from retune.song.songvalues import Where, is_correction

NOTES = [Draft(0.0, 1.0, 60.1, 0.3, "doubt"), Draft(1.0, 2.0, 62.0), Draft(3.0, 4.0, 64.0)]


def put(at_s: float, text: str) -> tuple[list[Draft], list[str]]:
    return apply_corrections(NOTES, [Correction("vocal", at_s, text)], stem="vocal")


def times(notes: list[Draft]) -> list[tuple[float, float]]:
    return [(n.start_s, n.end_s) for n in notes]


def test_pitch_names_the_note_and_ends_its_doubt() -> None:
    notes, told = put(0.5, "pitch C4")
    assert (notes[0].named, notes[0].confidence, notes[0].doubt, told) == (60, 1.0, "", [])


def test_degree() -> None:
    assert put(0.5, "degree b7")[0][0].degree == "b7"


@pytest.mark.parametrize(("text", "by"), [("octave up", 12), ("octave down", -12)])
def test_octave(text: str, by: int) -> None:
    assert put(1.5, text)[0][1].midi == 62.0 + by


def test_split() -> None:
    assert times(put(0.4, "split")[0]) == [(0.0, 0.4), (0.4, 1.0), (1.0, 2.0), (3.0, 4.0)]


def test_split_at_the_edge_is_left_out() -> None:
    notes, told = put(0.0, "split")
    assert times(notes) == times(NOTES)
    assert "very edge" in told[0]


@pytest.mark.parametrize("words", ["end {}", "start {}", "add C4 to {}", "no voice to {}"])
@pytest.mark.parametrize("time", ["1.3", "1.3s", "1.3 s"])
def test_a_time_that_a_song_file_may_hold_is_read(words: str, time: str) -> None:
    text, at_s = words.format(time), 1.5 if words.startswith("start") else 0.5
    assert is_correction(text, Where(Path("song.toml"))) == text
    assert put(at_s, text) == put(at_s, words.format("1.3"))


@pytest.mark.parametrize("time", ["nan", "-1", "1:12", "1.3 m", "s"])
def test_what_a_song_file_may_not_hold_is_no_time(time: str) -> None:
    with pytest.raises(SongFileError, match="is not a correction"):
        is_correction(f"end {time}", Where(Path("song.toml")))
    with pytest.raises(SongFileError, match="is no time: write seconds"):
        put(0.5, f"end {time}")


def test_merge_next_closes_the_gap() -> None:
    notes, _ = put(1.5, "merge next")
    assert times(notes) == [(0.0, 1.0), (1.0, 4.0)]


def test_merge_next_of_the_last_is_left_out() -> None:
    assert "no note follows" in put(3.5, "merge next")[1][0]


def test_start_and_end_move_and_neighbours_give_way() -> None:
    assert times(put(1.5, "start 0.8")[0])[:2] == [(0.0, 0.8), (0.8, 2.0)]
    assert times(put(0.5, "end 1.3")[0])[:2] == [(0.0, 1.3), (1.3, 2.0)]
    assert times(put(3.5, "end 4.4")[0])[2] == (3.0, 4.4)


@pytest.mark.parametrize("text", ["start 1.99", "end 0.5"])
def test_a_note_of_no_length_is_left_out(text: str) -> None:
    notes, told = put(1.5, text)
    assert times(notes) == times(NOTES)
    assert "would last" in told[0]


def test_swallowing_a_neighbour_is_left_out() -> None:
    assert "nothing would be left" in put(1.5, "start 0.0")[1][0]


@pytest.mark.parametrize(("text", "said"), [("ending here", True), ("not an ending", False)])
def test_endings(text: str, said: bool) -> None:
    assert put(0.5, text)[0][0].ending is said


def test_drop() -> None:
    assert times(put(1.5, "drop")[0]) == [(0.0, 1.0), (3.0, 4.0)]


def test_no_note_there_is_a_warning_that_names_the_nearest() -> None:
    notes, told = put(2.5, "drop")
    assert len(notes) == 3
    assert "no note sounds then" in told[0]
    assert "1.00 to 2.00" in told[0]


def test_another_stem_is_left_alone() -> None:
    assert apply_corrections(NOTES, [Correction("bass", 0.5, "drop")], stem="vocal")[0] == NOTES


@pytest.mark.parametrize("text", ["pitch", "pitch H4", "degree 8", "start soon", "louder", ""])
def test_what_does_not_read_is_refused(text: str) -> None:
    with pytest.raises(SongFileError, match="correction"):
        put(0.5, text)


TUNE = "60:1 62:1 64:1 65:1 67:2 64:2 62:1 60:1"


def test_corrections_change_the_analysis() -> None:
    # Beats of 2/3 s from 1 s on: notes at 1.00, 1.67, 2.33, 3.00, 3.67, 5.00, 6.33, 7.00.
    said = [
        Correction("vocal", 1.2, "pitch Eb4"),
        Correction("vocal", 2.0, "degree 5"),
        Correction("vocal", 2.6, "octave up"),
        Correction("vocal", 3.9, "ending here"),
        Correction("vocal", 5.3, "split"),
    ]
    stem = hear(row(TUNE), corrections=said, phrases=((0.0, 9.0),)).stems["vocal"]
    assert [n.name for n in stem.notes] == ["Eb4", "G4", "E5", "F4", "G4", "E4", "E4", "D4", "C4"]
    assert [n.degree for n in stem.notes][:2] == ["b3", "5"]
    assert stem.phrases[0].ending_note == 5


def test_corrections_survive_other_changes() -> None:
    said = [Correction("vocal", 3.2, "pitch F#4"), Correction("vocal", 1.8, "drop")]
    stem = hear(row(TUNE), corrections=said).stems["vocal"]
    assert [n.name for n in stem.notes if n.name == "F#4"] == ["F#4"]
    assert len(stem.notes) == 7


def test_a_degree_without_a_key_is_told() -> None:
    flat = row(" ".join(f"{60 + k}:1" for k in range(12)))
    told = hear(flat, key="auto", corrections=[Correction("vocal", 1.2, "degree 5")]).warnings
    assert any("there is no key" in line for line in told)
