"""How a moved note is sung: with another glide, with other vibrato; measured in its sound by a
pitch tracker that is not ours."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import parselmouth
import pytest
from singing import RATE_HZ, make_stem, make_track, steps, sung

from retune.carriers.changes import Edit
from retune.carriers.heard import Audio, FloatArray, StemAnalysis
from retune.repitch import render_stem

LEVELS, BOUNDS = (200.0, 225.0, 200.0), (0.0, 0.8, 1.8, 2.4)


def moved(audio: Audio, stem: StemAnalysis, **how: object) -> FloatArray:
    """The middle note moved up 300 cents: cents over 200 Hz every 5 ms."""
    edit = replace(Edit("voice", 0.8, 1.8, 300.0, "", note=2), **how)  # type: ignore[arg-type]
    made = render_stem(audio, stem=stem, edits=[edit]).apply(audio)
    sound = parselmouth.Sound(made[:, 0].astype(np.float64), RATE_HZ)
    pitch = sound.to_pitch_ac(time_step=0.005, pitch_floor=150)
    at = np.interp(
        np.arange(0, 2.4, 0.005), pitch.xs(), np.maximum(pitch.selected_array["frequency"], 1)
    )
    return np.asarray(1200 * np.log2(at / 200))


def arrival_s(line: FloatArray) -> tuple[float, float]:
    """When a tenth and nine tenths of the way into the middle note are made."""
    goal = float(np.median(line[260:340]))
    a, b = (int(np.argmax(line[100:340] > share * goal)) + 100 for share in (0.1, 0.9))
    return a * 0.005, b * 0.005


@pytest.mark.parametrize(("glide", "least", "most"), [("slow", 0.14, 0.24), ("fast", 0.0, 0.05)])
def test_a_glide_takes_its_time_and_arrives(glide: str, least: float, most: float) -> None:
    """From the note before to the new pitch, without a dent where the singer's own slide was."""
    audio, stem, _ = make_stem(LEVELS, BOUNDS)
    plain, other = moved(audio, stem), moved(audio, stem, glide=glide)
    begun, done = arrival_s(other)
    assert least <= done - begun <= most
    assert begun == pytest.approx(0.8, abs=0.08)
    assert np.median(other[260:340]) == pytest.approx(np.median(plain[260:340]), abs=3)
    inside = other[int(begun / 0.005) : int(done / 0.005)]
    assert np.diff(inside).min(initial=0.0) > -6


@pytest.mark.parametrize("share", [0.0, 0.5, 2.0])
def test_so_much_vibrato_stays(share: float) -> None:
    time_s = np.arange(round(2.4 * RATE_HZ)) / RATE_HZ
    f0 = steps(LEVELS, BOUNDS) * 2 ** (40 / 1200 * np.sin(2 * np.pi * 5.5 * time_s))
    _, stem, _ = make_stem(LEVELS, BOUNDS)
    stem = replace(stem, track=make_track(f0))
    audio = Audio(sung(f0)[:, None].astype(np.float32), RATE_HZ)
    inside = slice(200, 309)  # three periods
    whole = moved(audio, stem)[inside]
    line = moved(audio, stem, vibrato=share)[inside]
    assert float(np.ptp(line)) == pytest.approx(share * float(np.ptp(whole)), abs=9)
    assert float(np.mean(line)) == pytest.approx(float(np.mean(whole)), abs=5)
