"""Chords heard in the accompaniment itself, without a chart."""

import numpy as np
import pytest

from retune.analysis.chord_listen import listen_for_chords
from retune.carriers.heard import Audio, Bars, Key

RATE_HZ = 22_050
TRIADS_MIDI = {"C": (48, 52, 55), "F": (53, 57, 60), "G": (55, 59, 62)}


def struck(names: str, *, chord_s: float) -> Audio:
    """Triads one after the other, six harmonics a tone."""
    time_s = np.arange(round(chord_s * RATE_HZ)) / RATE_HZ
    chords = [
        sum(
            np.sin(2 * np.pi * 440 * 2 ** ((midi - 69) / 12) * k * time_s) / k
            for midi in TRIADS_MIDI[name]
            for k in range(1, 7)
        )
        for name in names
    ]
    return Audio(0.05 * np.concatenate(chords)[:, None], RATE_HZ)


@pytest.mark.parametrize("names", ["C", "CF", "CFGC"])
def test_a_piece_of_one_second_or_more_is_heard(names: str) -> None:
    bars = Bars(tuple(float(k) for k in range(len(names) + 1)), (4, 4), 240.0, "given")
    chords = listen_for_chords(
        [struck(names, chord_s=1.0)],
        bars=bars,
        tuning_hz=440.0,
        key_at=lambda _: Key("C", "major"),
        duration_s=float(len(names)),
    )
    assert [chord.label[0] for chord in chords] == list(names)
    assert all(chord.estimated for chord in chords)
