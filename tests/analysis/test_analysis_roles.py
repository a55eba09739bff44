"""Each kind of non-chord tone, by hand-made cases (textbook harmony, common practice)."""

from __future__ import annotations

import pytest

from retune.carriers.heard import Key
from retune.theory.chords import parse_chord
from retune.theory.noteroles import Placed, Span, chord_roles, readings, suspension_figure

C = Key("C", "major")


def line(text: str, *, ending: int | None = None, beat_s: float = 0.5) -> list[Placed]:
    """Notes "midi@chord", each a beat long; "midi@chord>chord>chord" lies over several."""
    notes = []
    for k, word in enumerate(text.split()):
        midi, _, labels = word.partition("@")
        names = labels.split(">") if labels else []
        times = [(k + part / max(len(names), 1)) * beat_s for part in range(len(names) + 1)]
        spans = tuple(
            Span(a, b, parse_chord(name, C))
            for a, b, name in zip(times, times[1:], names, strict=False)
        )
        notes.append(
            Placed(
                k * beat_s,
                (k + 1) * beat_s,
                int(midi),
                spans,
                None if not spans else len(spans) - 1 if k == ending else 0,
                beat_s,
                may_stay=int(midi) % 12 in (0, 7),
            )
        )
    return notes


@pytest.mark.parametrize(
    ("text", "at", "role"),
    [
        ("60@C", 0, "root"),
        ("64@C", 0, "third"),
        ("67@C", 0, "fifth"),
        ("65@G7", 0, "seventh"),
        ("69@G9", 0, "extension"),
        ("60@C 62@C 64@C", 1, "passing"),
        ("64@C 62@C 60@C", 1, "passing"),
        ("64@C 65@C 64@C", 1, "neighbour"),
        ("60@C 59@C 60@C", 1, "neighbour"),
        ("60@C 60@G 59@G", 1, "suspension"),
        ("65@F 65@C 64@C", 1, "suspension"),
        ("67@C 60@G 59@G", 1, "appoggiatura"),
        ("65@C 64@C", 0, "appoggiatura"),
        ("60@C 62@C 67@C", 1, "escape"),
        ("59@G 60@G 60@C", 1, "anticipation"),
        ("62@G 60@G>C", 1, "anticipation"),
        ("67@C 67@F 67@C", 1, "pedal"),
        ("60@C 66@C 60@C", 1, "unresolved"),
        ("64@C 62@C", 1, "unresolved"),
        ("62@C", 0, "unresolved"),
        ("60@C 60@G 67@G", 1, "unresolved"),
        # Held notes, and figures of two notes
        ("59@G 60@C", 0, "third"),
        ("62@G 60@G 64@C", 1, "escape"),
        ("64@C 62@C 60@F", 1, "passing"),
        ("60@C 62@C 59@C 60@C", 1, "changing tone"),
        ("60@C 62@C 59@C 60@C", 2, "changing tone"),
        ("67@C 69@C 65@C 67@C", 2, "changing tone"),
        ("59@G 59@C 60@C", 1, "retardation"),
        ("60@C 60@G 57@G 59@G", 1, "suspension"),
        ("60@Gsus4 60@C", 0, "extension"),
        ("65@Csus4 64@C", 0, "suspension"),
        ("62@Csus2 64@C", 0, "retardation"),
        ("60@C>F>G", 0, "root"),
    ],
)
def test_the_role_of_a_note(text: str, at: int, role: str) -> None:
    assert chord_roles(line(text))[at] == role


def test_no_chord_no_role() -> None:
    assert chord_roles(line("60@ 62@N.C.")) == [None, None]


def test_an_ending_is_judged_by_the_chord_at_its_end() -> None:
    assert chord_roles(line("62@G 60@G>C"))[1] == "anticipation"
    assert chord_roles(line("62@G 60@G>C", ending=1))[1] == "root"


def test_an_ending_held_over_a_new_chord_is_a_suspension_when_it_resolves() -> None:
    assert chord_roles(line("60@C>G 59@G", ending=0))[0] == "suspension"


def test_a_long_silence_leads_nowhere() -> None:
    before, after = line("60@C 62@C")
    late = Placed(9.0, 9.5, 64, after.spans)
    assert chord_roles([before, after, late])[1] == "unresolved"


@pytest.mark.parametrize(
    ("text", "roles"),
    [  # one note over several chords, and what it is over each (common practice, no source)
        ("60@C>G 59@G", ["root", "suspension"]),
        ("60@G>C", ["anticipation", "root"]),
        ("60@C>G>C", ["root", "pedal", "root"]),
        ("67@C>F>G", ["fifth", "pedal", "root"]),
        ("60@C>F>G", ["root", "fifth", "pedal"]),
        ("60@C>G 62@G", ["root", "retardation"]),
        ("62@G>C", ["fifth", "unresolved"]),
        ("69@F>C 67@C", ["third", "suspension"]),
    ],
)
def test_a_note_lives_over_every_chord_under_it(text: str, roles: list[str]) -> None:
    assert [reading.role for reading in readings(line(text))[0]] == roles


@pytest.mark.parametrize(
    ("text", "figure"),
    [  # figures over the bass, as every harmony primer has them (common practice, no source)
        ("65@F 65@C 64@C", "4-3"),
        ("60@C 60@G 59@G", "4-3"),
        ("60@Am 60@Bdim/D 59@Bdim/D", "7-6"),
        ("62@G 62@C 60@C", "9-8"),
        ("69@F 69@C 67@C", "6-5"),
        ("71@G 71@C 72@C", "7-8"),
    ],
)
def test_figures_of_suspensions(text: str, figure: str) -> None:
    notes = line(text)
    reading = readings(notes)[1][0]
    assert reading.resolves_to == 2
    chord = notes[1].spans[0].chord
    assert chord is not None
    assert suspension_figure((notes[1].midi, notes[2].midi), chord, C) == figure


def test_a_suspended_bass_is_two_three() -> None:
    chord = parse_chord("G/B", C)
    assert suspension_figure((48, 47), chord, C, in_bass=True) == "2-3"
