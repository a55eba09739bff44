"""Notes by their place in the phrase, beat, chord role, cadence, section and word."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from rule_songs import song

from retune.carriers.errors import InputError
from retune.carriers.heard import Analysis
from retune.rules import make_plan, parse_rule
from retune.rules.lyrics import notes_of_words
from retune.rules.match import matched_notes
from retune.rules.spans import matched_spans

# Phrase 1 with a pickup of one beat; D5 over F7 leaps in and steps down: an appoggiatura.
TUNE = "F4:1 Bb4:1 D5:1 C5:1 Bb4:1 / F4:1 G4:1 A4:1 C5:1 / Bb4:1 F4:1 D5:1 C5:1 / A4:1 C5:1 Bb4:2"
CHART = "Bb | Bb | F7 | Bb"


def tune() -> Analysis:
    return song({"vocal": ("melody", TUNE)}, meter=(4, 4), chart=CHART, pickup=1)


def names(rule: str, analysis: Analysis | None = None) -> list[str]:
    analysis = analysis or tune()
    stem = analysis.melody
    assert stem is not None
    return [note.name for note in matched_notes(parse_rule(rule), stem, analysis)]


@pytest.mark.parametrize(
    ("rule", "found"),
    [
        ("keep phrase-pickup note", ["F4"]),
        ("keep phrase-second note", ["Bb4", "G4", "F4", "C5"]),
        ("keep phrase-third note in phrase 2", ["A4"]),
        ("keep phrase-fourth note in phrases odd", ["C5", "C5"]),
        ("keep phrase-penultimate note", ["C5", "A4", "D5", "C5"]),
        ("keep phrase-opening note in phrases even", ["F4", "A4"]),
        ("keep phrase-opening note in phrase penultimate", ["Bb4"]),
        ("keep phrase-opening note in phrases final 2", ["Bb4", "A4"]),
        ("keep phrase-opening note in phrases 1-last step 3", ["F4", "A4"]),
        ("keep song-highest note", ["D5"]),
        ("keep song-lowest note in phrase last", ["A4"]),
        ("keep every note on beat 1", ["Bb4", "F4", "Bb4", "A4"]),
        ("keep every note on beats 1, 4 in phrase 1", ["F4", "Bb4", "Bb4"]),
        ("keep every chord third over I in phrase 1", ["D5"]),
    ],
)
def test_a_note_is_found_by_its_place(rule: str, found: list[str]) -> None:
    assert names(rule) == found


def test_a_phrase_that_begins_before_its_barline_has_a_pickup() -> None:
    analysis = song({"vocal": ("melody", "Bb4:2 C5:1 / D5:1/2 C5:1/2 Bb4:4")}, chart="Bb | Bb")
    assert names("keep phrase-pickup note", analysis) == ["D5", "C5"]


def test_a_note_is_found_by_its_role_and_goes_to_its_resolution() -> None:
    analysis = song({"vocal": ("melody", "F4:2 D5:2 C5:2 A4:2")}, chart="F7 | F7")
    assert names("keep every appoggiatura", analysis) == ["D5"]
    (edit,) = make_plan(analysis, ["move every appoggiatura to its resolution"]).edits
    assert (edit.from_name, edit.to_name) == ("D5", "C5")


def test_a_note_takes_the_pitch_of_another() -> None:
    analysis = tune()
    (edit,) = make_plan(analysis, ["move phrase-ending note to note before in phrase 1"]).edits
    assert (edit.from_name, edit.to_name) == ("Bb4", "C5")
    (edit,) = make_plan(analysis, ["move note at 1:2 to note after"]).edits
    assert (edit.from_name, edit.to_name) == ("D5", "C5")
    (edit,) = make_plan(
        analysis, ["move phrase-ending note to ending of phrase 2 in phrase 1"]
    ).edits
    assert (edit.from_name, edit.to_name) == ("Bb4", "C5")
    assert "no note comes after" in " ".join(
        make_plan(analysis, ["move phrase-ending note to note after in phrase last"]).warnings
    )


@dataclass(frozen=True)
class Section:
    name: str
    start_s: float
    end_s: float


def in_sections(sections: tuple[Section, ...]) -> Analysis:
    analysis = tune()
    object.__setattr__(analysis, "sections", sections)
    return analysis


def test_a_section_is_found_by_name_and_number() -> None:
    named = (Section("verse", 0, 5), Section("Chorus", 5, 9), Section("chorus", 9, 30))
    starts = {
        "in section verse": ["F4"],
        "in section chorus": ["F4", "Bb4", "A4"],
        "in section chorus 1": ["F4"],
        "in section chorus last": ["Bb4", "A4"],
    }
    for scope, found in starts.items():
        assert names(f"keep phrase-opening note {scope}", in_sections(named)) == found
    with pytest.raises(InputError, match="it has verse, Chorus"):
        names("keep every note in section bridge", in_sections(named))
    with pytest.raises(InputError, match=r"sections = "):
        names("keep every note in section bridge")


@pytest.mark.parametrize(
    ("scope", "found"),
    [
        ("after a step", ["D5", "C5", "D5"]),
        ("after a step up", ["D5", "D5"]),
        ("after a leap", ["G5", "C5"]),
        ("after a leap down", ["C5"]),
        ("after a rise", ["D5", "G5", "D5"]),
        ("after a fall", ["C5", "C5"]),
        ("except after a rise", ["C5", "C5", "C5", "C5", "C5"]),
    ],
)
def test_a_note_is_found_by_how_it_is_reached(scope: str, found: list[str]) -> None:
    """Within its phrase only; a repeated pitch is neither step nor leap."""
    tune = "C5:1 D5:1 C5:1 C5:1 G5:1 C5:1 / C5:1 D5:1"
    analysis = song({"vocal": ("melody", tune)}, key="C major")
    assert names(f"keep every note {scope}", analysis) == found


@pytest.mark.parametrize(
    ("scope", "found"),
    [
        ("before a leap", ["C5", "G5"]),
        ("before a step down", ["D5"]),
        ("after a leap of a fifth", ["G5", "C5"]),
        ("after a leap of a fifth or more", ["G5", "C5"]),
        ("after a leap up of 8 semitones or more", []),
        ("before a leap of a fourth or less", []),
        ("after a rise of a second", ["D5", "D5"]),
        ("where it is a repeated note", ["C5"]),
        ("before a note where it is a repeated note", ["C5"]),
        ("higher than note before", ["D5", "G5", "D5"]),
        ("lower than note after", ["C5", "C5", "C5"]),
        ("after every degree 2", ["C5"]),
        ("after highest note", ["C5"]),
        ("before highest note", ["C5", "C5"]),
        ("after note G5", ["C5"]),
        ("before phrase-ending note", ["G5", "C5"]),
        ("after a note higher than D5", ["C5"]),
        ("except after a note higher than D5", ["C5", "D5", "C5", "C5", "G5", "C5", "D5"]),
    ],
)
def test_a_note_is_found_by_the_note_beside_it(scope: str, found: list[str]) -> None:
    """Within its phrase; intervals by letters or by semitones."""
    tune = "C5:1 D5:1 C5:1 C5:1 G5:1 C5:1 / C5:1 D5:1"
    analysis = song({"vocal": ("melody", tune)}, key="C major")
    assert names(f"keep every note {scope}", analysis) == found


def test_a_sixth_is_one_by_its_letters_major_or_minor() -> None:
    analysis = song({"vocal": ("melody", "C5:1 A5:1 C5:1 Ab5:1 C5:1 G#5:1")}, key="C major")
    assert names("keep every note after a leap up of a sixth", analysis)[:1] == ["A5"]
    assert len(names("keep every note after a leap up of 8 semitones or more", analysis)) == 3
    assert len(names("keep every note after a leap of 1 octave or less", analysis)) == 5


@pytest.mark.parametrize(
    ("scope", "found"),
    [
        ("lasting 1 beat", ["C5", "G5"]),
        ("lasting a quarter-note", ["C5", "G5"]),
        ("lasting an eighth-note", ["D5", "E5"]),
        ("lasting a half-note", ["F5"]),
        ("lasting a dotted-half-note", ["A5"]),
        ("longer than a quarter-note", ["F5", "A5"]),
        ("longer than note before", ["F5", "A5"]),
        ("shorter than note before", ["D5", "G5"]),
        ("after a note lasting a half-note", ["G5"]),
        ("after a rest", ["G5"]),
        ("before a rest", ["F5"]),
    ],
)
def test_a_note_is_found_by_its_written_value(scope: str, found: list[str]) -> None:
    tune = "C5:1 D5:1/2 E5:1/2 F5:2 r:1 G5:1 A5:3"
    analysis = song({"vocal": ("melody", tune)}, key="C major", meter=(4, 4))
    assert names(f"keep every note {scope}", analysis) == found


def test_a_value_goes_by_the_meter() -> None:
    """In 6/8 the beat is a dotted quarter: three eighths."""
    analysis = song({"vocal": ("melody", "C5:1 D5:1/3 E5:2/3")}, key="C major", meter=(6, 8))
    assert names("keep every note lasting an eighth-note", analysis) == ["D5"]
    assert names("keep every note lasting a quarter-note", analysis) == ["E5"]
    assert names("keep every note lasting a dotted-quarter-note", analysis) == ["C5"]


@pytest.mark.parametrize(
    ("kind", "found"),
    [
        ("bar-opening", ["C5", "G5"]),
        ("bar-ending", ["F5", "A5"]),
        ("bar-highest", ["F5", "A5"]),
        ("bar-lowest", ["C5", "G5"]),
        ("bar-longest", ["F5", "A5"]),
        ("bar-shortest", ["D5", "G5"]),
        ("song-shortest", ["D5"]),
        ("shortest", ["D5"]),
    ],
)
def test_a_note_is_found_in_every_bar(kind: str, found: list[str]) -> None:
    tune = "C5:1 D5:1/2 E5:1/2 F5:2 G5:1 A5:3"
    analysis = song({"vocal": ("melody", tune)}, key="C major", meter=(4, 4))
    assert names(f"keep {kind} note", analysis) == found


def test_a_note_is_found_by_the_quality_of_its_chord_and_by_its_scale() -> None:
    analysis = song(
        {"vocal": ("melody", "C5:2 E5:2 D5:2 F#5:2")}, key="C major", chart="C Am | Bo G7"
    )
    assert names("keep every note over minor chords", analysis) == ["E5"]
    assert names("keep every note over major chords", analysis) == ["C5", "F#5"]
    assert names("keep every note where it is not a scale tone", analysis) == ["F#5"]
    (edit,) = make_plan(analysis, ["move every note to nearest scale tone"]).edits
    assert (edit.from_name, edit.to_name) == ("F#5", "F5")
    (edit,) = make_plan(analysis, ["move every note to nearest scale tone above"]).edits[-1:]
    assert edit.to_name == "G5"


def test_the_third_note_from_the_end_of_a_phrase() -> None:
    analysis = song({"vocal": ("melody", "C5:1 D5:1 E5:1 F5:1 / G5:1 A5:1")}, key="C major")
    assert names("keep phrase-antepenultimate note", analysis) == ["D5"]


def test_a_phrase_is_found_by_its_cadence() -> None:
    analysis = tune()
    stem = analysis.melody
    assert stem is not None
    closes = dict(
        zip((1, 2, 3, 4), ("half", "perfect authentic", "phrygian half", "plagal"), strict=True)
    )
    for phrase in stem.phrases:
        object.__setattr__(phrase, "cadence", closes[phrase.index])
    assert names("keep phrase-opening note at half cadences", analysis) == ["F4", "Bb4"]
    assert names("keep phrase-opening note at authentic or plagal cadences", analysis) == [
        "F4",
        "A4",
    ]
    assert names("keep phrase-ending note at deceptive cadences", analysis) == []


def test_a_note_is_found_by_the_word_it_sings() -> None:
    analysis = tune()
    stem = analysis.melody
    assert stem is not None
    for note, syllable in zip(stem.notes, ("Go", "home,", "lan-", "tern"), strict=False):
        object.__setattr__(note, "lyric", syllable)
    assert notes_of_words(stem, "lantern") == {3, 4}
    assert notes_of_words(stem, "home lantern") == {2, 3, 4}
    assert notes_of_words(stem, "go lantern") == set()
    assert names('keep every note on word "Home"', analysis) == ["Bb4"]
    assert names('keep every note on word "lantern"', analysis) == ["D5", "C5"]
    assert names('keep every note from word "home" to word "lantern"', analysis) == [
        "Bb4", "D5", "C5",
    ]  # fmt: skip
    assert names('keep every note until 2:1 from word "home" on', analysis)[0] == "Bb4"
    assert names('keep every note from word "lantern" to word "home"', analysis) == []
    span = matched_spans(parse_rule('shift harp up 1 octave from word "home" to word "lantern"',
                                    stems=["harp"]), analysis)  # fmt: skip
    assert span == [(stem.notes[1].start_s, stem.notes[3].end_s)]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("rule", "notes"),
    [
        ('shift every note up 1 semitone on word "blue"', [51, 52, 53]),
        ('shift every note up 1 semitone on word "lamp"', [2, 55]),
        (
            'shift every note down 1 semitone from word "sail" to word "blue"',
            [47, 48, 49, 50, 51, 52, 53],
        ),
        ('shift every note down 1 semitone from word "lamp" to word "low"', [2, 3, 4]),
        ('shift every note down 1 semitone from word "comes" on', [61, 62, 63]),
        ('shift every note down 1 semitone from word "home" to word "lamp"', []),
        ("move phrase-ending degree 1 to degree 2 in section verse 2", [63]),
    ],
)
def test_words_and_sections_of_the_demo(rule: str, notes: list[int]) -> None:
    from retune import pipeline

    plan = pipeline.open_song(pipeline.demo_folder() / "song.toml").plan([rule])
    assert [edit.note for edit in plan.edits] == notes
