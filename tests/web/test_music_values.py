"""Fields of text that become lists of the song file: refused before they are put into it."""

from __future__ import annotations

import pytest

from retune.carriers.errors import InputError
from retune.faces.web.given import music_value


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("downbeats_s", "9" * 19_000),
        ("downbeats_s", "{a." + ".".join("b" * 9_000) + " = 1}"),
        ("downbeats_s", "{a = " * 300 + "1" + "}" * 300),
        ("downbeats_s", "[0, 1e-9]"),
        ("downbeats_s", "[0, nan]"),
        ("phrases", "[" * 9_000),
        ("phrases", "[" * 300 + "]" * 300),
        ("phrases", "[[0, 1], [0.5, 2]]"),
    ],
)
def test_lists_that_no_song_file_holds(name: str, text: str) -> None:
    with pytest.raises(InputError, match=name) as told:
        music_value(name, text)
    assert len(str(told.value)) < 300


def test_lists_as_they_are() -> None:
    assert music_value("downbeats_s", "[0, 1.5]") == [0, 1.5]
    assert music_value("phrases", "[[0.0, 2.0]]") == [[0.0, 2.0]]


def test_changes_of_meter_and_tempo_are_places_and_what_begins_there() -> None:
    assert music_value("meters", "17:1 4/4, 33:1 3/4") == [["17:1", "4/4"], ["33:1", "3/4"]]
    assert music_value("tempos", "17:1 96; 24:3 72.5") == [["17:1", 96.0], ["24:3", 72.5]]
    with pytest.raises(InputError, match='tempos: "17:1" does not read; write 17:1 96'):
        music_value("tempos", "17:1")
    with pytest.raises(InputError, match=r'tempos: "slow" is not a number; write a number$'):
        music_value("tempos", "17:1 slow")
    with pytest.raises(InputError, match=r"tempo_map: .* beside the song file"):
        music_value("tempo_map", "../band.mid")
