"""Notes moved in time, as every picture, table and export shows them."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import numpy as np
import pretty_midi
import pytest
from compare_songs import lantern

from retune.carriers.changes import Edit, Plan
from retune.carriers.heard import Analysis, Bars
from retune.comparison.endings import phrase_endings
from retune.comparison.exports.material import Material, version_notes
from retune.comparison.exports.midi import midi_bytes
from retune.comparison.exports.tables import csv_tables
from retune.comparison.picture import View, lane_svg
from retune.comparison.picture_line import sung_notes
from retune.song.moved import beat_at, move_words, note_after, time_at


@pytest.fixture(scope="module")
def analysis() -> Analysis:
    return lantern()


@pytest.fixture(scope="module")
def plan(analysis: Analysis) -> Plan:
    """The last ending half a second later, the note before it held until then."""
    melody = analysis.melody
    assert melody is not None
    ending = melody.note(melody.phrases[-1].ending_note or 0)
    before = melody.note(ending.index - 1)
    return Plan((
        _edit(before.index, before, before.start_s, before.end_s + 0.5),
        _edit(ending.index, ending, ending.start_s + 0.5, ending.end_s),
    ))  # fmt: skip


def _edit(index, note, start_s, end_s):  # type: ignore[no-untyped-def]
    return Edit(
        "vocal", note.start_s, note.end_s, 0.0, "suspend", note=index, from_name=note.name,
        to_name=note.name, from_degree=note.degree, to_degree=note.degree,
        start_to_s=start_s, end_to_s=end_s,
    )  # fmt: skip


def test_versions_have_the_new_times(analysis: Analysis, plan: Plan) -> None:
    melody = analysis.melody
    assert melody is not None
    held, late = (edit.note or 0 for edit in plan.edits)
    played = {v.note.index: v.note for v in version_notes(melody, plan, analysis)}
    assert played[late].start_s == melody.note(late).start_s + 0.5
    assert played[held].end_s == melody.note(held).end_s + 0.5
    assert played[late].beat != melody.note(late).beat
    assert played[held - 1] == melody.note(held - 1)


def test_midi_has_the_new_times(analysis: Analysis, plan: Plan) -> None:
    melody = analysis.melody
    assert melody is not None
    read = pretty_midi.PrettyMIDI(io.BytesIO(midi_bytes(Material(analysis, (plan,)))))
    starts = [n.start for i in read.instruments for n in i.notes]
    first = melody.note(plan.edits[1].note or 0).start_s
    near = min(starts, key=lambda start: abs(start - first - 0.5))
    assert near == pytest.approx(first + 0.5, abs=0.01)


def test_the_table_of_edits_has_the_new_times(analysis: Analysis, plan: Plan) -> None:
    text = csv_tables(Material(analysis, (plan,)))["edits.csv"]
    rows = list(csv.DictReader(io.StringIO(text)))
    assert float(rows[1]["start_to_s"]) == pytest.approx(plan.edits[1].start_to_s, abs=1e-3)


def test_the_picture_draws_the_line_at_its_new_times(analysis: Analysis, plan: Plan) -> None:
    melody = analysis.melody
    assert melody is not None
    drawn = {
        n.note.index: n
        for n in sung_notes(melody, plan.edits, tuning_hz=analysis.tuning_hz, mean_vibrato=False)
    }
    held, late = (edit.note or 0 for edit in plan.edits)
    assert drawn[late].new_body is not None
    assert drawn[held].new_body is not None
    assert drawn[late].new_body[0, 0] == pytest.approx(drawn[late].body[0, 0] + 0.5, abs=0.02)
    assert drawn[held].new_body[-1, 0] == pytest.approx(drawn[held].body[-1, 0] + 0.5, abs=0.02)
    assert np.array_equal(drawn[held].body[0], drawn[held].new_body[0])
    svg, still = (
        lane_svg(analysis, p, View(systems=None)) for p in (plan, replace(plan, edits=()))
    )
    assert svg.count('class="tip"') == still.count('class="tip"') + 1
    assert "later, still at rest" in svg


def test_an_ending_that_moves_in_time_alone_keeps_its_degree(
    analysis: Analysis, plan: Plan
) -> None:
    last = phrase_endings(analysis, plan)[-1]
    assert (last.move_words, last.words_after) == ("1", "later, still at rest")


def test_moves_in_time_in_words(analysis: Analysis) -> None:
    bars = Bars((0.0, 2.0, 4.0), (4, 4), 120.0)
    edit = Edit("vocal", 1.0, 2.0, 0.0, "hold", start_to_s=1.0, end_to_s=2.5)
    assert move_words(edit, bars) == "1 beat longer"
    assert move_words(replace(edit, end_to_s=1.75), bars) == "0.5 beats shorter"
    assert move_words(replace(edit, start_to_s=1.5, end_to_s=2.0), bars) == "begins 1 beat later"
    assert move_words(replace(edit, start_to_s=0.5, end_to_s=1.5), bars) == "1 beat earlier"
    assert move_words(replace(edit, start_to_s=None, end_to_s=None), bars) == ""
    assert move_words(edit, Bars((), (4, 4), 0.0)) == "0.5 s longer"


@pytest.mark.parametrize("beat", [-2.5, 0.0, 3.25, 8.0, 11.5])
def test_beats_and_times_go_round(beat: float) -> None:
    bars = Bars((1.0, 3.0, 6.0), (4, 4), 120.0)
    assert beat_at(bars, time_at(bars, beat)) == pytest.approx(beat)


def test_a_note_that_stays_is_the_note_itself(analysis: Analysis) -> None:
    melody = analysis.melody
    assert melody is not None
    assert note_after(melody.notes[0], None, analysis) is melody.notes[0]
