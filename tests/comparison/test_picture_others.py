"""Harmonies and bass beside the melody: whole octaves nearer to it, what moves drawn twice."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType
from xml.etree import ElementTree as ET

from compare_sketches import five_sketches

from retune.carriers.changes import Edit, Plan
from retune.carriers.heard import Analysis, Role
from retune.comparison.picture import View, lane_svg
from retune.comparison.picture_others import other_lines


def beside(role: Role, semitones: int) -> Analysis:
    """A melody and a stem that plays it so far away."""
    found = five_sketches()["6/8"]
    melody = found.melody
    assert melody is not None
    notes = tuple(replace(note, pitch_midi=note.pitch_midi + semitones) for note in melody.notes)
    other = replace(melody, name="low", role=role, notes=notes)
    return replace(found, stems=MappingProxyType({melody.name: melody, "low": other}))


def test_a_bass_is_drawn_octaves_higher_and_says_so() -> None:
    analysis = beside("bass", -24)
    (line,) = other_lines(analysis, None)
    assert line.words == "low, drawn 2 octaves higher"
    assert analysis.melody is not None
    assert [n.pitch for n in line.notes] == [n.midi_name for n in analysis.melody.notes]


def test_a_harmony_stays_where_it_sounds_and_a_double_hides_nothing() -> None:
    (line,) = other_lines(beside("harmony", -4), None)
    assert line.words == "low"
    assert other_lines(beside("double", 0), None) == ()


def test_what_moves_is_drawn_where_it_was_and_where_it_goes() -> None:
    analysis = beside("harmony", -4)
    note = analysis.stems["low"].notes[0]
    plan = Plan((Edit("low", note.start_s, note.end_s, -200.0, "x", note=note.index),))
    (line,) = other_lines(analysis, plan)
    assert [n.new_pitch - n.pitch for n in line.notes[:2]] == [-2, 0]
    assert lane_svg(analysis, plan, View(others=True)).count('"ln newglide"') == 1


def test_a_picture_has_them_only_where_asked() -> None:
    analysis = beside("bass", -24)
    with_them, without = (
        "".join(ET.fromstring(lane_svg(analysis, None, View(others=on))).itertext())
        for on in (True, False)
    )
    assert "low, drawn 2 octaves higher" in with_them
    assert "low, drawn" not in without
