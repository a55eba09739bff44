"""Whether somebody sings: asked of every note of a mix, and said by hand."""

from __future__ import annotations

import numpy as np
import pytest

from retune.analysis.corrections import Draft, apply_corrections
from retune.analysis.guided import found_again
from retune.analysis.note_trust import Heard
from retune.analysis.singer import NOT_SUNG, said_near, with_singer
from retune.carriers.heard import Audio, PitchTrack, Singing
from retune.carriers.songfacts import Correction
from retune.separate import find_singing, spans_of

HOP_S = 0.01


def track(waver_cents: float) -> PitchTrack:
    time_s = np.arange(400) * HOP_S
    f0_hz = 220 * 2 ** (waver_cents * np.sin(2 * np.pi * 5 * time_s) / 1200)
    ones = np.ones(400)
    return PitchTrack(time_s, f0_hz, ones, -20 * ones)


def singing(share_db: float) -> Singing:
    return Singing(0.02, np.full(200, share_db), ((0.0, 4.0),))


def test_notes_that_waver_in_a_loud_voice_are_the_singers() -> None:
    heard = [Heard(a, a + 0.9, 57.0) for a in (0.5, 1.5, 2.5)]
    for note in with_singer(heard, track(30.0), singing(-6.0), is_told=False):
        assert note.singer is not None
        assert note.singer > 0.9
        assert not note.doubt


def test_a_pitch_that_stands_still_is_left_out_unless_a_person_said_that_it_is_sung() -> None:
    heard = [Heard(0.5, 1.5, 57.0)]
    assert with_singer(heard, track(4.0), singing(-8.0), is_told=False) == ()
    (told,) = with_singer(heard, track(4.0), singing(-8.0), is_told=True)
    assert told.singer is not None
    assert told.singer > 0.5


def test_between_played_and_sung_a_note_is_drawn_in_doubt() -> None:
    heard = [Heard(0.5, 1.5, 57.0)]
    (doubted,) = with_singer(heard, track(15.0), singing(-8.0), is_told=False)
    assert doubted.singer is not None
    assert 0.4 <= doubted.singer < 0.6
    assert doubted.doubt == NOT_SUNG


def test_a_note_is_sung_more_likely_where_its_neighbours_are() -> None:
    heard = [Heard(0.5, 1.2, 57.0), Heard(1.3, 1.5, 57.0), Heard(1.6, 2.5, 57.0)]
    among, alone = np.array([4.0, -1.0, 4.0]), np.array([-4.0, -1.0, -4.0])
    assert said_near(heard, among)[1] > 2 > -2 > said_near(heard, alone)[1]
    assert said_near(heard[1:2], alone[1:2])[0] == 0


def test_where_the_estimate_is_silent_no_note_is_drawn_but_by_a_persons_word() -> None:
    heard = [Heard(0.5, 1.5, 57.0)]
    assert with_singer(heard, track(10.0), singing(-90.0), is_told=False) == ()
    assert len(with_singer(heard, track(10.0), singing(-90.0), is_told=True)) == 1


def test_nobody_sings_from_here_to_there() -> None:
    drafts = [Draft(0.0, 1.0, 60), Draft(1.2, 2.0, 62), Draft(2.5, 4.0, 64)]
    notes, told = apply_corrections(drafts, [Correction("all", 1.1, "no voice to 3")], stem="all")
    assert not told
    assert [(n.start_s, n.end_s) for n in notes] == [(0.0, 1.0), (3.0, 4.0)]


def test_a_note_that_nobody_touched_is_no_surer_for_being_its_own_guide() -> None:
    drafts = [
        Draft(0, 1, 60, 0.3, "faint in the mix", singer=0.4),
        Draft(1, 2, 62, 1.0, singer=1.0),
    ]
    heard = [Heard(0, 1, 60.1, 0.95), Heard(1, 2, 62.0, 0.6, "the pitch does not settle")]
    first, second = found_again(drafts, heard)
    assert (first.confidence, first.doubt, first.singer) == (0.3, "faint in the mix", 0.4)
    assert (second.confidence, second.doubt, second.singer) == (1.0, "", 1.0)


def test_a_voice_is_found_where_it_sounds() -> None:
    rate_hz = 22050
    t = np.arange(6 * rate_hz) / rate_hz
    band = 0.1 * np.sin(2 * np.pi * 300 * t)
    voice = np.where((t > 2) & (t < 4), 0.2 * np.sin(2 * np.pi * 500 * t), 0.0)
    mix, alone = (Audio(y.astype(np.float32), rate_hz) for y in (band + voice, voice))
    ((start_s, end_s),) = find_singing(mix, alone).spans
    assert start_s == pytest.approx(2.0, abs=0.25)
    assert end_s == pytest.approx(4.0, abs=0.25)


def test_short_gaps_are_bridged_and_flickers_left_out() -> None:
    sings = np.zeros(100, bool)
    sings[10:30] = sings[35:50] = sings[90:91] = True
    assert spans_of(sings, 0.1) == ((1.0, 5.0),)
