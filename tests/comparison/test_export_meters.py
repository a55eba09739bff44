"""Songs whose meter and tempo change: as mido and music21 read the files, and read back."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import mido
import music21
import pytest
from export_songs import song

from retune.analysis.bars import bar_and_beat, given_bars
from retune.carriers.barlines import Bars, meter_words, tempo_words
from retune.carriers.heard import Analysis, Key, Note
from retune.carriers.songfacts import Music
from retune.comparison.exports.labels import beat_times
from retune.comparison.exports.material import Material
from retune.comparison.exports.midi import midi_bytes
from retune.comparison.exports.musicxml import musicxml_text
from retune.comparison.picture import View, lane_svg
from retune.pipeline.facts import analysis_facts
from retune.song.bartime import seconds_at
from retune.song.tempomap import read_tempo_map

CHANGING = Music(
    meter=(3, 4),
    meters=(("3:1", "4/4"), ("5:1", "6/8")),
    tempo_bpm=60.0,
    tempos=(("4:3", 120.0), ("5:1", 80.0)),
    first_downbeat_s=1.5,
)
BEATS = 3 + 3 + 4 + 4 + 2 + 2
MIDI = [60 + k % 5 for k in range(BEATS)]


def changing() -> Analysis:
    """A note on every beat of two bars of 3/4, two of 4/4 and two of 6/8, from 1.5 s on."""
    bars = given_bars(CHANGING, duration_s=18.0)
    assert bars is not None
    plain = song(
        meter=(3, 4), lead_s=1.5, beat_s=1.0, units=[(0, 4, 60)], per_beat=4, key=Key("C", "major")
    )
    notes = tuple(
        _on_beat(k, midi, bars, plain.stems["vocal"].notes[0]) for k, midi in enumerate(MIDI)
    )
    stem = replace(plain.stems["vocal"], notes=notes)
    return replace(plain, bars=bars, stems={"vocal": stem}, duration_s=18.0)


def _on_beat(beat: int, midi: int, bars: Bars, like: Note) -> Note:
    start_s, end_s = seconds_at(beat, bars), seconds_at(beat + 1, bars)
    bar, place = bar_and_beat(start_s, bars)
    name = music21.pitch.Pitch(midi=midi).nameWithOctave.replace("-", "b")
    return replace(
        like,
        index=beat + 1,
        start_s=start_s,
        end_s=end_s,
        pitch_midi=float(midi),
        name=name,
        cents_from_name=0.0,
        bar=bar,
        beat=place,
    )


def test_mido_finds_every_meter_and_tempo_where_it_begins() -> None:
    found = mido.MidiFile(file=io.BytesIO(midi_bytes(Material(changing()))))
    at, signs, tempi = 0, [], []
    for message in found.tracks[0]:
        at += message.time
        if message.type == "time_signature":
            signs.append((at / 960, f"{message.numerator}/{message.denominator}"))
        if message.type == "set_tempo":
            tempi.append((at / 960, round(mido.tempo2bpm(message.tempo), 2)))
    # A lead-in of 1.5 s rounds to two quarters; 6 quarters of 3/4, 8 of 4/4, then eighths.
    assert signs == [(0, "2/4"), (2, "3/4"), (8, "4/4"), (16, "6/8")]
    # 120 a minute from beat 3 of bar 4 on; 80 dotted quarters are 120 quarters.
    assert tempi == [(0, 80.0), (2, 60.0), (14, 120.0)]
    onsets, clock = [], 0.0
    for message in found:  # mido puts the times in seconds
        clock += message.time
        if message.type == "note_on":
            onsets.append(clock)
    assert onsets == pytest.approx(
        [note.start_s for note in changing().stems["vocal"].notes], abs=1e-3
    )


def test_the_midi_file_of_a_song_is_a_tempo_map_of_it(tmp_path: Path) -> None:
    analysis = changing()
    (tmp_path / "song.mid").write_bytes(midi_bytes(Material(analysis)))
    again = read_tempo_map(tmp_path / "song.mid").bars(duration_s=18.0)
    assert again.meters == analysis.bars.meters
    assert again.beats_s == pytest.approx(analysis.bars.beats_s, abs=1e-3)


def test_music21_finds_every_meter_and_tempo_and_the_notes_in_their_bars() -> None:
    (part,) = music21.converter.parse(musicxml_text(Material(changing()), None)).parts
    found = part.recurse()
    signs = [(s.measureNumber, s.ratioString) for s in found.getElementsByClass("TimeSignature")]
    assert signs == [(1, "3/4"), (3, "4/4"), (5, "6/8")]
    marks = found.getElementsByClass("MetronomeMark")
    assert [(m.measureNumber, m.offset, m.number, m.referent.quarterLength) for m in marks] == [
        (1, 0.0, 60, 1.0),
        (4, 2.0, 120, 1.0),
        (5, 0.0, 80, 1.5),
    ]
    bars = list(part.getElementsByClass(music21.stream.Measure))
    assert [len(bar.notes) for bar in bars] == [3, 3, 4, 4, 2, 2]
    assert all(bar.duration == bar.barDuration for bar in bars)
    assert [note.pitch.midi for note in found.notes] == MIDI
    assert {n.quarterLength for n in bars[-1].notes} == {1.5}


def test_beats_are_counted_by_bar_in_labels_and_facts() -> None:
    analysis = changing()
    numbers = [number for _, number in beat_times(analysis)]
    assert numbers[:18] == [1, 2, 3, 1, 2, 3, 1, 2, 3, 4, 1, 2, 3, 4, 1, 2, 1, 2]
    bars = analysis_facts(analysis, song="song.toml")["bars"]
    assert bars["meters"] == [
        {"bar": 1, "meter": "3/4"},
        {"bar": 3, "meter": "4/4"},
        {"bar": 5, "meter": "6/8"},
    ]
    assert [row["tempo_bpm"] for row in bars["tempos"]] == [60.0, 120.0, 80.0]
    assert bars["beats_s"] == pytest.approx(analysis.bars.beats_s, abs=1e-6)


def test_picture_and_words_show_where_the_meter_changes() -> None:
    analysis = changing()
    svg = lane_svg(analysis, view=View(width=900.0))
    assert [sign for sign in ("3/4", "4/4", "6/8") if f">{sign}<" in svg] == ["3/4", "4/4", "6/8"]
    assert f"{meter_words(analysis.bars)}, {tempo_words(analysis.bars)}" in svg
