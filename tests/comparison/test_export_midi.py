"""MIDI files as mido and pretty_midi read them."""

from __future__ import annotations

import io
import sys

import mido
import pretty_midi
import pytest
from export_songs import lantern_material, songs
from hypothesis import given

from retune.carriers.changes import Plan
from retune.carriers.errors import UsageError
from retune.comparison.exports.material import Material
from retune.comparison.exports.midi import midi_bytes


def read(data: bytes) -> pretty_midi.PrettyMIDI:
    return pretty_midi.PrettyMIDI(io.BytesIO(data))


def test_original_and_variant_are_tracks_at_the_times_as_sung() -> None:
    material = lantern_material()
    found = read(midi_bytes(material))
    assert [track.name for track in found.instruments] == ["vocal (original)", "vocal (home-early)"]
    melody = material.analysis.stems["vocal"]
    moved = {edit.note for edit in material.plans[0].edits}
    assert len(moved) == 2
    for track, down in zip(found.instruments, (0, 2), strict=True):
        assert len(track.notes) == len(melody.notes)
        for got, note in zip(track.notes, melody.notes, strict=True):
            assert got.pitch == note.midi_name - (down if note.index in moved else 0)
            assert got.start == pytest.approx(note.start_s, abs=5e-4)
            assert got.end == pytest.approx(note.end_s, abs=5e-4)


@given(songs())
def test_bars_and_notes_fall_where_they_were(drawn: tuple) -> None:
    analysis, units, _ = drawn
    found = read(midi_bytes(Material(analysis)))
    downbeats = [t for t in found.get_downbeats() if t > analysis.bars.downbeats_s[0] - 1e-3]
    expected = analysis.bars.downbeats_s[: len(downbeats)]
    # Tempo is whole microseconds a quarter, ticks are 1/960: half a millisecond in all.
    assert downbeats[: len(expected)] == pytest.approx(list(expected), abs=1e-3)
    meter = found.time_signature_changes[-1]
    assert (meter.numerator, meter.denominator) == analysis.bars.meter
    notes = found.instruments[0].notes
    assert [note.pitch for note in notes] == [midi for *_, midi in units]
    want = [note.start_s for note in analysis.stems["vocal"].notes]
    assert [note.start for note in notes] == pytest.approx(want, abs=1e-3)


@given(songs())
def test_bend_gives_back_tuning_and_cents(drawn: tuple) -> None:
    analysis, _, _ = drawn
    found = read(midi_bytes(Material(analysis), bend=True))
    bends = found.instruments[0].pitch_bends
    # 25 cents of every note, and 442 Hz over 440: 1200 log2(442 / 440) = 7.851 cents.
    assert {round(bend.pitch / 8192 * 200, 1) for bend in bends} == {32.9}
    controls = [(c.number, c.value) for c in found.instruments[0].control_changes]
    assert controls == [(101, 0), (100, 0), (6, 2), (38, 0)]


def test_origin_and_rights_are_inside() -> None:
    file = mido.MidiFile(file=io.BytesIO(midi_bytes(lantern_material())), charset="utf-8")
    texts = [m.text for m in file.tracks[0] if m.type in ("text", "copyright")]
    assert any("altered with retune: home-early" in text for text in texts)
    assert any("vocal.flac sha256 abab" in text for text in texts)
    assert "CC0 1.0" in texts
    signs = [m.key for m in file.tracks[0] if m.type == "key_signature"]
    assert signs == ["Bb"]
    assert [m.text for m in file.tracks[0] if m.type == "marker"][:2] == ["phrase 1", "phrase 2"]


def test_equal_input_gives_equal_bytes() -> None:
    assert midi_bytes(lantern_material()) == midi_bytes(lantern_material())


def test_more_tracks_than_channels_with_bend_is_refused() -> None:
    material = lantern_material()
    edits = material.plans[0].edits
    many = tuple(Plan(edits, name=f"v{k}") for k in range(15))
    crowd = Material(material.analysis, many)
    assert len(read(midi_bytes(crowd)).instruments) == 16
    with pytest.raises(UsageError, match="16 tracks with pitch bend"):
        midi_bytes(crowd, bend=True)


def test_a_missing_library_names_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "mido", None)
    with pytest.raises(UsageError, match=r"pip install 'retune\[exports\]'"):
        midi_bytes(lantern_material())
