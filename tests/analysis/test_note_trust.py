"""How sure a note is told to be, by what it shows."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from retune.analysis.contour import Contour
from retune.analysis.note_edges import Span
from retune.analysis.note_trust import chance, evidence, judged, told
from retune.analysis.sonority import STEP_S, Levels

HOP_S = 0.01
SHOWN = st.tuples(st.floats(0, 12), st.floats(0.1, 1.0), st.floats(0, 1), st.floats(-12, 0))


def line(midi: np.ndarray) -> Contour:
    return Contour(0.0, HOP_S, midi, midi, np.full(len(midi), 0.9), np.zeros(len(midi)))


def level(db: np.ndarray) -> Levels:
    return Levels(STEP_S, db, db)


@given(SHOWN)
def test_each_thing_that_speaks_against_a_note_makes_it_less_sure(shown) -> None:
    rise, spread, rest, soft = shown
    assert chance(shown) <= chance((12.0, spread, rest, soft)) + 1e-12
    assert chance(shown) <= chance((rise, 0.1, rest, soft)) + 1e-12
    assert chance(shown) <= chance((rise, spread, 0.0, soft)) + 1e-12
    assert chance(shown) <= chance((rise, spread, rest, 0.0)) + 1e-12
    assert 0.0 < chance(shown) < 1.0


def test_what_a_note_shows_is_read_off_its_level_and_line() -> None:
    db = np.full(400, -50.0)
    db[200:300] = -20.0
    midi = np.full(200, 60.0)
    midi[100:150] += np.tile([-0.3, 0.3], 25)
    span = Span(1.0, 1.5, 60.0)
    rise, spread, rest, soft = evidence(
        span, 60.0, line(midi), level(db), rest_s=0.2, below_db=-14.0
    )
    assert rise == pytest.approx(12.0)
    assert spread == pytest.approx(0.3)
    assert rest == pytest.approx(0.5)
    assert soft == pytest.approx(-6.0)


def test_of_two_notes_the_one_that_hardly_begins_is_in_doubt() -> None:
    db = np.full(700, -60.0)
    db[20:600] = -20.0
    midi = np.full(350, 60.0)
    midi[100:] = 62.0 + np.tile([-0.9, 0.9], 125)
    spans = [Span(0.1, 1.0, 60.0), Span(1.0, 3.0, 62.0, joined=True)]
    crisp, unclear = judged(spans, line(midi), level(db), by_onset=True)
    assert crisp.confidence > 0.75
    assert crisp.doubt == ""
    assert unclear.confidence < 0.5
    assert unclear.doubt == "it hardly begins: nothing rises where it seems to start"


def test_the_strongest_reason_of_doubt_is_told() -> None:
    assert told(0.9, {"a": 0.9, "b": 0.4}, reasons={"c": 0.7}) == (0.324, "b")
    assert told(0.4, {"a": 1.0}, reasons={"c": 0.5, "d": 0.7}) == (0.4, "c")
    assert told(0.9, {"a": 1.0}, reasons={"c": 0.5}) == (0.9, "")
