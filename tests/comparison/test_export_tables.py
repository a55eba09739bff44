"""Tables, labels and JAMS as csv, mir_eval and jams read them."""

from __future__ import annotations

import csv
import io
import json
import warnings
from dataclasses import replace
from pathlib import Path
from typing import Any

import mir_eval
import numpy as np
import pytest
from export_songs import lantern_material

from retune.carriers.heard import Bars
from retune.comparison.exports.jams_file import jams_text, schema_label
from retune.comparison.exports.labels import beats_lab, chords_lab
from retune.comparison.exports.material import Material
from retune.comparison.exports.tables import csv_tables
from retune.song.csvtext import cell
from retune.theory.chords import parse_chord
from retune.theory.chordtables import SHORTHANDS


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_notes_of_every_version() -> None:
    material = lantern_material()
    notes = material.analysis.stems["vocal"].notes
    found = rows(csv_tables(material)["notes.csv"])
    assert len(found) == 2 * len(notes)
    original = [row for row in found if row["version"] == "original"]
    assert [row["name"] for row in original] == [note.name for note in notes]
    assert [float(row["start_s"]) for row in original] == pytest.approx(
        [note.start_s for note in notes], abs=1e-6
    )
    moved = [row for row in found if row["moved_by_cents"] not in ("", "0")]
    assert [(row["version"], row["name"], row["degree"]) for row in moved] == [
        ("home-early", "Bb4", "1")
    ] * 2
    assert all("nan" not in value.lower() for row in found for value in row.values())


def test_every_table_has_what_the_analysis_has() -> None:
    material = lantern_material()
    tables = csv_tables(material)
    assert set(tables) == {
        *("notes.csv", "over.csv", "phrases.csv", "chords.csv", "edits.csv", "about.csv"),
        *("sections.csv", "f0-vocal.csv"),
    }
    assert len(rows(tables["phrases.csv"])) == 6
    assert [row["label"] for row in rows(tables["chords.csv"])] == [
        chord.label for chord in material.analysis.chords
    ]
    edits = rows(tables["edits.csv"])
    assert [(row["from"], row["to"], row["shift_cents"]) for row in edits] == [
        ("C5", "Bb4", "-200")
    ] * 2
    track = material.analysis.stems["vocal"].track
    assert track is not None
    f0 = rows(tables["f0-vocal.csv"])
    assert len(f0) == len(track.time_s)
    unvoiced = [row["f0_hz"] == "" for row in f0]
    assert unvoiced == np.isnan(track.f0_hz).tolist()
    assert "altered with retune: home-early" in tables["about.csv"]


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1"])
def test_no_cell_is_a_formula(text: str) -> None:
    assert cell(text) == "'" + text


def test_a_title_that_is_a_formula_stays_text() -> None:
    material = lantern_material()
    chord = replace(material.analysis.chords[0], typed="=HYPERLINK(1)")
    tricked = replace(material.analysis, chords=(chord,))
    (row,) = rows(csv_tables(Material(tricked))["chords.csv"])
    assert row["typed"] == "'=HYPERLINK(1)"


@pytest.mark.parametrize(
    ("value", "shown"), [(None, ""), (float("nan"), ""), (1.5, "1.5"), (2.0, "2"), (True, "yes")]
)
def test_cells(value: Any, shown: str) -> None:
    assert cell(value) == shown


def test_chords_lab_reads_and_covers_the_song(tmp_path: Path) -> None:
    analysis = lantern_material().analysis
    path = tmp_path / "chords.lab"
    path.write_text(chords_lab(analysis))
    intervals, labels = mir_eval.io.load_labeled_intervals(str(path))
    mir_eval.util.validate_intervals(intervals)
    mir_eval.chord.validate(labels, labels)
    assert intervals[0, 0] == 0
    assert intervals[-1, 1] == pytest.approx(analysis.duration_s, abs=1e-6)
    np.testing.assert_allclose(intervals[1:, 0], intervals[:-1, 1], atol=1e-6)
    assert [label for label in labels if label != "N"] == [c.label for c in analysis.chords]


def test_beats_lab_reads_as_events(tmp_path: Path) -> None:
    analysis = lantern_material().analysis
    path = tmp_path / "beats.lab"
    path.write_text(beats_lab(analysis))
    times, numbers = mir_eval.io.load_labeled_events(str(path))
    mir_eval.beat.validate(times, times)
    assert [t for t, n in zip(times, numbers, strict=True) if n == "1"] == pytest.approx(
        list(analysis.bars.downbeats_s), abs=1e-6
    )
    assert np.diff(times) == pytest.approx(60 / 92, abs=1e-5)


def test_no_bars_no_beats() -> None:
    analysis = replace(lantern_material().analysis, bars=Bars((), (3, 4), 92.0))
    assert [line for line in beats_lab(analysis).splitlines() if line[0] != "#"] == []


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("quality", [*SHORTHANDS, "7(b9)", "maj(9)"])
@pytest.mark.parametrize("bass", ["", "/b3"])
def test_every_chord_fits_the_schema_and_keeps_its_tones(quality: str, bass: str) -> None:
    label = schema_label(f"Eb:{quality}{bass}")
    material = lantern_material()
    chord = replace(material.analysis.chords[0], label=f"Eb:{quality}{bass}")
    song = Material(replace(material.analysis, chords=(chord,), stems={}))
    assert json.loads(jams_text(song, None))  # validates, or raises
    assert label is not None
    theirs = mir_eval.chord.encode(label, reduce_extended_chords=False)
    want = {pc for pc, _ in parse_chord(f"Eb:{quality}{bass}").tones}
    got = {(theirs[0] + k) % 12 for k in np.flatnonzero(theirs[1])}
    assert got - {(theirs[0] + theirs[2]) % 12} <= want
    assert {pc for pc, _ in parse_chord(label).tones} == want


def test_a_chord_that_is_not_known_is_left_out() -> None:
    assert (schema_label("X"), schema_label("N")) == (None, "N")


@pytest.mark.filterwarnings("ignore")
def test_jams_validates_and_reads_back(tmp_path: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import jams
    material = lantern_material()
    path = tmp_path / "song.jams"
    text = jams_text(material, material.plans[0])
    path.write_text(text)
    file = jams.load(str(path), validate=True, strict=True)
    assert file.file_metadata.title == "Lantern Song"
    (notes,) = file.search(namespace="note_midi")
    melody = material.analysis.stems["vocal"].notes
    moved = {edit.note for edit in material.plans[0].edits}
    assert [obs.value for obs in notes] == pytest.approx(
        [note.pitch_midi - 2 * (note.index in moved) for note in melody]
    )
    assert [obs.time for obs in notes] == pytest.approx([note.start_s for note in melody])
    (chords,) = file.search(namespace="chord_harte")
    assert [obs.value for obs in chords] == [chord.label for chord in material.analysis.chords]
    (key,) = file.search(namespace="key_mode")
    assert [obs.value for obs in key] == ["Bb:major"]
    assert len(file.search(namespace="pitch_contour")) == 1
    assert file.sandbox.altered.startswith("altered with retune: home-early")
    assert text == jams_text(material, material.plans[0])
    json.loads(text, parse_constant=lambda name: pytest.fail(f"bare {name}"))
