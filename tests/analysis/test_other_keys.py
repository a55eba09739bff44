"""Long stretches in another key are told with their certainty, and change nothing."""

from __future__ import annotations

import re

import pytest
from played import Part, Tone, hear, row

from retune.analysis import other_keys

TUNE = "67:1 64:1 60:2 69:1 65:1 72:2 71:1 74:1 67:2 72:4 "
BASS = "36:4 41:4 43:4 36:4 "
INNER = "64:4 65:4 62:4 64:4 "


def song(*steps: int) -> dict[str, Part]:
    """Sixteen beats of I IV V I in C, raised by each of `steps` semitones in turn."""

    def raised(text: str) -> list[Tone]:
        return [
            Tone(tone.beat, tone.beats, tone.midi + step)
            for k, step in enumerate(steps)
            for tone in row(text, at=16.0 * k)
        ]

    return {
        "vocal": Part(raised(TUNE)),
        "bass": Part(raised(BASS), role="bass"),
        "inner": Part(raised(INNER), role="harmony"),
    }


def told(parts: dict[str, Part], **music: object) -> list[str]:
    return [w for w in hear(parts, bpm=96, **music).warnings if "the key may be" in w]


def test_a_long_stretch_in_another_key_is_told_and_not_used() -> None:
    found = hear(song(0, 0, 0, 4, 4, 4, 4, 0, 0), bpm=96, key="C major")
    lines = [w for w in found.warnings if "the key may be" in w]
    assert len(lines) == 1
    assert "E major" in lines[0]
    assert "of 10 sure" in lines[0]
    start_s, end_s = map(float, re.findall(r"from (\d+) to (\d+) s", lines[0])[0])
    assert abs(start_s - 31) <= 10
    assert abs(end_s - 71) <= 10
    assert [str(span.key) for span in found.keys] == ["C major"]


def test_one_key_a_short_visit_and_given_changes_are_not_told() -> None:
    assert told(song(0, 0, 0, 0, 0, 0), key="C major") == []
    assert told(song(0, 0, 0, 4, 0, 0, 0), key="C major") == []
    keys = (("13:1", "E major"), ("29:1", "C major"))
    assert told(song(0, 0, 0, 4, 4, 4, 4, 0, 0), key="C major", keys=keys) == []


def test_a_song_raised_half_way_has_the_key_it_begins_in() -> None:
    found = hear(song(0, 0, 0, 0, 2, 2, 2, 2), bpm=96, key="auto")
    assert str(found.key) == "C major"
    assert [w for w in found.warnings if "may be D major" in w]


def test_a_song_that_soon_leaves_its_first_key_has_that_it_stays_in() -> None:
    assert str(hear(song(0, 0, 2, 2, 2, 2, 2, 2), bpm=96, key="auto").key) == "D major"


def test_each_window_is_heard_once(monkeypatch: pytest.MonkeyPatch) -> None:
    heard: list[float] = []
    within = other_keys._keys_within

    def counted(work: other_keys.Work, start_s: float) -> object:
        heard.append(start_s)
        return within(work, start_s)

    monkeypatch.setattr(other_keys, "_keys_within", counted)
    hear(song(0, 0, 0, 0, 2, 2, 2, 2), bpm=96, key="auto")
    assert heard
    assert len(heard) == len(set(heard))
