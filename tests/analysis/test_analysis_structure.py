"""Which note ends a phrase: feminine endings, tails, and a person's word."""

from __future__ import annotations

from retune.analysis.bars import bars_from_tempo
from retune.analysis.structure import PhraseEnd, Sung, accent, phrase_end

BARS = bars_from_tempo(meter=(3, 4), tempo_bpm=60.0, first_downbeat_s=0.0, duration_s=24.0)


def test_the_last_note_ends_a_phrase() -> None:
    notes = [Sung(0, 1, 60), Sung(1, 2, 62), Sung(3, 5, 64)]
    assert phrase_end(notes, 0, 2, bars=BARS) == PhraseEnd(2)


def test_a_pitch_struck_again_in_a_weaker_place_belongs_to_the_ending() -> None:
    notes = [Sung(2, 3, 62), Sung(3, 4, 64), Sung(4, 5, 64)]
    assert phrase_end(notes, 0, 2, bars=BARS) == PhraseEnd(1, restruck=(2,))


def test_a_pitch_that_leads_to_a_stronger_place_does_not() -> None:
    notes = [Sung(1, 2, 62), Sung(2, 3, 64), Sung(3, 5, 64)]
    assert phrase_end(notes, 0, 2, bars=BARS) == PhraseEnd(2)


def test_a_short_fall_on_the_same_vowel_is_a_tail() -> None:
    notes = [Sung(2, 3, 67), Sung(3, 5, 65), Sung(5, 5.25, 64, True), Sung(5.25, 5.5, 62, True)]
    assert phrase_end(notes, 0, 3, bars=BARS) == PhraseEnd(1, tail=(2, 3))


def test_a_turn_is_a_tail() -> None:
    steps = [(5.0, 5.2, 67), (5.2, 5.4, 65), (5.4, 5.6, 64), (5.6, 5.9, 65)]
    notes = [Sung(3, 5, 65), *(Sung(a, b, m, True) for a, b, m in steps)]
    assert phrase_end(notes, 0, 4, bars=BARS) == PhraseEnd(0, tail=(1, 2, 3, 4))


def test_new_syllables_leaps_and_long_notes_are_no_tail() -> None:
    body = Sung(3, 5, 65)
    for last in (Sung(5, 5.25, 64), Sung(5, 5.25, 60, True), Sung(5, 7, 64, True)):
        assert phrase_end([body, last], 0, 1, bars=BARS) == PhraseEnd(1)


def test_ending_here_goes_first() -> None:
    notes = [Sung(0, 1, 60, ending=True), Sung(1, 2, 60), Sung(3, 5, 64)]
    assert phrase_end(notes, 0, 2, bars=BARS) == PhraseEnd(0, restruck=(1,))


def test_not_an_ending_leaves_it_to_the_note_before() -> None:
    notes = [Sung(0, 1, 60), Sung(1, 2, 62), Sung(2, 2.5, 64, ending=False)]
    assert phrase_end(notes, 0, 2, bars=BARS) == PhraseEnd(1, tail=(2,))


def test_metrical_weight() -> None:
    four = bars_from_tempo(meter=(4, 4), tempo_bpm=60.0, first_downbeat_s=0.0, duration_s=16.0)
    assert [accent(t, four) for t in (0, 1, 2, 3, 4, 0.5)] == [3, 1, 2, 1, 3, 0]
    assert [accent(t, BARS) for t in (0, 1, 2, 3)] == [3, 1, 1, 3]
