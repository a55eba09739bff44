"""Formants kept, or moved with the pitch: a vowel of published formants, the level of every
harmonic known; in single notes, beside notes that do not move, by every engine that can.

Formants of "a" as men speak it: Peterson & Barney 1952, "Control methods used in a study of the
vowels", JASA 24, 175-184, table II (from memory); their widths: common practice, no source.
"""

from __future__ import annotations

import shutil
from dataclasses import replace
from functools import cache

import numpy as np
import parselmouth
import pytest
from singing import RATE_HZ, make_notes, make_track, steps

from retune.carriers.changes import Edit
from retune.carriers.errors import EngineError
from retune.carriers.heard import Audio, FloatArray, StemAnalysis
from retune.repitch import ENGINES, render_control, render_stem

FORMANTS_HZ = np.array([730.0, 1090.0, 2440.0, 3400.0])
WIDTHS_HZ = np.array([80.0, 90.0, 120.0, 175.0])
LEVELS, BOUNDS = (110.0, 123.47, 110.0), (0.0, 0.6, 1.2, 1.6)
CENTS = 400.0
RATIO = 2 ** (CENTS / 1200)


def level(hz: FloatArray) -> FloatArray:
    """Amplitude of a harmonic: four resonances in series over a source that falls 12 dB an octave,
    less 6 for the lips."""
    s = 2j * np.pi * np.asarray(hz)[..., None]
    centre, damping = 2 * np.pi * FORMANTS_HZ, 2 * np.pi * WIDTHS_HZ
    made = np.abs(np.prod(centre**2 / (s**2 + damping * s + centre**2), axis=-1))
    return np.asarray(made * 100 / np.asarray(hz))


@cache
def voice() -> tuple[Audio, StemAnalysis]:
    f0_hz = steps(LEVELS, BOUNDS)
    phase = 2 * np.pi * np.cumsum(f0_hz) / RATE_HZ
    y = sum(level(k * f0_hz) * np.cos(k * phase + 0.7 * k) for k in range(1, 41))
    samples = np.asarray(0.4 * y / np.abs(y).max(), dtype=np.float32)[:, None]
    notes = make_notes(LEVELS, BOUNDS)
    return Audio(samples, RATE_HZ), StemAnalysis("voice", "melody", notes, (), make_track(f0_hz))


@cache
def moved(formants: str, engine: str = "psola", cents: float = CENTS) -> FloatArray:
    audio, stem = voice()
    edit = Edit("voice", *BOUNDS[1:3], cents, "", note=2, formants=formants)
    made = render_stem(audio, stem=stem, edits=[edit], engine=engine).apply(audio)
    return np.asarray(made[:, 0], dtype=np.float64)


def harmonics_db(y: FloatArray, hz: float, count: int) -> FloatArray:
    """Level of the first harmonics in the middle of the moved note, by least squares; so short that
    a pitch some tenths of a cent off tells nothing."""
    part = y[int(0.85 * RATE_HZ) : int(0.95 * RATE_HZ)]
    time_s = np.arange(len(part)) / RATE_HZ
    turn = 2 * np.pi * hz * np.outer(time_s, np.arange(1, count + 1))
    found, *_ = np.linalg.lstsq(np.hstack([np.cos(turn), np.sin(turn)]), part, rcond=None)
    return np.asarray(20 * np.log10(np.hypot(found[:count], found[count:])))


@pytest.mark.parametrize("cents", [-500.0, -200.0, 400.0, 700.0])
def test_with_moved_formants_every_harmonic_keeps_its_level(cents: float) -> None:
    """Number by number they are those of the original: the whole spectrum has moved."""
    ratio = 2 ** (cents / 1200)
    found = harmonics_db(moved("moved", cents=cents), LEVELS[1] * ratio, 18)
    truth = 20 * np.log10(level(LEVELS[1] * np.arange(1.0, 19.0)))
    apart = found - truth
    assert np.ptp(apart) < 1.5


def test_kept_formants_stay_where_they_are() -> None:
    hz = LEVELS[1] * RATIO
    found = harmonics_db(moved(""), hz, 14)
    apart = found - 20 * np.log10(level(hz * np.arange(1.0, 15.0)))
    assert np.sqrt(np.mean((apart - apart.mean()) ** 2)) < 2.5
    other = found - 20 * np.log10(level(LEVELS[1] * np.arange(1.0, 15.0)))
    assert np.sqrt(np.mean((other - other.mean()) ** 2)) > 6


def first_formants(y: FloatArray) -> FloatArray:
    """F1 to F3 in the middle of the moved note, by Praat (Burg), medians."""
    sound = parselmouth.Sound(y[int(0.75 * RATE_HZ) : int(1.05 * RATE_HZ)], RATE_HZ)
    gram = sound.to_formant_burg(0.01, 4, 4800, 0.05, 50)
    rows = [[gram.get_value_at_time(k, t) for t in gram.xs()] for k in (1, 2, 3)]
    return np.asarray(np.nanmedian(rows, axis=1))


@pytest.mark.parametrize("engine", ["psola", "world", "rubberband"])
def test_formants_move_with_the_pitch_or_not_at_all(engine: str) -> None:
    """As Praat reads them."""
    if engine == "world":
        pytest.importorskip("pyworld")
    if engine == "rubberband" and shutil.which(engine) is None:
        pytest.skip("the program rubberband is not installed")
    near = 0.15 if engine == "rubberband" else 0.06
    was = first_formants(voice()[0].samples[:, 0].astype(np.float64))
    assert first_formants(moved("", engine)) == pytest.approx(was, rel=near)
    assert first_formants(moved("moved", engine)) == pytest.approx(was * RATIO, rel=near)


def test_notes_beside_it_keep_theirs_and_all_else_its_samples() -> None:
    audio, stem = voice()
    plain = [Edit("voice", *BOUNDS[k : k + 2], CENTS, "", note=k + 1) for k in (0, 1)]
    edits = [plain[0], replace(plain[1], formants="moved")]
    one, two = (render_stem(audio, stem=stem, edits=e).apply(audio)[:, 0] for e in (plain, edits))
    rate = RATE_HZ
    apart = np.abs(one - two)
    assert apart[: int(0.4 * rate)].max() < 2e-3  # the level is measured over 0.4 s
    assert apart[int(0.8 * rate) : int(1.1 * rate)].max() > 0.01
    outside = slice(int(1.28 * rate), None)
    assert np.array_equal(two[outside], audio.samples[outside, 0])
    whole = moved("moved")
    first = slice(None, int(0.52 * rate))
    assert np.array_equal(whole[first].astype(np.float32), audio.samples[first, 0])


def test_the_matched_control_takes_them_out_and_back() -> None:
    audio, stem = voice()
    edit = Edit("voice", *BOUNDS[1:3], CENTS, "", note=2, formants="moved")
    made = render_control(audio, stem=stem, edits=[edit]).apply(audio)[:, 0]
    found = harmonics_db(made.astype(np.float64), LEVELS[1], 18)
    was = harmonics_db(audio.samples[:, 0].astype(np.float64), LEVELS[1], 18)
    assert np.abs(found - was).max() < 1.5


def test_rubberband_refuses_what_it_cannot(monkeypatch: pytest.MonkeyPatch) -> None:
    """Formants moved in one note and kept in the next that it touches."""
    monkeypatch.setattr("shutil.which", lambda name: f"/bin/{name}")
    audio, stem = voice()
    edits = [
        Edit("voice", *BOUNDS[:2], CENTS, "", note=1),
        Edit("voice", *BOUNDS[1:3], CENTS, "", note=2, formants="moved"),
    ]
    with pytest.raises(EngineError, match="formants of all notes of a passage or of none"):
        render_stem(audio, stem=stem, edits=edits, engine=ENGINES["rubberband"].name)
