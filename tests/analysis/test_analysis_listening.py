"""Chords heard in the accompaniment itself, without a chart."""

from itertools import product

import numpy as np
import pytest

from retune.analysis.chord_listen import listen_for_chords, path_odds
from retune.analysis.chroma import spectra_of
from retune.carriers.heard import Audio, Bars, Chord, Key

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
        spectra_of([struck(names, chord_s=1.0)], tuning_hz=440.0),
        bars=bars,
        key_at=lambda _: Key("C", "major"),
        duration_s=float(len(names)),
    )
    assert [chord.label[0] for chord in chords] == list(names)
    assert all(chord.estimated for chord in chords)


def heard(names: str) -> list[Chord]:
    bars = Bars(tuple(float(k) for k in range(len(names) + 1)), (4, 4), 240.0, "given")
    return list(
        listen_for_chords(
            spectra_of([struck(names, chord_s=1.0)], tuning_hz=440.0),
            bars=bars,
            key_at=lambda _: Key("C", "major"),
            duration_s=float(len(names)),
        )
    )


def test_a_clean_triad_is_told_surely_and_silence_has_none() -> None:
    assert all(chord.confidence > 0.9 for chord in heard("CFGC"))
    bars = Bars((0.0, 1.0, 2.0), (4, 4), 240.0, "given")
    silence = Audio(np.zeros((2 * RATE_HZ, 1)), RATE_HZ)
    asked = {"bars": bars, "key_at": lambda _: None, "duration_s": 2.0}
    assert listen_for_chords(spectra_of([silence], tuning_hz=440.0), **asked) == ()


def test_a_dominant_seventh_and_a_first_inversion_are_heard(monkeypatch) -> None:
    monkeypatch.setitem(TRIADS_MIDI, "S", (43, 55, 59, 62, 65))
    monkeypatch.setitem(TRIADS_MIDI, "I", (40, 52, 55, 60, 64))
    labels = [chord.label for chord in heard("CSIF")]
    assert labels == ["C:maj", "G:7", "C:maj/3", "F:maj"]


def test_odds_of_sequences_are_those_of_all_sequences_counted() -> None:
    """By enumeration: three rows, three columns, every sequence weighed by its score."""
    rng = np.random.default_rng(1)
    score, cost = rng.normal(size=(3, 3)), np.array([9.0, 0.3, 0.8])
    weights = np.zeros((3, 3))
    for path in product(range(3), repeat=3):
        # A change may lead back to the same column.
        weight = np.exp(sum(score[k, c] for k, c in enumerate(path)))
        for k in (1, 2):
            weight *= (path[k] == path[k - 1]) + np.exp(-cost[k])
        for k, c in enumerate(path):
            weights[k, c] += weight
    expected = weights / weights.sum(axis=1, keepdims=True)
    assert np.allclose(path_odds(score, cost), expected)
