"""Each kind of non-chord tone, by hand-made cases (textbook harmony, common practice)."""

from __future__ import annotations

import pytest

from retune.carriers.heard import Chord, Key
from retune.theory.chords import parse_chord
from retune.theory.noteroles import Placed, chord_roles

C = Key("C", "major")


def line(text: str, *, ending: int | None = None, beat_s: float = 0.5) -> list[Placed]:
    """Notes "midi@chord", each a beat long; "midi@chord>chord" changes chord by its end;
    "midi@chord~chord": the second comes within half a beat."""
    notes = []
    for k, word in enumerate(text.split()):
        midi, _, labels = word.partition("@")
        first, _, last = labels.partition(">")
        first, _, coming = first.partition("~")
        at_onset: Chord | None = parse_chord(first, C) if first else None
        notes.append(
            Placed(
                k * beat_s,
                (k + 1) * beat_s,
                int(midi),
                at_onset,
                parse_chord(last or coming, C) if last or coming else at_onset,
                parse_chord(coming, C) if coming else None,
                k == ending,
                beat_s,
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
        ("62@G 60@G~C", 1, "anticipation"),
        ("67@C 67@F 67@C", 1, "pedal"),
        ("60@C 66@C 60@C", 1, "unresolved"),
        ("64@C 62@C", 1, "unresolved"),
        ("62@C", 0, "unresolved"),
        ("60@C 60@G 67@G", 1, "unresolved"),
    ],
)
def test_the_role_of_a_note(text: str, at: int, role: str) -> None:
    assert chord_roles(line(text))[at] == role


def test_no_chord_no_role() -> None:
    assert chord_roles(line("60@ 62@N.C.")) == [None, None]


def test_an_ending_is_judged_by_the_chord_at_its_end() -> None:
    assert chord_roles(line("62@G 60@G>C"))[1] == "unresolved"
    assert chord_roles(line("62@G 60@G>C", ending=1))[1] == "root"


def test_an_ending_held_over_a_new_chord_is_a_suspension_when_it_resolves() -> None:
    assert chord_roles(line("60@C>G 59@G", ending=0))[0] == "suspension"


def test_a_long_silence_leads_nowhere() -> None:
    before, after = line("60@C 62@C")
    late = Placed(9.0, 9.5, 64, after.at_onset, after.at_end)
    assert chord_roles([before, after, late])[1] == "unresolved"
