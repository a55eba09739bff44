"""Meter, downbeats and rivals, where what is played leaves no doubt."""

from __future__ import annotations

import numpy as np
import pytest

from retune.analysis.beats import find_bars
from retune.analysis.chroma import spectra_of
from retune.analysis.meter import KINDS, Heard, readings
from retune.analysis.meter_weights import WEIGHTS
from retune.analysis.onset_curve import Curves, onset_curves
from retune.carriers.heard import Audio, Bars
from retune.carriers.songfacts import Music

RATE_HZ = 22_050
CHORDS = {"I": (0, 4, 7), "IV": (5, 9, 12), "V": (-5, -1, 2)}


def tone(midi: float, length_s: float) -> np.ndarray:
    t = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    f_hz = 440 * 2 ** ((midi - 69) / 12)
    return sum(np.sin(2 * np.pi * f_hz * k * t) / k for k in (1, 2, 3, 4)) * np.exp(-3 * t)


def played(per_bar: int, *, bpm: float = 100.0, start_s: float = 0.5, bars: int = 12) -> Heard:
    """A bass on the first of each bar, its chord on the other beats, a chord a bar."""
    beat_s = 60 / bpm
    out = 1e-4 * np.random.default_rng(1).standard_normal(
        round((start_s + (bars * per_bar + 2) * beat_s) * RATE_HZ)
    )
    bass = []
    for bar in range(bars):
        steps = CHORDS[("I", "IV", "V", "I")[bar % 4]]
        for beat in range(per_bar):
            at = start_s + (bar * per_bar + beat) * beat_s
            struck = [36 + steps[0]] if beat == 0 else [60 + s for s in steps]
            for midi in struck:
                sound = tone(midi, beat_s * (per_bar if beat == 0 else 0.8))
                first = round(at * RATE_HZ)
                out[first : first + len(sound)] += 0.1 * sound[: len(out) - first]
            if beat == 0:
                bass.append((at, at + per_bar * beat_s))
    audio = Audio(out[:, None], RATE_HZ)
    curves = onset_curves([audio], longest_s=600.0)
    return Heard(curves, spectra_of([audio], tuning_hz=440.0), (), bass)


def found(heard: Heard, **given) -> Bars:
    music = Music(**{"meter_given": False, **given})
    bars = find_bars(music, heard, duration_s=len(heard.curves.all) * 256 / RATE_HZ)
    assert bars is not None
    return bars


@pytest.mark.parametrize("per_bar", [3, 4])
def test_a_bass_on_one_and_chords_after_it_make_the_bar(per_bar: int) -> None:
    bars = found(played(per_bar))
    assert bars.beats_in(1) == per_bar
    assert bars.tempo_bpm == pytest.approx(100, rel=0.01)
    assert bars.downbeats_s[0] == pytest.approx(0.5, abs=0.02)
    assert bars.source == "estimated"
    assert 0.0 < bars.confidence < 1.0


def test_a_given_meter_and_downbeat_win() -> None:
    bars = found(played(4), meter=(3, 4), meter_given=True, first_downbeat_s=1.1)
    assert bars.meter == (3, 4)
    assert bars.downbeats_s[0] == pytest.approx(1.1)


def test_rivals_differ_from_the_best_and_share_what_it_leaves() -> None:
    bars = found(played(4))
    assert bars.confidence + sum(r.confidence for r in bars.rivals) <= 1.001
    assert all(r.confidence <= bars.confidence for r in bars.rivals)
    assert len({r.name for r in bars.rivals}) == len(bars.rivals)
    assert all((r.meter, r.downbeats_s) != (bars.meter, bars.downbeats_s) for r in bars.rivals)


@pytest.mark.parametrize("frames", [-4, 5])
def test_notes_that_are_heard_late_tell_the_same(frames: int) -> None:
    heard, late_s = played(4), frames * 256 / RATE_HZ
    late = [(start_s + late_s, end_s + late_s) for start_s, end_s in heard.bass]
    rows = [np.arange(43, 2000, 51.7)]
    _, told = readings(rows, heard)
    _, told_late = readings(rows, Heard(heard.curves, heard.spectra, (), late))
    at = [kind.startswith("bass notes") for kind in KINDS]
    assert np.abs(told[:, at]).max() > 0.5
    assert told_late == pytest.approx(told, abs=1e-6)


def test_every_kind_of_evidence_has_its_weights_in_order() -> None:
    assert tuple(WEIGHTS) == KINDS


def test_what_happens_between_beats_is_told_by_the_beat_of_the_bar() -> None:
    """A note half a beat after the second of three: nothing else stands out, and with the bars
    taken in two it is spread over both beats."""
    row = np.arange(36.0) * 50
    hop_s = 256 / RATE_HZ
    notes = [((row[k] + 25) * hop_s, (row[k] + 50) * hop_s) for k in range(1, 35, 3)]
    curve = np.zeros(1900)
    curve[(row[1::3] + 25).astype(int)] = 1.0
    spectra = spectra_of([Audio(np.zeros((RATE_HZ, 1)), RATE_HZ)], tuning_hz=440.0)
    found, evidence = readings([row], Heard(Curves(curve, 0 * curve), spectra, notes, ()))
    names = [k for k in KINDS if " after " in k and k.startswith(("struck", "lead"))]
    for meter, wanted in (((3, 4), {"two"}), ((2, 4), {"one", "two"})):
        told = evidence[next(k for k, r in enumerate(found) if (r.meter, r.first) == (meter, 0))]
        high = {name for name in names if told[KINDS.index(name)] > 0.5}
        assert high == {f"{k} 1/2 after {beat}" for k in ("struck", "lead") for beat in wanted}
