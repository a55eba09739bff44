"""Whole analyses of songs made of simple tones: names, degrees, chords, roles, endings."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from played import Part, Tone, hear, row

from retune.analysis import analyze_song, listen_to
from retune.analysis.stems import _doubts
from retune.carriers.heard import Audio, Key, Note, PitchTrack, Role
from retune.carriers.songfacts import Music, Song, Stem

TWO_PHRASES = "60:1 64:1 67:1 64:1 62:3 r:1 60:1 64:1 62:1 59:1 60:3 r:1"


def test_a_song_in_two_phrases() -> None:
    found = hear(row(TWO_PHRASES), chords="C | G | C . G . | C", phrases="every 2 bars")
    stem = found.stems["vocal"]
    assert [n.degree for n in stem.notes] == list("1353213271")
    assert [n.bar for n in stem.notes] == [1, 1, 1, 1, 2, 3, 3, 3, 3, 4]
    assert [p.ending for p in stem.phrases] == ["open", "at rest"]
    assert [p.ending_degree for p in stem.phrases] == ["2", "1"]
    assert [p.ending_chord_role for p in stem.phrases] == ["fifth", "root"]
    assert [n.stability for n in stem.notes if n.degree == "1"] == [1.0] * 3
    assert found.key_source == "given"
    assert stem.notes[4].chord_at_onset is not None


@pytest.mark.parametrize(
    ("last", "chord", "ending", "melodic"),
    [
        (60, "C", "at rest", "at rest"),
        (60, "C6", "at rest", "at rest"),
        (60, "Cmaj7", "at rest", "at rest"),
        (60, "C/E", "partly at rest", "at rest"),
        (64, "C", "partly at rest", "partly at rest"),
        (67, "C", "partly at rest", "partly at rest"),
        (60, "F", "partly at rest", "at rest"),
        (60, "Am", "partly at rest", "at rest"),
        (64, "Am", "partly at rest", "partly at rest"),
        (67, "Em", "partly at rest", "partly at rest"),
        (67, "G", "open", "partly at rest"),
        (62, "G7", "open", "open"),
        (65, "G7", "open", "open"),
        (59, "G", "open", "open"),
        (69, "F", "open", "open"),
        (62, "C", "open", "open"),
        (59, "Bdim", "open", "open"),
    ],
)
def test_how_a_phrase_ends(last: int, chord: str, ending: str, melodic: str) -> None:
    tune = row(f"60:1 64:1 67:1 65:1 {last}:4")
    phrase = hear(tune, chords=f"C | {chord}", phrases="every 2 bars").stems["vocal"].phrases[0]
    assert (phrase.ending, phrase.ending_melodic) == (ending, melodic)


def test_without_chords_the_degree_alone_is_judged() -> None:
    phrase = hear(row(TWO_PHRASES), phrases="every 2 bars").stems["vocal"].phrases[1]
    assert (phrase.ending, phrase.ending_melodic, phrase.ending_chord_role) == (
        None,
        "at rest",
        None,
    )


def test_minor_degrees_and_a_picardy_third() -> None:
    tune = row("57:1 60:1 64:1 67:1 68:1 69:2 r:1 57:4")
    stem = hear(tune, key="A minor", chords="Am | E7 Am | A", phrases="every 3 bars").stems["vocal"]
    assert [n.degree for n in stem.notes] == ["1", "3", "5", "7", "#7", "1", "1"]
    assert stem.notes[4].name == "G#4"
    assert stem.phrases[0].ending == "at rest"


def test_modal_degrees() -> None:
    stem = hear(row("62:1 64:1 65:1 71:1 72:1 62:3"), key="D dorian").stems["vocal"]
    assert [n.degree for n in stem.notes] == ["1", "2", "3", "6", "7", "1"]


def test_six_eight_counts_two_beats_a_bar() -> None:
    eighths = row("60:.333333 62:.333333 64:.333334 65:1 67:2")
    found = hear(eighths, meter=(6, 8), bpm=60, chords="C G | C")
    assert [n.bar for n in found.stems["vocal"].notes] == [1, 1, 1, 1, 2]
    assert [n.beat for n in found.stems["vocal"].notes][3:] == pytest.approx([2.0, 1.0], abs=0.1)
    assert [c.label for c in found.chords] == ["C:maj", "G:maj", "C:maj"]


def test_a_pickup_is_bar_0_and_belongs_to_the_phrase_it_leads_into() -> None:
    tune = row("55:1 60:1 62:1 64:1 65:1 67:2 r:1 67:1 69:1 67:1 65:1 64:1 60:3", at=-1)
    stem = hear(tune, start_s=2.0, phrases="every 2 bars, pickup 1 beat").stems["vocal"]
    assert (stem.notes[0].bar, stem.notes[0].phrase) == (0, 1)
    assert [n.phrase for n in stem.notes] == [1] * 6 + [2] * 6
    assert stem.phrases[0].ending_degree == "5"


def test_a_feminine_ending_is_one_ending() -> None:
    tune = row("60:1 62:1 64:1 65:1 64:2 64:1.5")
    stem = hear(tune, chords="C | C", phrases="every 2 bars").stems["vocal"]
    assert [n.is_phrase_ending for n in stem.notes] == [False] * 4 + [True, False]
    assert stem.notes[5].ending_of == 5
    assert stem.phrases[0].ending_note == 5


def test_a_tail_follows_the_ending() -> None:
    tones = row("60:1 62:1 64:1 67:1 65:2.4 64:.3 62:.3")
    part = Part(tones, legato=frozenset({5, 6}))
    stem = hear({"vocal": part}, chords="C | G7", phrases="every 2 bars").stems["vocal"]
    assert [n.tail_of for n in stem.notes] == [None] * 5 + [5, 5]
    assert (stem.phrases[0].ending_degree, stem.phrases[0].ending_chord_role) == ("4", "seventh")


def test_an_ending_that_anticipates_is_judged_by_the_chord_at_its_end() -> None:
    tune = row("64:1 62:1 62:1 59:.5 60:4")
    stem = hear(tune, chords="G | C", phrases="every 2 bars").stems["vocal"]
    ending = stem.notes[-1]
    assert ending.bar == 1
    assert ending.chord_at_onset is not None
    assert ending.chord_at_onset.label == "G:maj"
    assert (ending.chord_role, stem.phrases[0].ending) == ("root", "at rest")


def test_a_note_just_before_its_chord_is_an_anticipation() -> None:
    tune = row("62:2 62:1.5 64:.5 64:2 60:2")
    stem = hear(tune, chords="G | C", phrases="every 2 bars").stems["vocal"]
    assert stem.notes[2].chord_role == "anticipation"


def test_the_bass_that_sounds_makes_the_inversion() -> None:
    parts = {
        "vocal": Part(row("64:2 60:2 67:2 60:2")),
        "bass": Part([Tone(0, 3.9, 36), Tone(4, 3.9, 40)], role="bass"),
    }
    found = hear(parts, chords="C | C", phrases="every 2 bars")
    assert [c.label for c in found.chords] == ["C:maj", "C:maj/3"]
    assert [c.roman for c in found.chords] == ["I", "I6"]
    assert found.stems["vocal"].phrases[0].ending == "partly at rest"


def test_a_passing_bass_makes_none() -> None:
    parts = {
        "vocal": Part(row("64:2 60:2")),
        "bass": Part([Tone(0, 2.9, 36), Tone(3, 0.9, 38)], role="bass"),
    }
    assert [c.label for c in hear(parts, chords="C").chords] == ["C:maj"]


SCALE = "60:1 62:1 64:1 65:1 67:1 69:1 71:1 72:1 71:1 69:1 67:1 65:1 64:1 62:1 59:1 60:2"


@pytest.mark.parametrize("cents", [0, 12, 30, 45, -45, 60, 80, -80])
def test_tuning_is_found_and_removed(cents: float) -> None:
    found = hear({"vocal": Part(row(SCALE), cents=cents)})
    assert 1200 * np.log2(found.tuning_hz / 440) == pytest.approx(cents, abs=2)
    assert "".join(n.degree or "?" for n in found.stems["vocal"].notes) == "1234567176543271"


@pytest.mark.parametrize(("cents", "drift"), [(0, 50), (0, -50), (25, 50), (40, -60)])
def test_drift_is_followed(cents: float, drift: float) -> None:
    part = Part(row(SCALE) + row(SCALE, at=17), cents=cents, drift_cents=drift)
    found = hear({"vocal": part})
    assert "".join(n.degree or "?" for n in found.stems["vocal"].notes) == "1234567176543271" * 2
    assert max(abs(n.cents_from_name) for n in found.stems["vocal"].notes) < 15
    assert any("drifts" in line for line in found.warnings)


def test_a_given_tuning_wins() -> None:
    found = hear({"vocal": Part(row(SCALE), cents=10)}, tuning_hz=440.0)
    assert found.tuning_hz == 440.0
    assert found.stems["vocal"].notes[3].cents_from_name == pytest.approx(10, abs=2)


def test_a_singer_off_the_band_is_named_by_its_own_tuning() -> None:
    bass = [Tone(4 * k, 3.9, 36) for k in range(4)]
    parts = {"vocal": Part(row(SCALE), cents=45), "bass": Part(bass, role="bass")}
    found = hear(parts)
    assert "".join(n.degree or "?" for n in found.stems["vocal"].notes) == "1234567176543271"
    assert any("vocal" in line or "bass" in line for line in found.warnings)


def test_the_key_is_found_and_said_to_be() -> None:
    found = hear(row(SCALE), key="auto")
    assert found.key == Key("C", "major")
    assert (found.key_source, 0 < found.key_confidence <= 1) == ("estimated", True)
    assert any("key (C major) is estimated" in line for line in found.warnings)


def test_a_change_of_key() -> None:
    found = hear(row("60:4 67:4 67:4 72:4"), keys=(("3:1", "G major"),))
    assert [n.degree for n in found.stems["vocal"].notes] == ["1", "5", "1", "4"]


def test_a_short_chart_is_told_and_the_rest_has_no_chord() -> None:
    found = hear(row(TWO_PHRASES), chords="C | G")
    assert any("chords end at" in line for line in found.warnings)
    assert found.stems["vocal"].notes[-1].chord is None


def test_a_long_chart_is_told() -> None:
    found = hear(row("60:4"), chords="C | G | C | C | C | C")
    assert any("chart has 6 bars" in line for line in found.warnings)


def test_other_stems_keep_the_numbers_of_the_lead() -> None:
    parts = {
        "vocal": Part(row(TWO_PHRASES)),
        "bass": Part(row("36:4 43:4 36:2 43:2 36:4"), role="bass"),
    }
    found = hear(parts, phrases="every 2 bars")
    assert [n.phrase for n in found.stems["bass"].notes] == [1, 1, 2, 2, 2]
    assert [p.ending_degree for p in found.stems["bass"].phrases] == ["5", "1"]


def test_no_beat_leaves_bars_unknown() -> None:
    found = hear(row("60:3 64:3"), tempo_bpm=None, first_downbeat_s=None)
    assert found.stems["vocal"].notes[0].bar is None
    assert any("no beat was found" in line for line in found.warnings)


def test_a_beat_found_in_the_melody_is_called_estimated() -> None:
    found = hear(row("60:1 62:1 64:1 65:1 " * 6), bpm=100, tempo_bpm=None, first_downbeat_s=None)
    assert found.bars.source == "estimated"
    assert found.bars.tempo_bpm == pytest.approx(100, rel=0.02)
    assert any("from all that sounds" in line for line in found.warnings)


@pytest.mark.parametrize(("melody", "is_told"), [("60:2 62:2", False), ("60:12 62:8", True)])
def test_a_stem_that_lies_late_as_a_whole_is_told(melody: str, is_told: bool) -> None:
    """One that only enters late is common."""
    parts = {
        "vocal": Part(row(melody, at=16)),
        "bass": Part(row("36:4 43:4 36:4 43:4 36:4"), role="bass"),
    }
    assert any("vocal starts at" in line for line in hear(parts).warnings) is is_told


def test_every_number_is_finite_and_every_index_in_order() -> None:
    found = hear(row(TWO_PHRASES), chords="C | G | C | C")
    notes = found.stems["vocal"].notes
    assert [n.index for n in notes] == list(range(1, len(notes) + 1))
    for note in notes:
        assert np.isfinite([note.start_s, note.end_s, note.pitch_midi, note.cents_from_name]).all()
        assert note.start_s < note.end_s
        assert round(note.pitch_midi - note.cents_from_name / 100) == note.midi_name


def test_a_chart_and_counted_phrases_need_bars() -> None:
    found = hear(
        row("60:3 64:3"),
        tempo_bpm=None,
        first_downbeat_s=None,
        chords="C | G",
        phrases="every 2 bars",
    )
    assert found.chords == ()
    assert any("chart has no place" in line for line in found.warnings)
    assert any("has no bars to count" in line for line in found.warnings)
    assert len(found.stems["vocal"].phrases) == 1


def test_silence_has_no_notes_and_says_so() -> None:
    n = 100
    track = PitchTrack(np.arange(n) * 0.0116, np.full(n, np.nan), np.zeros(n), np.full(n, -90.0))
    song = Song(Path("s.toml"), "", "", {"vocal": Stem("vocal", Path("v"), "melody")}, Music())
    audio = {"vocal": Audio(np.zeros(16000, np.float32), 16000)}
    found = analyze_song(song, listen_to(song, audio, {"vocal": track}))
    assert found.stems["vocal"].notes == ()
    assert found.key is None
    assert any("no note was heard" in line for line in found.warnings)


@pytest.mark.parametrize(
    ("role", "doubtful", "told"),
    [
        ("melody", 3, True),
        ("melody", 2, False),
        ("mix", 3, False),
    ],
)
def test_so_many_doubts_that_it_may_be_a_finished_mix(
    role: Role, doubtful: int, told: bool
) -> None:
    """More than a quarter of eight notes."""
    notes = [
        Note(
            k + 1, 0.5 * k, 0.5 * k + 0.4, 60.0, "C4", 0.0, confidence=0.2 if k < doubtful else 1.0
        )
        for k in range(8)
    ]
    (line,) = _doubts("vocal", notes, role=role)
    assert line.startswith(f"stem vocal: {doubtful} notes are in doubt: 0.00 s C4")
    assert ("if this is a finished mix, give role" in line) == told
