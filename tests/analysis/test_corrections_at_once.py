"""A correction asks for nothing to be heard again, and comes out as if all had been."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from played import Part, Tone, prepared

from retune.analysis import analyze_song, listen_to
from retune.analysis import listened as ears
from retune.carriers.plain import to_plain
from retune.carriers.songfacts import Correction

LINE = (60, 62, 64, 65, 67, 65, 64, 62, 60, 64, 67, 72, 71, 69, 67, 60)
BASS = (48, 43, 41, 48)
SETS = (
    "drop",
    "split",
    "merge next",
    "octave up",
    "octave down",
    "pitch F4",
    "degree 5",
    "ending here",
    "not an ending",
    "add A4 to 3.4",
    "no voice to 4.5",
    "start 2.1",
    "end 6.3",
)


@cache
def song() -> Any:
    return prepared(
        {
            "vocal": Part([Tone(k, 0.9, midi) for k, midi in enumerate(LINE)]),
            "bass": Part([Tone(4 * k, 3.8, midi) for k, midi in enumerate(BASS)], role="bass"),
        },
        key="auto",
        tempo_bpm=None,
        first_downbeat_s=None,
    )


@cache
def heard() -> Any:
    return listen_to(*song())


corrections = st.lists(
    st.builds(
        Correction,
        st.sampled_from(["vocal", "bass"]),
        st.floats(1.0, 11.0).map(lambda at_s: round(at_s, 2)),
        st.sampled_from(SETS),
    ),
    min_size=1,
    max_size=4,
)


@settings(max_examples=4)
@given(corrections)
def test_corrections_on_what_was_heard_are_those_of_a_whole_new_hearing(
    given: list[Correction],
) -> None:
    """Bar for bar, chord for chord, word for word; however many were made before."""
    plain, audio, tracks = song()
    for k in range(1, len(given) + 1):
        corrected = replace(plain, corrections=tuple(given[:k]))
        at_once = analyze_song(corrected, heard())
    anew = analyze_song(corrected, listen_to(corrected, audio, tracks))
    (one, arrays), (other, more) = to_plain(at_once), to_plain(anew)
    assert one == other
    for name, values in more.items():
        np.testing.assert_array_equal(arrays[name], values)


def test_nothing_is_heard_again(monkeypatch: pytest.MonkeyPatch) -> None:
    plain, *_ = song()
    analyze_song(plain, heard())

    def refuse(*given: Any, **more: Any) -> None:
        raise AssertionError("heard again")

    for name in ("find_notes", "spectra_of", "onset_curves", "find_bars", "harmony_of"):
        monkeypatch.setattr(ears, name, refuse)
    drop = replace(plain, corrections=(Correction("vocal", 4.5, "drop"),))
    before, after = analyze_song(plain, heard()), analyze_song(drop, heard())
    assert len(after.stems["vocal"].notes) == len(before.stems["vocal"].notes) - 1
    assert after.bars == before.bars
    assert [n.start_s for n in after.stems["bass"].notes] == [
        n.start_s for n in before.stems["bass"].notes
    ]
