"""Which notes a rule means: every selector and scope on invented songs whose notes are known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from rule_songs import lament, lullaby, modal, modulating, rocking, song

from retune.carriers.errors import InputError, UsageError
from retune.carriers.heard import Analysis, Note
from retune.rules import parse_rule
from retune.rules.match import matched_notes
from retune.rules.spans import matched_spans


def matched(analysis: Analysis, text: str, stem: str = "vocal") -> list[int]:
    """Numbers of the notes that "keep ..." would keep."""
    rule = parse_rule(f"keep {text}", stems=list(analysis.stems))
    return [note.index for note in matched_notes(rule, analysis.stems[stem], analysis)]


def changed(analysis: Analysis, change: Callable[[Note], Note]) -> Analysis:
    """The song with other values in the notes of its vocal."""
    vocal = analysis.stems["vocal"]
    notes = tuple(map(change, vocal.notes))
    return replace(analysis, stems={**analysis.stems, "vocal": replace(vocal, notes=notes)})


@pytest.mark.parametrize(
    ("text", "notes"),
    [
        # The feminine ending of phrase 3 is its first stroke; the second goes with it.
        ("phrase-ending note", [6, 14, 22, 31]),
        ("phrase-ending degree 2", [6, 22]),
        ("phrase-ending degrees 1 and 3", [14, 31]),
        ("last note of phrase 2", [14]),
        ("last note of phrases 2-last", [14, 22, 31]),
        # Pickups belong to the phrase they lead into.
        ("phrase-opening note", [1, 7, 15, 24]),
        ("phrase-opening degree 5", [1]),
        ("first note of the last phrase", [24]),
        ("phrase-downbeat note", [2, 8, 16, 25]),
        ("phrase-downbeat degree 3", [8, 16]),
        ("every degree 7", [20, 28, 29]),
        ("highest note", [4, 10, 17, 25]),
        # The earliest of equals.
        ("lowest note", [1, 13, 20, 28]),
        ("longest note", [6, 8, 21, 25]),
        ("longest degree 3", [4, 8, 16, 24]),
        ("highest note in bars 1-2", [4]),
        ("note Eb5", [9, 17, 25]),
        ("note D#", [9, 17, 25]),
        ("note A4", [20, 28, 29]),
        ("note Bb5", []),
    ],
)
def test_selectors(text: str, notes: list[int]) -> None:
    assert matched(lullaby(), text) == notes


@pytest.mark.parametrize(
    ("text", "notes"),
    [
        ("phrase-ending note in phrases 1, 3-last", [6, 22, 31]),
        ("phrase-ending note in last phrase", [31]),
        ("every note in phrase 9", []),
        ("every note in notes 1-3", [1, 2, 3]),
        ("every note in notes final 2", [30, 31]),
        # Counted among what the rest of the rule means.
        ("phrase-ending note in notes even", [14, 31]),
        ("phrase-ending note except in notes even", [6, 22]),
        ("highest note in notes odd", [4, 17]),
        ("phrase-ending note in second half of song", [22, 31]),
        ("every note in first half of phrases in phrase 1", [1, 2, 3, 4, 5]),
        ("every note in second half of phrases in phrase 1", [6]),
        ("every note on strong beats in phrase 1", [2, 4, 6]),
        ("every note on weak beats in phrase 1", [1, 3, 5]),
        ("every note off the beat", []),
        ("every note higher than D5", [9, 10, 17, 25]),
        ("every note lower than Bb4", [1, 20, 28, 29]),
        ("every note longer than 2 beats", [6, 21]),
        ("every note shorter than 1 beat", []),
        ("every note in phrase 1 except longer than 1 beat", [1, 3, 5]),
        ("every note until 2:1", [1, 2, 3]),
        ("every note from 15:1 on", [29, 30, 31]),
        ("phrase-ending note in open phrases", [6, 22]),
        ("phrase-ending note in closed phrases", [31]),
        ("every note in bar 0", [1]),
        ("every note in bars 3, 8", [6, 14, 15]),
        # By the onset, also where a note is held over the barline.
        ("every note in bar 4", [7]),
        ("every note in bars 15-last", [29, 30, 31]),
        ("every note from 2s to 5s", [2, 3]),
        ("every note from 1:1 to 2:1", [2, 3]),
        ("every note from 0:3 to 1:3", [1, 2]),
        ("phrase-ending note over V", [6]),
        ("phrase-ending note over I or V", [6, 22, 31]),
        ("every degree 7 over V", [28, 29]),
        ("every degree 7 over V7", [28, 29]),
        ("every degree 7 over F7", [28, 29]),
        ("every note over I6", [12, 13]),
        ("every note over Bb/D", [12, 13]),
        ("phrase-ending note over tonic chord", [22, 31]),
        ("phrase-ending note over other than tonic chord", [6, 14]),
        ("phrase-ending note where it is not a chord tone", [22]),
        ("phrase-ending note where it is a chord tone", [6, 14, 31]),
        ("phrase-ending note except the last phrase", [6, 14, 22]),
        ("phrase-ending note except in phrases 1-2", [22, 31]),
        ("phrase-ending note except over I", [6, 14]),
        ("phrase-ending note except where it is a chord tone", [22]),
        ("phrase-ending note except from 1:1 to 9:1", [22, 31]),
        ("phrase-ending degree 2 in phrases 1-3 over V", [6]),
        ("phrase-ending note except over V except in phrase 2", [22, 31]),
    ],
)
def test_scopes(text: str, notes: list[int]) -> None:
    assert matched(lullaby(), text) == notes


def test_where_asks_about_the_note_that_was_picked() -> None:
    song = lullaby()
    # The highest notes are 4 10 17 25; two of them are chord tones, and no other note steps in.
    assert matched(song, "highest note where it is a chord tone") == [4, 25]
    assert matched(song, "highest note where it is not a chord tone") == [10, 17]
    assert matched(song, "highest note except where it is a chord tone") == [10, 17]


def test_bare_stems_mean_all_their_notes() -> None:
    song = lullaby()
    assert matched(song, "bass in bars 1-2", stem="bass") == [1, 2]
    assert len(matched(song, "bass", stem="bass")) == len(song.stems["bass"].notes)


@pytest.mark.parametrize(
    ("text", "notes"),
    [
        ("note at 2s", [2]),
        ("note at 3.9s", [2]),
        ("note at 3.98s", []),
        ("note at 1:1", [2]),
        ("note at 1:2", [2]),
        ("note at 1:3", [3]),
        ("note at 3:2.5", [6]),
        ("note at 99s", []),
    ],
)
def test_the_note_at_a_moment(text: str, notes: list[int]) -> None:
    assert matched(lullaby(), text) == notes


@pytest.mark.parametrize("late_s", [-0.09, 0.09])
def test_a_note_sung_a_little_off_the_beat_is_the_note_at_the_beat(late_s: float) -> None:
    song = changed(
        lullaby(),
        lambda n: replace(n, start_s=n.start_s + late_s, end_s=n.end_s + late_s),
    )
    assert matched(song, "note at 1:1") == [2]
    assert matched(song, "note at 2:1") == [4]


def test_a_bar_that_the_song_has_not_is_refused() -> None:
    with pytest.raises(UsageError, match="bars 0 to 16, beats 1 to 3"):
        matched(lullaby(), "note at 40:1")
    with pytest.raises(UsageError, match="1:4 is not in the song"):
        matched(lullaby(), "every note from 1:4 to 2:1")


def test_in_minor_six_and_seven_mean_both_forms() -> None:
    song = lament()
    assert matched(song, "phrase-ending degree 7") == [10, 15]
    assert matched(song, "phrase-ending degree #7") == [10]
    assert matched(song, "note G") == [15]


def test_in_a_mode_the_digits_are_its_own() -> None:
    song = modal()
    assert matched(song, "every degree 7") == [5]
    # The sixth of dorian is a major one: B in D.
    assert matched(song, "every degree 6") == [6]
    assert matched(song, "every degree #7") == []


def test_degrees_and_numerals_count_from_the_key_of_the_moment() -> None:
    song = modulating()
    assert matched(song, "phrase-ending degree 2") == [5, 15]
    assert matched(song, "phrase-ending degree 2 over V") == [5, 15]
    assert matched(song, "phrase-ending note over tonic chord") == [10, 20]
    assert matched(song, "every note over v") == []


def test_in_compound_time_a_beat_is_a_dotted_quarter() -> None:
    song = rocking()
    assert matched(song, "every note from 1:2 to 2:1") == [4, 5]
    assert matched(song, "phrase-ending note") == [6, 12, 17]
    assert matched(song, "every note in bar 0") == [1]


@pytest.mark.parametrize(("degree", "matches"), [("#4", True), ("b5", True), ("4", False)])
def test_a_chromatic_note_goes_by_either_name(degree: str, matches: bool) -> None:
    song = changed(
        lullaby(),
        lambda n: (
            replace(n, name="E5", pitch_midi=76.0, cents_from_name=0.0, degree="#4")
            if n.index == 9
            else n
        ),
    )
    assert (9 in matched(song, f"every degree {degree}")) == matches


def test_a_scale_note_does_not_go_by_an_altered_name() -> None:
    # b4 sounds as 3 in major, #7 as 1: whoever writes them means no note of this song.
    assert matched(lullaby(), "every degree b4") == []
    assert matched(lullaby(), "every degree #7") == []


def test_without_a_key_no_degree_and_no_numeral_matches() -> None:
    song = replace(lullaby(), keys=())
    assert matched(song, "phrase-ending degree 2") == []
    assert matched(song, "phrase-ending note over V") == []
    assert matched(song, "phrase-ending note") == [6, 14, 22, 31]


# --- spans of stems that move as a whole ---------------------------------------------------------


@pytest.mark.parametrize(
    ("scopes", "spans"),
    [
        ("", [(0.0, 50.0)]),
        ("in bars 3-4", [(8.0, 14.0)]),
        ("in bars 3, 4, 7", [(8.0, 14.0), (20.0, 23.0)]),
        ("in bar 0", [(0.0, 2.0)]),
        ("in bars 16-last", [(47.0, 50.0)]),
        ("in bars 90-99", []),
        ("from 5s to 7.5s", [(5.0, 7.5)]),
        ("from 2:1 to 3:2", [(5.0, 9.0)]),
        ("over V", [(8.0, 14.0), (41.0, 47.0)]),
        ("over V7", [(41.0, 47.0)]),
        ("in bars 1-4 over V", [(8.0, 14.0)]),
        ("except from 0s to 48s", [(48.0, 50.0)]),
        ("in bars 1-2 except over I", [(5.0, 8.0)]),
    ],
)
def test_spans_of_a_whole_stem(scopes: str, spans: list[tuple[float, float]]) -> None:
    rule = parse_rule(f"shift harp up 1 semitone {scopes}", stems=["harp"])
    found = matched_spans(rule, lullaby())
    assert len(found) == len(spans)
    for span, wanted in zip(found, spans, strict=True):
        assert span == pytest.approx(wanted)


def test_phrases_of_the_melody_bound_a_whole_stem() -> None:
    lull = lullaby()
    first, second, third, last = lull.stems["vocal"].phrases
    assert spans_of(lull, "in phrase 2") == [(second.start_s, third.start_s)]
    # No gap is left between two phrases that both move.
    assert spans_of(lull, "in phrases 1-2") == [(first.start_s, third.start_s)]
    assert spans_of(lull, "in phrase last") == [(last.start_s, lull.duration_s)]


def test_the_last_bar_of_a_whole_stem_is_the_melody_s_and_rings_out() -> None:
    longer = lullaby()
    bars = longer.bars
    downbeats = (*bars.downbeats_s, bars.downbeats_s[-1] + 3.0)
    longer = replace(
        longer, bars=replace(bars, downbeats_s=downbeats), duration_s=downbeats[-1] - 0.5
    )
    assert spans_of(longer, "in bar last") == [(downbeats[15], longer.duration_s)]
    assert spans_of(longer, "in bars 15-last") == [(downbeats[14], longer.duration_s)]
    assert spans_of(longer, "in bar 16") == [(downbeats[15], downbeats[16])]


def spans_of(analysis: Analysis, scope: str) -> list[tuple[float, float]]:
    rule = parse_rule(f"shift harp up 1 semitone {scope}", stems=["harp"])
    return matched_spans(rule, analysis)


def test_without_a_key_letters_name_chords_and_numerals_none() -> None:
    bare = replace(lullaby(), keys=())
    assert matched(bare, "phrase-ending note over F") == [6]
    assert matched(bare, "phrase-ending note over V") == []
    assert matched(bare, "phrase-ending note over tonic chord") == []


def test_a_note_over_no_chord_is_neither_chord_tone_nor_not() -> None:
    silent = song({"vocal": ("melody", "Bb4:4 C5:4")}, meter=(4, 4), chart="N.C. | Bb")
    assert matched(silent, "every note where it is a chord tone") == []
    assert matched(silent, "every note where it is not a chord tone") == [2]
    assert matched(silent, "every note over N.C.") == [1]
    assert matched(silent, "every note over other than tonic chord") == []


def test_a_whole_stem_knows_no_chord_tones() -> None:
    rule = parse_rule("shift harp up 1 semitone where it is a chord tone", stems=["harp"])
    with pytest.raises(InputError, match="moves by bars, times, phrases, sections, chords or"):
        matched_spans(rule, lullaby())


APPLIED = "E7 | Am | A7 | Dm | B7 | Em | D7 | G7"


@pytest.mark.parametrize(
    ("key", "degrees"),
    [
        ("C major", ["#5", "6", "#1", "2", "#2", "3", "#4", "b6"]),
        ("A minor", ["#7", "1", "#3", "4", "#4", "5", "#6", ""]),
    ],
)
def test_a_degree_goes_by_the_spelling_of_the_chord(key: str, degrees: list[str]) -> None:
    """Applied dominants raise (common practice, no source): G sharp over E7 in C is no b6. A rule
    may call the sound by either name."""
    tune = "G#4:4 A4:4 C#5:4 D5:4 D#5:4 E5:4 F#5:4 Ab4:4"
    heard = song({"vocal": ("melody", tune)}, key=key, chart=APPLIED)
    found = [note.degree for note in heard.stems["vocal"].notes]
    assert found[:7] == degrees[:7]
    if key == "C major":
        assert found[7] == degrees[7]
        assert matched(heard, "every degree #5") == matched(heard, "every degree b6") == [1, 8]
        assert matched(heard, "every degree b3") == matched(heard, "every degree #2") == [5]
