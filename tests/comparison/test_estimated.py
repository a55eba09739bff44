"""What is said beside what was estimated: how sure, and nothing where it was given."""

from __future__ import annotations

from dataclasses import replace

import pytest
from compare_songs import lantern

from retune.carriers.heard import Analysis, Key, KeySpan
from retune.carriers.text import estimated_text
from retune.comparison.estimated import (
    bars_told,
    chords_told,
    key_told,
    rival_keys,
    what_is_estimated,
)
from retune.comparison.exports.classroom import facts_line
from retune.comparison.exports.material import Material, provenance
from retune.comparison.exports.tables import csv_tables
from retune.faces.show import show_analysis


def heard(key: Key, *rivals: Key) -> Analysis:
    """The song with everything estimated."""
    song = lantern()
    return replace(
        song,
        keys=(KeySpan(0.0, key),),
        key_source="estimated",
        key_confidence=0.84,
        key_rivals=rivals,
        bars=replace(song.bars, source="estimated", confidence=0.31),
        chords=tuple(replace(c, estimated=True, confidence=0.7) for c in song.chords),
    )


def test_nothing_is_said_of_what_was_given() -> None:
    song = lantern()
    assert (key_told(song), bars_told(song), chords_told(song)) == ("", "", "")
    assert rival_keys(song) == ()


def test_each_estimate_says_how_sure_it_is(capsys: pytest.CaptureFixture[str]) -> None:
    song = heard(Key("Bb", "major"))
    assert key_told(song) == "estimated, 8 of 10 sure"
    assert bars_told(song) == "estimated, not sure: 3 of 10"
    assert chords_told(song) == "estimated, 7 of 10 sure"
    show_analysis(song)
    told = " ".join(capsys.readouterr().out.split())
    for words in (key_told(song), bars_told(song), chords_told(song)):
        assert words in told


def test_files_and_slides_say_what_was_estimated() -> None:
    song, known = heard(Key("Bb", "major")), lantern()
    line = facts_line(song)
    assert "B♭ major (estimated, 8 of 10 sure)" in line
    assert "beats a minute (estimated, not sure: 3 of 10)" in line
    assert "estimated" not in facts_line(known)
    told = "key estimated, 8 of 10 sure; bars estimated, not sure: 3 of 10; chords estimated, 7 of"
    assert told in provenance(Material(song))
    assert what_is_estimated(known) == ""
    first = csv_tables(Material(song))["chords.csv"].splitlines()[1]
    assert first.endswith(",0.7")


@pytest.mark.parametrize("confidence", [0.96, 0.99, 1.0])
def test_no_estimate_is_called_certain(confidence: float) -> None:
    assert estimated_text(confidence) == "estimated, 9 of 10 sure"


@pytest.mark.parametrize(
    ("key", "rivals", "expected"),
    [
        (Key("Bb", "major"), (), [("relative minor", "G minor")]),
        (Key("F#", "minor"), (), [("relative major", "A major")]),
        (
            Key("C", "major"),
            (Key("C", "minor"),),
            [("parallel minor", "C minor"), ("relative minor", "A minor")],
        ),
        (Key("C", "major"), (Key("A", "minor"),), [("relative minor", "A minor")]),
        (Key("D", "dorian"), (Key("C", "major"),), [("", "C major")]),
    ],
)
def test_rival_keys_have_their_names(
    key: Key, rivals: tuple[Key, ...], expected: list[tuple[str, str]]
) -> None:
    assert [(name, str(rival)) for name, rival in rival_keys(heard(key, *rivals))] == expected
