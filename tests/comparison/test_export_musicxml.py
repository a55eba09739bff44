"""MusicXML as music21 reads it."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import music21
import pytest
from export_songs import lantern_material, song, songs
from hypothesis import given, settings

from retune.carriers.errors import UsageError
from retune.carriers.heard import Analysis, Bars, Key, KeySpan
from retune.comparison.exports.beams import beam_words
from retune.comparison.exports.material import Material
from retune.comparison.exports.musicxml import musicxml_text
from retune.comparison.exports.rhythm import grid_of, note_values, pieces
from retune.theory.chords import parse_chord
from retune.theory.keys import MODES
from retune.theory.signature import key_fifths


def read(text: str) -> Any:
    return music21.converter.parse(text, format="musicxml")


def sung(part: Any) -> list[Any]:
    flat = part.stripTies().flatten()
    return [n for n in flat.notes if not isinstance(n, music21.harmony.Harmony)]


@settings(max_examples=40)
@given(songs())
def test_notes_on_the_grid_read_back_exactly(drawn: tuple) -> None:
    analysis, units, per_beat = drawn
    score = read(musicxml_text(Material(analysis), None))
    (part,) = score.parts
    bars = list(part.getElementsByClass(music21.stream.Measure))
    top, bottom = analysis.bars.meter
    quarters_a_unit = top * 4 / bottom / (per_beat * analysis.bars.beats_in(1))
    first = next(bar for bar in bars if bar.number == 1)
    notes = sung(part)
    assert [n.pitch.midi for n in notes] == [midi for *_, midi in units]
    got = [n.offset for n in notes]
    want = [start * quarters_a_unit + first.offset for start, _, _ in units]
    assert got == pytest.approx(want)
    lengths = [n.quarterLength for n in notes]
    assert lengths == pytest.approx([(end - start) * quarters_a_unit for start, end, _ in units])
    for bar in bars:
        length = sum(n.quarterLength for n in bar.notesAndRests if n.quarterLength)
        if bar.number > 0:
            assert length == pytest.approx(top * 4 / bottom)


def test_melody_chords_degrees_and_brackets() -> None:
    material = lantern_material()
    plan = material.plans[0]
    score = read(musicxml_text(material, plan))
    part = score.parts[0]
    melody = material.analysis.stems["vocal"]
    moved = {edit.note for edit in plan.edits}
    names = [n.pitch.nameWithOctave.replace("-", "b") for n in sung(part)]
    want = ["Bb4" if n.index in moved else n.name for n in melody.notes]
    assert names == want
    figures = [h.figure for h in part.flatten().getElementsByClass(music21.harmony.ChordSymbol)]
    assert figures == [c.typed.replace("b", "-") for c in material.analysis.chords]
    words = [w.content for w in part.flatten().getElementsByClass("TextExpression")]
    degrees = [w for w in words if not w.startswith("was ")]
    assert len(degrees) == len(melody.notes)
    assert degrees[0] == "5"
    assert "♯4" in degrees
    assert [w for w in words if w.startswith("was ")] == ["was C5", "was C5"]
    brackets = score.recurse().getElementsByClass(music21.spanner.Line)
    assert len(brackets) == len(moved) == 2
    for bracket in brackets:
        assert {n.pitch.midi for n in bracket.getSpannedElements()} == {70}


def test_short_notes_are_beamed_within_the_beat() -> None:
    key = Key("C", "major")
    # Quarter, two eighths, an eighth and two sixteenths in 3/4, then sixteenth, eighth, sixteenth.
    units = [(0, 4), (4, 6), (6, 8), (8, 10), (10, 11), (11, 12), (12, 13), (13, 15), (15, 16)]
    analysis = song(
        meter=(3, 4),
        lead_s=1.0,
        beat_s=0.5,
        units=[(start, end, 60 + start) for start, end in units],
        per_beat=4,
        key=key,
    )
    notes = sung(read(musicxml_text(Material(analysis), None)).parts[0])
    beams = [[beam.type or "" for beam in n.beams.beamsList] for n in notes]
    assert beams == [
        *([], ["start"], ["stop"], ["start"], ["continue", "start"], ["stop", "stop"]),
        *(["start", "partial"], ["continue"], ["stop", "partial"]),
    ]


@pytest.mark.parametrize(
    ("has", "words"),
    [
        ([True], ["forward hook"]),
        ([False, True], ["", "backward hook"]),
        ([True, True, True], ["begin", "continue", "end"]),
        ([True, True, False, True, True], ["begin", "end", "", "begin", "end"]),
    ],
)
def test_words_of_a_beam(has: list[bool], words: list[str]) -> None:
    assert beam_words(has) == words


def test_the_pickup_is_a_short_bar_that_counts_for_none() -> None:
    score = read(musicxml_text(lantern_material(), None))
    bars = list(score.parts[0].getElementsByClass(music21.stream.Measure))
    assert (bars[0].number, bars[0].duration.quarterLength) == (0, 1.0)
    assert bars[1].number == 1
    assert (
        score.parts[0].flatten().getElementsByClass(music21.meter.TimeSignature)[0].ratioString
        == "3/4"
    )
    signature = score.parts[0].flatten().getElementsByClass(music21.key.KeySignature)[0]
    assert signature.sharps == -2


def test_origin_and_rights_are_inside() -> None:
    material = lantern_material()
    text = musicxml_text(material, material.plans[0])
    score = read(text)
    assert score.metadata.copyright == "CC0 1.0"
    assert "altered with retune: home-early" in text
    assert "vocal.flac sha256 abab" in text
    assert musicxml_text(material, None).count("unaltered") == 1


@pytest.mark.parametrize(
    "label",
    [
        "Bb",
        "Cm",
        "F7",
        "Ebmaj7",
        "Gm7",
        "Adim",
        "Am7b5",
        "Bdim7",
        "Faug",
        "Bb/D",
        "Fsus4",
        "Eb6",
        "C9",
    ],
)
def test_chords_keep_their_tones(label: str) -> None:
    material = lantern_material()
    chord = replace(parse_chord(label), start_s=0.9, end_s=2.0)
    alone = replace(material.analysis, chords=(chord,))
    score = read(musicxml_text(Material(alone), None))
    (symbol,) = score.parts[0].flatten().getElementsByClass(music21.harmony.ChordSymbol)
    assert {p.pitchClass for p in symbol.pitches} == {pc for pc, _ in chord.tones}
    assert symbol.bass().pitchClass == chord.bass_pc


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("tonic", ["C", "Bb", "F#", "Eb", "A"])
def test_signatures_agree_with_music21(tonic: str, mode: str) -> None:
    theirs = music21.key.Key(tonic.replace("b", "-"), mode).sharps
    if abs(theirs) <= 7:
        assert key_fifths(Key(tonic, mode)) == theirs
    else:
        assert (key_fifths(Key(tonic, mode)) - theirs) % 12 == 0


@pytest.mark.parametrize("resolution", [8, 16, 32])
@pytest.mark.parametrize("meter", [(3, 4), (6, 8), (2, 2), (12, 8), (3, 8)])
def test_any_span_is_cut_into_values_that_exist(meter: tuple[int, int], resolution: int) -> None:
    grid = grid_of(Bars((0.0, 2.0), meter, 92.0), resolution=resolution)
    values = note_values(grid)
    for start in range(2 * grid.bar_units(1)):
        for end in range(start + 1, 2 * grid.bar_units(1) + 1):
            cut = pieces(start, end, grid)
            assert cut[0][0] == start
            assert cut[-1][1] == end
            assert all(a[1] == b[0] for a, b in pairwise(cut))
            assert all(b - a in values for a, b in cut)


def test_without_bars_or_with_an_odd_grid_the_message_says_what_to_do() -> None:
    material = lantern_material()
    no_bars = replace(material.analysis, bars=Bars((), (3, 4), 92.0))
    with pytest.raises(UsageError, match="give meter, tempo_bpm and first_downbeat_s"):
        musicxml_text(Material(no_bars), None)
    with pytest.raises(UsageError, match="8, 16, 32"):
        musicxml_text(material, None, resolution=12)
    silent: Analysis = replace(material.analysis, stems={})
    with pytest.raises(UsageError, match="no notes to write"):
        musicxml_text(Material(silent), None)


def test_a_key_that_changes_on_a_barline_reaches_the_score_there() -> None:
    """music21 reads the signature in the bar where the key changes, and in no other."""
    units = [(4 * k, 4 * k + 4, 60 + k) for k in range(8)]
    drawn = song(meter=(4, 4), lead_s=0.0, beat_s=0.5, units=units, per_beat=2,
                 key=Key("C", "major"))  # fmt: skip
    downbeats = drawn.bars.downbeats_s
    assert len(downbeats) >= 4
    on_a_line = KeySpan(downbeats[1], Key("D", "major"))
    inside = KeySpan(downbeats[2] + 0.5, Key("Eb", "major"))
    analysis = replace(drawn, keys=(*drawn.keys, on_a_line, inside))
    (part,) = read(musicxml_text(Material(analysis), None)).parts
    found = {
        bar.number: signature.sharps
        for bar in part.getElementsByClass(music21.stream.Measure)
        for signature in bar.getElementsByClass(music21.key.KeySignature)
    }
    assert found == {1: 0, 2: 2, 4: -3}
