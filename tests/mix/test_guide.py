"""Guides: tables and MIDI files read strictly, faults named with their line."""

from __future__ import annotations

from pathlib import Path

import pytest

from retune.carriers.errors import InputError
from retune.song.guide import GuideNote, mended, read_guide, read_rough


def write(folder: Path, text: str) -> Path:
    path = folder / "melody.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_table_reads_names_and_numbers_any_order_of_columns(tmp_path: Path) -> None:
    text = "# tapped\npitch,start_s,end_s,word\nBb4,0.5,1,la\n\n70.5,1,1.75,low\n"
    assert read_guide(write(tmp_path, text)) == (
        GuideNote(0.5, 1.0, 70.0),
        GuideNote(1.0, 1.75, 70.5),
    )


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("0.5,1\n", r'melody.csv line 1: "0.5,1" has 2 of the 3 columns; write start_s'),
        ("0,1,C4\nx,2,C4\n", r'melody.csv line 2: start_s "x" is not a number'),
        ("0,nan,C4\n", r'line 1: end_s "nan" is not a number'),
        ("2,1,C4\n", "line 1: 2 to 1 s is no span"),
        ("-1,1,C4\n", "line 1: -1 to 1 s is no span"),
        ("0,1,H4\n", r'line 1: pitch "H4" is neither a note name like Bb4'),
        ("0,1,200\n", r'line 1: pitch "200" is neither'),
        ("start_s,end_s,pitch\n", "the guide holds no note"),
    ],
)
def test_a_faulty_table_is_refused_with_its_line(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        read_guide(write(tmp_path, text))


def test_text_in_another_encoding_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "melody.csv"
    path.write_bytes(b"0,1,C4,\xe9\n")
    with pytest.raises(InputError, match="line 1: not UTF-8; save"):
        read_guide(path)


def test_a_midi_file_is_read_as_another_library_wrote_it(tmp_path: Path) -> None:
    pretty_midi = pytest.importorskip("pretty_midi")
    wanted = [(0.5, 1.0, 70), (1.0, 1.8, 72), (2.0, 2.5, 65)]
    made = pretty_midi.PrettyMIDI(initial_tempo=92.0)
    voice, drums = pretty_midi.Instrument(0), pretty_midi.Instrument(0, is_drum=True)
    voice.notes = [pretty_midi.Note(90, pitch, a, b) for a, b, pitch in wanted]
    drums.notes = [pretty_midi.Note(90, 42, 0.1, 2.4)]
    made.instruments = [drums, voice]
    made.write(str(tmp_path / "melody.mid"))
    found = read_guide(tmp_path / "melody.mid")
    assert [n.midi for n in found] == [70, 72, 65]
    for note, (start_s, end_s, _) in zip(found, wanted, strict=True):
        assert (note.start_s, note.end_s) == pytest.approx((start_s, end_s), abs=0.005)


def midi(track: bytes, *, division: int = 480) -> bytes:
    head = b"MThd" + (6).to_bytes(4, "big") + b"\0\0\0\1" + division.to_bytes(2, "big")
    return head + b"MTrk" + len(track).to_bytes(4, "big") + track


def test_tempo_changes_and_running_status_count(tmp_path: Path) -> None:
    # C4 one quarter at 120 bpm; tempo to 60 bpm; D4 by running status, ended by velocity 0.
    track = (
        b"\x00\x90\x3c\x50\x83\x60\x3c\x00\x00\xff\x51\x03\x0f\x42\x40"
        b"\x00\x90\x3e\x50\x83\x60\x3e\x00\x00\xff\x2f\x00"
    )
    (tmp_path / "m.mid").write_bytes(midi(track))
    assert read_guide(tmp_path / "m.mid") == (GuideNote(0, 0.5, 60), GuideNote(0.5, 1.5, 62))


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"RIFF0000", "m.mid: it is no MIDI file"),
        (midi(b"\x00\x90\x3c"), "ends in the middle of an event"),
        (midi(b"\x00\x90\x3c\x50\x83\x60\x3c\x00")[:-2], "ends in the middle of an event"),
        (midi(b"\x00\x3c\x50"), "bytes that are no events"),
        (midi(b"\x00\x90\x3c\x50\x00\x90\x40\x50\x8f\x00\x3c\x00\x00\x40\x00"), "sound together"),
        (midi(b"\x00\xff\x2f\x00"), "holds no note"),
    ],
)
def test_a_faulty_midi_file_is_refused(tmp_path: Path, data: bytes, said: str) -> None:
    (tmp_path / "m.mid").write_bytes(data)
    with pytest.raises(InputError, match=said):
        read_guide(tmp_path / "m.mid")


def test_notes_that_hang_over_or_stand_out_of_order_are_mended_and_told(tmp_path: Path) -> None:
    rough = read_rough(write(tmp_path, "1,3,D4\n0,1.5,C4\n3,4,E4\n"))
    notes, done = mended(rough)
    assert notes == (GuideNote(0, 1, 60), GuideNote(1, 3, 62), GuideNote(3, 4, 64))
    assert "put in order" in done
    assert "1 note that hangs over" in done
    assert mended(notes) == (notes, "")
