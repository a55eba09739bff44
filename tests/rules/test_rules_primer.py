"""A chorale and a pop song, note by note: degree, role, ending and cadence as read by hand, and
what moves do to them. Common practice, no source."""

from __future__ import annotations

import pytest
from primer_songs import CHORALE, POP, Phrase, chorale, pop_song
from rule_songs import song

from retune.carriers.heard import Analysis
from retune.comparison.endings import phrase_endings
from retune.rules import make_plan
from retune.rules.match import matched_notes
from retune.rules.parse import read_strictly
from retune.rules.tension import plan_tension
from retune.song.lifted import keys_after

SONGS = {"chorale": (chorale, CHORALE), "pop": (pop_song, POP)}


@pytest.mark.parametrize("name", SONGS)
def test_every_note_is_read_as_by_hand(name: str) -> None:
    make, truth = SONGS[name]
    vocal = make().stems["vocal"]
    for phrase, by_hand in zip(vocal.phrases, truth, strict=True):
        notes = [note for note in vocal.notes if note.phrase == phrase.index]
        assert [(note.degree, note.chord_role) for note in notes] == list(by_hand.read)
        assert (phrase.ending, phrase.cadence) == (by_hand.ending, by_hand.cadence), phrase.index


def test_what_is_held_over_a_change_is_read_over_each_chord() -> None:
    held = chorale().stems["vocal"].notes[16]
    assert [(o.chord.typed, o.role, o.figure) for o in held.over or ()] == [
        ("C", "fifth", ""),
        ("D", "suspension", "4-3"),
    ]


def test_a_key_lift_moves_home_with_it() -> None:
    """The last chorus is the second, a tone up: the same tension, note by note."""
    notes = pop_song().stems["vocal"].notes
    low, high = ([n for n in notes if n.phrase in ps] for ps in ((3, 4), (7, 8)))
    pairs = list(zip(low[1:], high, strict=True))  # but for the pickup
    tension = [[o.tension for o in a.over or ()] == [o.tension for o in b.over or ()]
               for a, b in pairs]  # fmt: skip
    assert all(tension)


def cadences(analysis: Analysis, rule: str) -> list[str | None]:
    plan = make_plan(analysis, [rule])
    return [ending.cadence_after for ending in phrase_endings(analysis, plan)]


def test_a_move_changes_the_cadence_where_the_melody_decides_it() -> None:
    heard = chorale()
    assert cadences(heard, "keep every note") == ["half", "half", "deceptive", "perfect authentic"]
    assert cadences(heard, "move phrase-ending note to degree 3 in last phrase") == [
        "half", "half", "deceptive", "imperfect authentic",
    ]  # fmt: skip


def test_a_moved_band_makes_another_cadence() -> None:
    parts = {"vocal": ("melody", "E4:2 D4:2 C4:4"), "bass": ("bass", "C3:2 G2:2 C3:4")}
    heard = song(
        {**parts, "harp": ("backing", "")},
        key="C major",
        chart="C G | C",
    )
    assert cadences(heard, "shift bass up 4 semitones in bar 2") == ["imperfect authentic"]


@pytest.mark.parametrize("chart", ["Am | Dm/E | Am", "Am | Bm7b5/E | Am"])
def test_iv_and_ii_over_the_dominant_stand_for_it_in_minor_too(chart: str) -> None:
    heard = song({"vocal": ("melody", "C5:4 D5:4 A4:4")}, key="A minor", chart=chart)
    assert heard.stems["vocal"].phrases[0].cadence == "perfect authentic"
    over_v = matched_notes(read_strictly("keep every note over V"), heard.stems["vocal"], heard)
    assert [note.index for note in over_v] == [2]


def test_rules_find_blue_and_changing_notes() -> None:
    heard = song(
        {"vocal": ("melody", "A4:1 C5:1 A4:2 C#5:1 D5:1 B4:1 C#5:1")}, key="A major", chart="A | A"
    )
    vocal = heard.stems["vocal"]
    assert [note.chord_role for note in vocal.notes][1:6] == [
        "blue", "root", "third", "changing tone", "changing tone",
    ]  # fmt: skip
    for rule, found in (("blue", [2]), ("changing", [5, 6])):
        notes = matched_notes(read_strictly(f"keep every {rule} note"), vocal, heard)
        assert [note.index for note in notes] == found


def test_the_readings_by_hand_are_whole() -> None:
    assert sum(len(phrase.read) for phrase in (*CHORALE, *POP)) == 144
    assert all(isinstance(phrase, Phrase) for phrase in POP)


@pytest.mark.parametrize(
    ("key", "chart", "tune", "read"),
    [
        # Common practice, no source: D and B are the fifth and third of the G that F/G stands for.
        ("C major", "C | F/G | C", "E5:4 F5:2 D5:2 C5:4", ["third", "root", "fifth", "root"]),
        ("C major", "C | F/G | C", "E5:4 D5:2 B4:2 C5:4", ["third", "fifth", "third", "root"]),
        ("C major", "C | Dm7/G | C", "E5:4 D5:2 B4:2 C5:4", ["third", "root", "third", "root"]),
        ("C major", "C | F/G | C", "G5:4 E5:2 F5:2 E5:4",
         ["fifth", "appoggiatura", "root", "third"]),
        # The raised seventh and the second over iv with 5 in the bass, not the natural seventh.
        ("A minor", "Am | Dm/E | Am", "C5:4 B4:2 G#4:2 A4:4", ["third", "fifth", "third", "root"]),
        ("A minor", "Am | Dm/E | Am", "C5:4 G4:2 F4:2 E4:4",
         ["third", "appoggiatura", "third", "fifth"]),
        # F/G in F stands for no dominant.
        ("F major", "F | F/G | F", "C5:4 F5:1 D5:3 C5:4",
         ["fifth", "root", "appoggiatura", "fifth"]),
    ],
)  # fmt: skip
def test_a_chord_that_stands_for_v_has_the_tones_of_v(
    key: str, chart: str, tune: str, read: list[str]
) -> None:
    heard = song({"vocal": ("melody", tune)}, key=key, chart=chart)
    assert [note.chord_role for note in heard.stems["vocal"].notes] == read
    outside = read_strictly("keep every note where it is not a chord tone")
    wrong = [role for role in read if role == "appoggiatura"]
    assert len(matched_notes(outside, heard.stems["vocal"], heard)) == len(wrong)


LIFT = ("shift every note up 2 semitones", "shift bass, harp up 2 semitones")
LAST = (
    "shift every note up 2 semitones in phrase 2",
    "shift bass, harp up 2 semitones in bars 4-5",
)


def lifted(*, bass: str = "C3:4 G2:4 C3:4 G2:4 C3:4") -> Analysis:
    tune = "C5:1 D5:1 C5:1 E5:1 D5:2 B4:2 C5:4 / D5:1 C5:1 A4:1 B4:1 C5:4"
    parts = {"vocal": ("melody", tune), "bass": ("bass", bass), "harp": ("backing", "")}
    return song(parts, key="C major", chart="C | G7 | C | G7 | C")


@pytest.mark.parametrize(("rules", "phrases"), [(LIFT, (1, 2)), (LAST, (2,))])
def test_where_all_is_lifted_home_is_lifted_too(
    rules: tuple[str, ...], phrases: tuple[int, ...]
) -> None:
    """Common practice, no source: a song a tone up has the same cadences, in D."""
    heard = lifted()
    plan = make_plan(heard, rules)
    for ending in phrase_endings(heard, plan):
        assert ending.cadence_after == ending.phrase.cadence == "perfect authentic"
        if ending.number in phrases:
            assert (ending.degree_after, ending.state_after) == ("1", "at rest")
            assert ending.chord_after is not None
            assert (ending.chord_after.label, ending.chord_after.roman) == ("D:maj", "I")
    sung = [e for e in plan.edits if e.stem == "vocal"]
    assert [e.to_degree for e in sung] == [e.from_degree for e in sung]
    assert "C#5" in [e.to_name for e in sung]
    assert [e.role_after for e in sung] == [e.role_before for e in sung]
    kinds = {c.kind for c in plan.consequences}
    assert kinds <= {"new-chord", "range"}
    told = [c.text for c in plan.consequences if c.kind == "new-chord"]
    assert told[-2:] == [
        "Bar 4: G7 becomes A7 (V7), in root position",
        "Bar 5: C becomes D (I), in root position",
    ]
    assert all(n.before == n.after for n in plan_tension(heard, plan) if rules == LIFT)


@pytest.mark.parametrize(
    "rules",
    [
        (LIFT[0],),
        (LIFT[1],),
        (LIFT[0], "shift bass, harp up 3 semitones"),
        (LIFT[0], "shift harp up 2 semitones"),
        ("keep note at 1:2", *LIFT, "keep note at 4:2"),
    ],
)
def test_what_moves_apart_lifts_no_key(rules: tuple[str, ...]) -> None:
    heard = lifted()
    plan = make_plan(heard, rules)
    assert keys_after(heard, plan.edits) == heard.keys


def test_a_leading_tone_that_hung_before_is_not_told_in_a_lift() -> None:
    parts = {"vocal": ("melody", "B4:2 G4:2 C5:4"), "bass": ("bass", "G2:4 C3:4")}
    heard = song({**parts, "harp": ("backing", "")}, key="C major", chart="G7 | C")
    assert {c.kind for c in make_plan(heard, LIFT).consequences} <= {"new-chord", "range"}


def test_after_a_lifted_phrase_the_first_key_is_back() -> None:
    heard = lifted()
    rules = [
        "shift every note down 1 semitone in phrase 1",
        "shift bass, harp down 1 semitone in bars 1-3",
    ]
    spans = keys_after(heard, make_plan(heard, rules).edits)
    assert [(span.start_s, str(span.key)) for span in spans] == [
        (0.0, "C major"), (2.0, "B major"), (14.0, "C major"),
    ]  # fmt: skip
