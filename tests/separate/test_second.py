"""Whether another voice sings beside the one that is followed, of sounds whose parts are known."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from retune.analysis.corrections import Draft
from retune.analysis.singer import NOT_SUNG, beside_another
from retune.analysis.stems import _doubts as told_doubts
from retune.carriers.heard import SECOND_VOICE, Audio, Note, PitchTrack, Singing
from retune.separate import second_voice

RATE_HZ, LENGTH_S, HOP_S = 44100, 4.0, 0.01
TIME_S = np.arange(0, LENGTH_S, HOP_S)
SPAN_S = (1.5, 2.5)


def sung(hz: float, *, cents: float = 30.0) -> np.ndarray:
    """Ten harmonics with a vibrato of 5.5 Hz, (n,)."""
    t = np.arange(int(LENGTH_S * RATE_HZ)) / RATE_HZ
    phase = np.cumsum(hz * 2 ** (cents * np.sin(2 * np.pi * 5.5 * t) / 1200)) / RATE_HZ
    return np.sum([np.sin(2 * np.pi * h * phase) / h for h in range(1, 11)], axis=0)


def heard(other_hz: float, level_db: float) -> tuple[tuple[float, float], ...]:
    """What is told of a lead at 220 Hz with another voice in `SPAN_S`."""
    t = np.arange(int(LENGTH_S * RATE_HZ)) / RATE_HZ
    inside = (t > SPAN_S[0]) & (t < SPAN_S[1])
    both = sung(220.0) + 10 ** (level_db / 20) * inside * sung(other_hz, cents=20.0)
    audio = Audio((0.1 * both).astype(np.float32), RATE_HZ)
    ones = np.ones(len(TIME_S))
    f0_hz = 220 * 2 ** (30 * np.sin(2 * np.pi * 5.5 * TIME_S) / 1200)
    return second_voice(audio, PitchTrack(TIME_S, f0_hz, ones, -20 * ones))


@pytest.mark.parametrize("semitones", [-9, -4, 3, 4, 7])
def test_a_voice_beside_the_lead_is_told_where_it_sings(semitones: int) -> None:
    ((start_s, end_s),) = heard(220 * 2 ** (semitones / 12), -4.0)
    assert start_s == pytest.approx(SPAN_S[0], abs=0.12)
    assert end_s == pytest.approx(SPAN_S[1], abs=0.12)


def test_nothing_is_told_of_a_lead_alone_nor_of_what_is_20_db_softer() -> None:
    assert heard(220 * 2 ** (4 / 12), -200.0) == ()
    assert heard(220 * 2 ** (4 / 12), -20.0) == ()


def test_silence_and_a_track_without_a_pitch_tell_nothing() -> None:
    ones = np.ones(len(TIME_S))
    silent = PitchTrack(TIME_S, np.nan * ones, 0 * ones, -90 * ones)
    audio = Audio(np.zeros((int(LENGTH_S * RATE_HZ), 2), np.float32), RATE_HZ)
    assert second_voice(audio, silent) == ()


def test_notes_beside_a_second_voice_are_in_doubt_but_those_put_right_are_settled() -> None:
    drafts = [
        Draft(1.4, 2.0, 57.0, confidence=0.9),
        Draft(2.0, 2.4, 57.0, confidence=1.0),
        Draft(2.4, 3.4, 57.0, confidence=0.9),
        Draft(1.6, 2.4, 57.0, confidence=0.4, doubt=NOT_SUNG),
    ]
    singing = Singing(HOP_S, np.zeros(400), ((0.0, 4.0),), (SPAN_S,))
    doubts = [note.doubt for note in beside_another(drafts, singing)]
    assert doubts == [SECOND_VOICE, "", "", NOT_SUNG]
    assert beside_another(drafts, None) == drafts


def test_such_a_note_counts_as_doubtful_and_says_why() -> None:
    note = Note(1, 0.0, 1.0, 57.0, "A3", 0.0, confidence=0.9, doubt=SECOND_VOICE)
    assert note.is_doubtful
    assert note.doubt_words == SECOND_VOICE


def test_where_it_sings_is_one_line_of_warning_and_no_other_doubt() -> None:
    def note(index: int, phrase: int, **doubt: Any) -> Note:
        return Note(index, index, index + 0.8, 57.0, "A3", 0.0, phrase=phrase, **doubt)

    beside = {"doubt": SECOND_VOICE}
    notes = [note(1, 1), note(2, 1, **beside), note(3, 1, **beside), note(9, 2, **beside)]
    told = told_doubts("all", notes, role="mix")
    assert len(told) == 1
    assert "a second voice sings along at 2.0-3.8 s, 9.0-9.8 s (3 notes in doubt for it)" in told[0]
    faint = note(4, 1, confidence=0.2, doubt="faint in the mix")
    assert "1 note is in doubt" in told_doubts("all", [*notes, faint], role="mix")[0]
    assert told_doubts("all", notes[:1], role="mix") == []
