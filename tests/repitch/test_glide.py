"""The curve of offsets on pitch tracks known in closed form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from singing import make_notes, make_track, steps

from retune.carriers.heard import FloatArray
from retune.repitch import offset_curve

RATE_HZ = 1000
BOUNDS = (0.0, 0.7, 1.5, 2.2)
LEVELS = (200.0, 225.0, 200.0)


def progress(time_s: FloatArray, at_s: float, width_s: float) -> FloatArray:
    part = np.clip((time_s - at_s) / width_s + 0.5, 0, 1)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * part))


def edge_rms(found: FloatArray, wanted: FloatArray, time_s: FloatArray) -> float:
    edge = (np.abs(time_s - 0.7) < 0.07) | (np.abs(time_s - 1.5) < 0.07)
    return float(np.sqrt(np.mean((found - wanted)[edge] ** 2)))


@pytest.mark.parametrize("width_s", [0.04, 0.08, 0.16])
@pytest.mark.parametrize("off_s", [0.0, -0.04, 0.04])
@pytest.mark.parametrize(("cents", "limit"), [(-200.0, 12.0), (-400.0, 24.0), (700.0, 36.0)])
def test_the_offset_follows_the_slide_not_the_clock(
    width_s: float, off_s: float, cents: float, limit: float
) -> None:
    f0 = steps(LEVELS, BOUNDS, rate_hz=RATE_HZ, glide_s=width_s)
    track = make_track(f0, rate_hz=RATE_HZ, hop_s=0.005)
    moved = [0.0, 0.7 + off_s, 1.5 + off_s, 2.2]
    curve = offset_curve(track, make_notes(LEVELS, moved), (0.0, cents, 0.0))
    time_s = track.time_s
    wanted = cents * (progress(time_s, 0.7, width_s) - progress(time_s, 1.5, width_s))
    assert edge_rms(curve, wanted, time_s) <= limit


def test_vibrato_does_not_bend_the_offset() -> None:
    f0 = steps(LEVELS, BOUNDS, rate_hz=RATE_HZ)
    time_s = np.arange(len(f0)) / RATE_HZ
    f0 = f0 * 2 ** (40 / 1200 * np.sin(2 * np.pi * 5.5 * time_s))
    track = make_track(f0, rate_hz=RATE_HZ, hop_s=0.005)
    curve = offset_curve(track, make_notes(LEVELS, BOUNDS), (0.0, -200.0, 0.0))
    middle = (track.time_s > 0.9) & (track.time_s < 1.3)
    assert np.allclose(curve[middle], -200.0, atol=1e-6)
    wanted = -200 * (progress(track.time_s, 0.7, 0.08) - progress(track.time_s, 1.5, 0.08))
    assert edge_rms(curve, wanted, track.time_s) < 25.0


def test_a_note_that_lands_on_its_neighbour_closes_smoothly() -> None:
    levels = (200.0, 200.0 * 2 ** (2 / 12), 200.0)
    f0 = steps(levels, BOUNDS, rate_hz=RATE_HZ)
    track = make_track(f0, rate_hz=RATE_HZ, hop_s=0.005)
    curve = offset_curve(track, make_notes(levels, BOUNDS), (0.0, -200.0, 0.0))
    result = 1200 * np.log2(track.f0_hz / 200.0) + curve
    assert np.abs(result).max() < 30.0
    assert np.abs(np.diff(result)).max() < 10.0


def test_neighbours_that_move_too_share_one_slide() -> None:
    f0 = steps(LEVELS, BOUNDS, rate_hz=RATE_HZ)
    track = make_track(f0, rate_hz=RATE_HZ, hop_s=0.005)
    together = offset_curve(track, make_notes(LEVELS, BOUNDS), (-100.0, -100.0, -100.0))
    assert np.allclose(together[track.time_s < 2.15], -100.0)
    apart = offset_curve(track, make_notes(LEVELS, BOUNDS), (100.0, -200.0, 0.0))
    wanted = 100 - 300 * progress(track.time_s, 0.7, 0.08) + 200 * progress(track.time_s, 1.5, 0.08)
    assert edge_rms(apart, wanted, track.time_s) < 15.0


def test_a_consonant_between_notes_hides_the_step() -> None:
    f0 = steps(LEVELS, BOUNDS, rate_hz=RATE_HZ, glide_s=0.01)
    f0[660:740] = 0
    notes = make_notes(LEVELS, BOUNDS)
    notes = (replace(notes[0], end_s=0.66), replace(notes[1], start_s=0.74), notes[2])
    track = make_track(f0, rate_hz=RATE_HZ, hop_s=0.005)
    curve = offset_curve(track, notes, (0.0, -200.0, 0.0))
    voiced = np.isfinite(track.f0_hz)
    before, after = (
        voiced & (track.time_s < 0.7),
        voiced & (track.time_s > 0.7) & (track.time_s < 1.3),
    )
    assert np.abs(curve[before]).max() < 10.0
    assert np.abs(curve[after] + 200).max() < 10.0


def test_no_shift_gives_no_offset() -> None:
    f0 = steps(LEVELS, BOUNDS, rate_hz=RATE_HZ)
    track = make_track(f0, rate_hz=RATE_HZ)
    assert np.all(offset_curve(track, make_notes(LEVELS, BOUNDS), (0.0, 0.0, 0.0)) == 0)


def test_silence_all_along() -> None:
    track = make_track(np.zeros(2200), rate_hz=RATE_HZ)
    curve = offset_curve(track, make_notes(LEVELS, BOUNDS), (0.0, -200.0, 0.0))
    assert np.isfinite(curve).all()
    assert curve.min() == -200.0
