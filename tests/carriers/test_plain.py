"""Carriers taken apart for a cache come back equal, and what does not fit is refused."""

from __future__ import annotations

import json
from dataclasses import dataclass, fields, is_dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from retune.carriers.changes import Edit
from retune.carriers.heard import (
    Analysis,
    Bars,
    Chord,
    Key,
    KeySpan,
    Note,
    Phrase,
    PitchTrack,
    StemAnalysis,
)
from retune.carriers.plain import from_plain, to_plain


def same(a: Any, b: Any) -> bool:
    """Equality to the bit and the type, through carriers that do not compare."""
    if isinstance(a, np.ndarray):
        return a.dtype == b.dtype and a.tobytes() == b.tobytes()
    if is_dataclass(a):
        return type(a) is type(b) and all(
            same(getattr(a, f.name), getattr(b, f.name)) for f in fields(a)
        )
    if isinstance(a, (dict, MappingProxyType)):
        return list(a) == list(b) and all(same(a[k], b[k]) for k in a)
    if isinstance(a, tuple):
        return len(a) == len(b) and all(map(same, a, b))
    return type(a) is type(b) and (a == b or (a != a and b != b))


def through(kind: Any, value: Any) -> Any:
    plain, arrays = to_plain(value)
    return from_plain(kind, json.loads(json.dumps(plain, allow_nan=False)), arrays)


def an_analysis(number: float) -> Analysis:
    chord = Chord(0.0, number, "C:maj", tones=((0, "root"), (4, "third")))
    note = Note(1, 0.0, number, 60.0, "C4", -0.0, degree="1", beat=1, chord=chord)
    track = PitchTrack(np.array([0.0, 0.1]), np.array([np.nan, number]), np.ones(2), np.zeros(2))
    stem = StemAnalysis("vocal", "melody", (note,), (Phrase(1, 0.0, 2, ending="open"),), track)
    return Analysis(
        *("Lantern Song", 44_100, number, 440.0),
        keys=(KeySpan(0.0, Key("Bb", "major")),),
        key_source="given",
        key_confidence=number,
        bars=Bars((0.0, number), (3, 4), number),
        chords=(chord,),
        stems=MappingProxyType({"vocal": stem, "harp": StemAnalysis("harp", "backing")}),
        warnings=("é",),
    )


@given(st.floats())
def test_an_analysis_comes_back_to_the_bit(number: float) -> None:
    value = an_analysis(number)
    assert same(through(Analysis, value), value)


@given(
    st.builds(
        Edit,
        stem=st.text(max_size=5),
        start_s=st.floats(),
        shift_cents=st.floats() | st.integers(-2400, 2400),
        note=st.none() | st.integers(),
        from_degree=st.none() | st.text(max_size=3),
    )
)
def test_an_edit_comes_back_to_the_bit(edit: Edit) -> None:
    assert same(through(Edit, edit), edit)


def test_numbers_of_numpy_become_plain_ones() -> None:
    edit = Edit("vocal", np.float64(0.1), 1.0, 0.0, "", note=np.int64(3))  # type: ignore[arg-type]
    back = through(Edit, edit)
    assert (type(back.start_s), back.start_s) == (float, 0.1)
    assert (type(back.note), back.note) == (int, 3)


@pytest.mark.parametrize(
    "plain",
    [
        {"tonic": "C"},
        {"tonic": "C", "mode": 3},
        {"tonic": "C", "mode": "major", "more": 1},
        ["C", "major"],
        None,
    ],
)
def test_what_does_not_fit_is_refused(plain: Any) -> None:
    with pytest.raises(ValueError, match="no Key"):
        from_plain(Key, plain, {})


def test_what_cannot_be_kept_is_said() -> None:
    @dataclass(frozen=True)
    class Odd:
        inside: object

    with pytest.raises(TypeError, match="a set is no plain value"):
        to_plain(Odd({1}))
