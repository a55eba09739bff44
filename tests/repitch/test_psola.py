"""The default engine on voices whose altered version is known in closed form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from singing import (
    RATE_HZ,
    envelope,
    harmonic_level_db,
    make_notes,
    make_stem,
    make_track,
    move,
    praat_hz,
    steps,
    sung,
)

from retune.carriers.changes import Edit
from retune.carriers.heard import Audio, StemAnalysis
from retune.carriers.units import cents_between
from retune.repitch import render_control, render_stem
from retune.repitch.epochs import _steadied, find_epochs
from retune.repitch.seam import FRAME_S

BOUNDS = (0.0, 0.6, 1.6, 2.2)
LEVELS = (200.0, 225.0, 180.0)


@pytest.fixture(scope="module")
def voice():
    return make_stem(LEVELS, BOUNDS)


@pytest.mark.parametrize("cents", [1.0, 50.0, -200.0, -400.0, 700.0, -1200.0, 1200.0])
def test_the_pitch_moves_by_what_was_asked(voice, cents: float) -> None:
    audio, stem, _ = voice
    made = render_stem(audio, stem=stem, edits=[move(stem, 2, cents)]).apply(audio)[:, 0]
    time_s, hz = praat_hz(made, high_hz=1200)
    core = (time_s > 0.75) & (time_s < 1.45)
    assert np.median(cents_between(225.0, hz[core])) == pytest.approx(cents, abs=1.0)
    assert np.all(np.abs(cents_between(225.0, hz[core]) - cents) < 5.0)


@pytest.mark.parametrize("cents", [-400.0, -200.0, 200.0, 700.0])
def test_level_and_vowel_stay(voice, cents: float) -> None:
    audio, stem, _ = voice
    made = render_stem(audio, stem=stem, edits=[move(stem, 2, cents)]).apply(audio)[:, 0]
    part = slice(int(0.8 * RATE_HZ), int(1.4 * RATE_HZ))
    f0 = 225.0 * 2 ** (cents / 1200)
    harmonics = [k * f0 for k in range(1, 12) if k * f0 < 2800]
    found = np.array([harmonic_level_db(made[part], hz) for hz in harmonics])
    wanted = 20 * np.log10(envelope(np.array(harmonics)))
    strong = wanted > wanted.max() - 25
    errors = (found - wanted)[strong]
    assert np.std(errors) < 2.5
    # a voice at another pitch is as loud: power within half a dB of the same envelope resampled
    old = audio.samples[part, 0].astype(float)
    assert 20 * np.log10(np.std(made[part]) / np.std(old)) == pytest.approx(0.0, abs=1.0)


def test_a_far_move_between_two_harmonics_does_not_sag() -> None:
    """A voice of one narrow resonance at its own pitch: a fifth higher its
    harmonics would be 10 dB down and more. They are lifted, and hardly the breath between them."""
    f0, rng = steps(LEVELS, BOUNDS), np.random.default_rng(4)
    phase, time_s = 2 * np.pi * np.cumsum(f0) / RATE_HZ, np.arange(len(f0)) / RATE_HZ
    heights = np.array([1.0, 0.1, 0.05, 0.02])
    swell = 1 + 0.3 * np.sin(2 * np.pi * 5.5 * time_s)  # of a vibrato: none of it is to be lost
    y = 0.3 * swell * sum(h * np.cos(k * phase) for k, h in enumerate(heights, 1))
    y += 10 ** (-60 / 20) * rng.standard_normal(len(y))
    stem = StemAnalysis("voice", "melody", make_notes(LEVELS, BOUNDS), (), make_track(f0))
    audio = Audio(y[:, None].astype(np.float32), RATE_HZ)
    edit = Edit("voice", *BOUNDS[1:3], 700.0, "", note=2)
    made = render_stem(audio, stem=stem, edits=[edit]).apply(audio)[:, 0]
    width = round(0.02 * RATE_HZ)
    a, b = (round((t + d) * RATE_HZ) for t, d in zip(BOUNDS[1:3], (0.1, -0.1), strict=True))
    levels = [
        20 * np.log10([np.std(x[i : i + width]) for i in range(a, b, width)])
        for x in (y, made.astype(np.float64))
    ]
    apart = levels[1] - levels[0]
    assert np.abs(apart).max() < 2.5
    assert np.ptp(apart) < 2
    spectra = [np.abs(np.fft.rfft(x[a:b] * np.hanning(b - a))) ** 2 for x in (y, made)]
    hz = np.fft.rfftfreq(b - a, 1 / RATE_HZ)
    breath = [10 * np.log10(s[(hz > 3000) & (hz < 8000)].mean()) for s in spectra]
    assert breath[1] == pytest.approx(breath[0], abs=4)


def test_outside_the_edit_every_bit_stays(voice) -> None:
    audio, stem, _ = voice
    edit = move(stem, 2, -200)
    made = render_stem(audio, stem=stem, edits=[edit])
    assert made.patches
    for patch in made.patches:
        assert patch.start >= (edit.start_s - 0.075) * RATE_HZ
        assert patch.stop <= (edit.end_s + 0.075) * RATE_HZ
    whole = made.apply(audio)
    a, b = made.patches[0].start, made.patches[-1].stop
    assert np.array_equal(whole[:a], audio.samples[:a])
    assert np.array_equal(whole[b:], audio.samples[b:])


def test_joins_are_smooth(voice) -> None:
    audio, stem, _ = voice
    made = render_stem(audio, stem=stem, edits=[move(stem, 2, -300)])
    jumps = np.abs(np.diff(made.apply(audio)[:, 0].astype(float)))
    usual = np.abs(np.diff(audio.samples[:, 0].astype(float))).max()
    for patch in made.patches:
        for at in (patch.start, patch.stop - 1):
            assert jumps[max(at - 50, 0) : at + 50].max() < 1.2 * usual


def test_both_channels_move_as_one() -> None:
    audio, stem, _ = make_stem(LEVELS, BOUNDS, channels=2)
    made = render_stem(audio, stem=stem, edits=[move(stem, 2, -200)]).apply(audio)
    assert np.allclose(made[:, 1], 0.6 * made[:, 0], atol=1e-5)


def test_a_channel_of_silence_stays_silent() -> None:
    audio, stem, _ = make_stem(LEVELS, BOUNDS)
    one = np.concatenate([audio.samples, np.zeros_like(audio.samples)], axis=1)
    made = render_stem(Audio(one, RATE_HZ), stem=stem, edits=[move(stem, 2, 300)]).apply(
        Audio(one, RATE_HZ)
    )
    assert np.all(made[:, 1] == 0)
    assert np.any(made[:, 0] != one[:, 0])


@pytest.mark.parametrize("rate_hz", [8000, 22050, 48000, 96000])
def test_any_rate(rate_hz: int) -> None:
    audio, stem, _ = make_stem(LEVELS, BOUNDS, rate_hz=rate_hz)
    made = render_stem(audio, stem=stem, edits=[move(stem, 2, -200)]).apply(audio)[:, 0]
    time_s, hz = praat_hz(made, rate_hz=rate_hz)
    core = (time_s > 0.75) & (time_s < 1.45)
    assert np.median(cents_between(225.0, hz[core])) == pytest.approx(-200, abs=1.5)


@pytest.mark.parametrize(
    ("low_hz", "role"), [(41.2, "bass"), (32.7, "bass"), (880.0, "melody"), (1100.0, "melody")]
)
def test_from_the_lowest_bass_to_the_highest_voice(low_hz: float, role) -> None:
    bounds, levels = (0.0, 0.8, 2.0), (low_hz, low_hz * 2 ** (3 / 12))
    f0 = steps(levels, bounds)
    y = sung(f0, top_hz=max(2500.0, 4.5 * low_hz))
    stem = StemAnalysis("line", role, make_notes(levels, bounds), (), make_track(f0))
    audio = Audio(y.astype(np.float32), RATE_HZ)
    made = render_stem(audio, stem=stem, edits=[move(stem, 2, -200)])
    time_s, hz = praat_hz(made.apply(audio)[:, 0], low_hz=25 if low_hz < 100 else 200, high_hz=1500)
    core = (time_s > 1.1) & (time_s < 1.7) & np.isfinite(hz)
    assert core.sum() > 50
    assert np.median(cents_between(levels[1], hz[core])) == pytest.approx(-200, abs=2.0)


def test_edits_at_both_ends_of_the_file(voice) -> None:
    audio, stem, _ = voice
    edits = [move(stem, 1, -150), move(stem, 3, 150)]
    made = render_stem(audio, stem=stem, edits=edits).apply(audio)[:, 0]
    time_s, hz = praat_hz(made)
    first, last = (time_s > 0.1) & (time_s < 0.45), (time_s > 1.75) & (time_s < 2.1)
    assert np.median(cents_between(200.0, hz[first])) == pytest.approx(-150, abs=2)
    assert np.median(cents_between(180.0, hz[last])) == pytest.approx(150, abs=2)
    assert len(made) == audio.n_samples


def test_notes_moved_in_a_row(voice) -> None:
    audio, stem, _ = voice
    edits = [move(stem, 1, 200), move(stem, 2, -100), move(stem, 3, 300)]
    made = render_stem(audio, stem=stem, edits=edits).apply(audio)[:, 0]
    time_s, hz = praat_hz(made)
    for level, cents, middle in zip(LEVELS, (200, -100, 300), (0.3, 1.1, 1.9), strict=True):
        near = np.abs(time_s - middle) < 0.15
        assert np.median(cents_between(level, hz[near])) == pytest.approx(cents, abs=2)


def test_an_edit_of_forty_milliseconds() -> None:
    bounds, levels = (0.0, 0.5, 0.54, 1.0), (200.0, 225.0, 200.0)
    audio, stem, _ = make_stem(levels, bounds)
    made = render_stem(audio, stem=stem, edits=[move(stem, 2, -200)])
    whole = made.apply(audio)
    assert np.isfinite(whole).all()
    assert made.patches
    assert made.patches[0].start >= 0.425 * RATE_HZ - 1
    assert made.patches[-1].stop <= 0.615 * RATE_HZ + 1


def test_consonants_inside_a_note_stay_in_place() -> None:
    f0 = steps((200.0, 200.0), (0.0, 0.5, 1.2))
    y = sung(f0)
    a, b = int(0.5 * RATE_HZ), int(0.62 * RATE_HZ)
    rng = np.random.default_rng(4)
    y[a:b] = 0.05 * rng.standard_normal(b - a)
    heard = f0.copy()
    heard[a:b] = 0.0
    stem = StemAnalysis(
        "voice", "melody", make_notes((200.0, 200.0), (0.0, 0.5, 1.2)), (), make_track(heard)
    )
    audio = Audio(y.astype(np.float32), RATE_HZ)
    made = render_stem(audio, stem=stem, edits=[move(stem, 2, -200)]).apply(audio)[:, 0]
    inside = slice(a + int(0.02 * RATE_HZ), b - int(0.02 * RATE_HZ))
    assert np.array_equal(made[inside], audio.samples[inside, 0])


def test_a_hole_in_the_track_is_bridged(voice) -> None:
    audio, stem, f0 = voice
    holed = f0.copy()
    holed[int(1.0 * RATE_HZ) : int(1.03 * RATE_HZ)] = 0
    holed_stem = StemAnalysis("voice", "melody", stem.notes, (), make_track(holed))
    whole = render_stem(audio, stem=holed_stem, edits=[move(stem, 2, -200)]).apply(audio)[:, 0]
    time_s, hz = praat_hz(whole)
    near = (time_s > 0.95) & (time_s < 1.1)
    assert np.all(np.abs(cents_between(225.0, hz[near]) + 200) < 5)


def test_an_octave_slip_of_the_track_is_mended(voice) -> None:
    audio, stem, f0 = voice
    slipped = f0.copy()
    slipped[int(1.0 * RATE_HZ) : int(1.2 * RATE_HZ)] /= 2
    slipped_stem = StemAnalysis("voice", "melody", stem.notes, (), make_track(slipped))
    whole = render_stem(audio, stem=slipped_stem, edits=[move(stem, 2, -200)]).apply(audio)[:, 0]
    time_s, hz = praat_hz(whole)
    near = (time_s > 0.9) & (time_s < 1.3)
    assert np.all(np.abs(cents_between(225.0, hz[near]) + 200) < 5)


def test_the_control_is_back_at_the_old_pitch(voice) -> None:
    audio, stem, _ = voice
    edit = move(stem, 2, -300)
    made = render_control(audio, stem=stem, edits=[edit])
    there = render_stem(audio, stem=stem, edits=[edit])
    time_s, hz = praat_hz(made.apply(audio)[:, 0])
    core = (time_s > 0.75) & (time_s < 1.45)
    assert np.median(cents_between(225.0, hz[core])) == pytest.approx(0.0, abs=1.5)
    assert made.patches[0].start == pytest.approx(there.patches[0].start, abs=0.01 * RATE_HZ)
    assert np.any(made.apply(audio) != audio.samples)


@pytest.mark.parametrize("cents", [-400.0, -100.0, 200.0, 700.0])
def test_the_control_is_changed_about_as_much_as_the_variant(cents: float) -> None:
    """A little breath in the voice; how far both lie from what they should be, in mel bands."""
    breath = np.random.default_rng(3).normal(0, 0.004, round(BOUNDS[-1] * RATE_HZ))
    levels = (LEVELS[0], LEVELS[1] * 2 ** (cents / 1200), LEVELS[2])
    old, truth = (sung(steps(hz, BOUNDS)) + breath for hz in (LEVELS, levels))
    audio = Audio(old.astype(np.float32), RATE_HZ)
    stem = make_stem(LEVELS, BOUNDS)[1]
    made, control = (
        run(audio, stem=stem, edits=[move(stem, 2, cents)]).apply(audio)[:, 0]
        for run in (render_stem, render_control)
    )
    variant_db, control_db = _apart_db(made, truth), _apart_db(control, old)
    assert 0.4 < control_db / variant_db < 1.8


def _apart_db(a: np.ndarray, b: np.ndarray) -> float:
    """Mean difference of 64 mel bands in the core of the second note, dB."""
    inside = slice(round(0.65 * RATE_HZ), round(1.5 * RATE_HZ))
    one, other = (
        np.maximum(levels, levels.max() - 60) for levels in (_mel_db(a[inside]), _mel_db(b[inside]))
    )
    return float(np.mean(np.abs(one - other)))


def _mel_db(samples: np.ndarray) -> np.ndarray:
    """Levels of 64 triangular bands from 60 to 8000 Hz, even on the mel scale of O'Shaughnessy
    (1987), in frames of 2048 samples."""
    frames = np.lib.stride_tricks.sliding_window_view(samples, 2048)[::512]
    power = np.abs(np.fft.rfft(frames * np.hanning(2048))) ** 2
    low, high = 2595 * np.log10(1 + np.array([60, 8000]) / 700)
    edges_hz = 700 * (10 ** (np.linspace(low, high, 66) / 2595) - 1)
    bins_hz = np.fft.rfftfreq(2048, 1 / RATE_HZ)
    bands = [np.interp(bins_hz, edges_hz[k : k + 3], [0, 1, 0], left=0, right=0) for k in range(64)]
    return 10 * np.log10(power @ np.array(bands).T + 1e-10)


def test_the_same_bytes_every_time(voice) -> None:
    audio, stem, _ = voice
    edits = [move(stem, 1, 100), move(stem, 3, -200)]
    first = render_stem(audio, stem=stem, edits=edits).apply(audio)
    again = render_stem(audio, stem=stem, edits=edits).apply(audio)
    assert np.array_equal(first, again)


def test_no_shift_is_no_change(voice) -> None:
    audio, stem, _ = voice
    assert render_stem(audio, stem=stem, edits=[move(stem, 2, 0.0)]).patches == ()


@pytest.mark.parametrize("kind", ["silence", "noise"])
def test_what_has_no_pitch_is_left_alone_and_said(kind: str) -> None:
    rng = np.random.default_rng(1)
    y = np.zeros(RATE_HZ) if kind == "silence" else 0.1 * rng.standard_normal(RATE_HZ)
    stem = StemAnalysis(
        "voice", "melody", make_notes((200.0,), (0.2, 0.8)), (), make_track(np.zeros(RATE_HZ))
    )
    audio = Audio(y.astype(np.float32), RATE_HZ)
    made = render_stem(audio, stem=stem, edits=[move(stem, 1, -200)])
    assert made.patches == ()
    assert "only 0% of it has a pitch" in made.warnings[0]


def test_silence_that_a_track_calls_voiced() -> None:
    f0 = np.full(RATE_HZ, 200.0)
    stem = StemAnalysis("voice", "melody", make_notes((200.0,), (0.2, 0.8)), (), make_track(f0))
    audio = Audio(np.zeros((RATE_HZ, 1), np.float32), RATE_HZ)
    assert render_stem(audio, stem=stem, edits=[move(stem, 1, -200)]).patches == ()


def test_a_clipped_sound_is_said(voice) -> None:
    audio, stem, _ = voice
    loud = Audio(np.clip(4 * audio.samples, -1, 1), RATE_HZ)
    made = render_stem(loud, stem=stem, edits=[move(stem, 2, -200)])
    assert any("clipped" in text for text in made.warnings)


@settings(max_examples=25, deadline=None)
@given(
    start_s=st.floats(0.0, 2.0),
    length_s=st.floats(0.01, 0.8),
    cents=st.floats(-1200, 1200).filter(lambda c: abs(c) > 0.5),
    by_note=st.booleans(),
)
def test_any_span_keeps_the_rest(
    start_s: float, length_s: float, cents: float, by_note: bool
) -> None:
    audio, stem, _ = make_stem(LEVELS, BOUNDS, rate_hz=16000)
    edit = Edit("voice", start_s, min(start_s + length_s, 2.2), cents, "shift")
    if by_note:
        edit = move(stem, 1 + int(start_s / 0.75), cents)
    made = render_stem(audio, stem=stem, edits=[edit])
    whole = made.apply(audio)
    assert np.isfinite(whole).all()
    assert np.abs(whole).max() < 1.5
    a = int(np.ceil((edit.start_s - 0.075) * 16000))
    b = int(np.floor((edit.end_s + 0.075) * 16000))
    assert np.array_equal(whole[: max(a, 0)], audio.samples[: max(a, 0)])
    assert np.array_equal(whole[b:], audio.samples[b:])


@pytest.mark.parametrize("off_s", [-0.04, 0.0, 0.04])
def test_equal_pitches_part_where_the_vowel_changes(off_s: float) -> None:
    """No gap, no slide in the f0: the border is heard in level and spectrum alone."""
    bounds = (0.0, 0.7, 1.5)
    f0 = steps((200.0, 200.0), bounds)
    time_s = np.arange(len(f0)) / RATE_HZ
    dull = np.convolve(sung(f0), np.ones(40) / 40, "same")
    mix = np.clip((time_s - 0.68) / 0.04, 0, 1)
    dip = 1 - 0.5 * np.exp(-(((time_s - 0.7) / 0.02) ** 2))
    y = dip * (mix * sung(f0) + (1 - mix) * dull)
    notes = make_notes((200.0, 200.0), (0.0, 0.7 + off_s, 1.5))
    stem = StemAnalysis("voice", "melody", notes, (), make_track(f0))
    audio = Audio(y.astype(np.float32), RATE_HZ)
    made = render_stem(audio, stem=stem, edits=[move(stem, 2, -200)]).apply(audio)[:, 0]
    at, hz = praat_hz(made)
    halfway = at[np.flatnonzero(cents_between(200.0, hz) < -100)[0]]
    assert halfway == pytest.approx(0.7, abs=0.015)


@pytest.mark.parametrize("off_s", [-0.04, 0.0, 0.04])
def test_a_note_that_lands_on_its_neighbour_is_still_struck_anew(off_s: float) -> None:
    """Two notes of one pitch: no slide is left between them, and the dip that parts them stays."""
    levels = (225.0, 200.0)
    f0 = steps(levels, (0.0, 0.7, 1.5))
    time_s = np.arange(len(f0)) / RATE_HZ
    dip = 1 - 0.75 * np.exp(-(((time_s - 0.7) / 0.02) ** 2))
    notes = make_notes(levels, (0.0, 0.7 + off_s, 1.5))
    stem = StemAnalysis("voice", "melody", notes, (), make_track(f0))
    audio = Audio((dip * sung(f0)).astype(np.float32), RATE_HZ)
    down = cents_between(225.0, 200.0)
    made = render_stem(audio, stem=stem, edits=[move(stem, 1, down)]).apply(audio)[:, 0]
    at, hz = praat_hz(made)
    near = (at > 0.55) & (at < 0.85)
    assert np.nanmax(np.abs(cents_between(200.0, hz[near]))) < 30
    wanted, found = (_depth_db(y, 0.7) for y in (dip * sung(np.full(len(f0), 200.0)), made))
    assert wanted < -9
    assert found == pytest.approx(wanted, abs=1.5)


def _depth_db(y: np.ndarray, at_s: float) -> float:
    """Least level of 10 ms within 30 ms of a time, re the level about it."""
    width = int(0.01 * RATE_HZ)
    power = np.convolve(np.asarray(y, np.float64) ** 2, np.ones(width) / width, "same")
    beside = power[int((at_s - 0.2) * RATE_HZ) : int((at_s + 0.2) * RATE_HZ)]
    near = power[int((at_s - 0.03) * RATE_HZ) : int((at_s + 0.03) * RATE_HZ)]
    return float(10 * np.log10(near.min() / np.median(beside)))


def test_an_edit_of_a_note_the_analysis_does_not_have(voice) -> None:
    audio, stem, _ = voice
    edit = Edit("voice", 0.7, 1.5, -200, "shift", note=77)
    made = render_stem(audio, stem=stem, edits=[edit]).apply(audio)[:, 0]
    time_s, hz = praat_hz(made)
    core = (time_s > 0.85) & (time_s < 1.35)
    assert np.median(cents_between(225.0, hz[core])) == pytest.approx(-200, abs=2)


def test_two_voices_at_once_are_doubted(voice) -> None:
    audio, stem, _ = voice
    edit = move(stem, 2, -200)
    assert render_stem(audio, stem=stem, edits=[edit]).warnings == ()
    other = sung(steps((310.0, 331.0, 290.0), BOUNDS))
    both = Audio((audio.samples[:, 0] + other).astype(np.float32) / 2, RATE_HZ)
    warnings = render_stem(both, stem=stem, edits=[edit]).warnings
    assert any("does not sound like one dry voice" in text for text in warnings)


@pytest.mark.parametrize("kind", ["creaky", "jittery"])
def test_rough_voices_move_too(kind: str) -> None:
    """Every second pulse softer and late (creak), or each period off by 2 % at random."""
    rng = np.random.default_rng(3)
    period = RATE_HZ / 110.0
    n = int(1.6 * RATE_HZ)
    pulses, at, k = np.zeros(n), 0.0, 0
    while at < n - 2:
        late = 0.04 * period * (k % 2) if kind == "creaky" else 0.0
        place = at + late
        part = place - int(place)
        height = 0.7 if kind == "creaky" and k % 2 else 1.0
        pulses[int(place)] += height * (1 - part)
        pulses[int(place) + 1] += height * part
        at += period * (1 + (0.02 * rng.standard_normal() if kind == "jittery" else 0.0))
        k += 1
    time_s = np.arange(int(0.03 * RATE_HZ)) / RATE_HZ
    ring = np.exp(-250 * time_s) * np.cos(2 * np.pi * 650 * time_s)
    y = 0.4 * np.convolve(pulses, ring)[:n]
    stem = StemAnalysis(
        "voice",
        "melody",
        make_notes((110.0, 110.0), (0.0, 0.5, 1.6)),
        (),
        make_track(np.full(n, 110.0)),
    )
    audio = Audio(y.astype(np.float32), RATE_HZ)
    made = render_stem(audio, stem=stem, edits=[move(stem, 2, -200)]).apply(audio)[:, 0]
    at_s, hz = praat_hz(made, low_hz=75, high_hz=400)
    core = (at_s > 0.7) & (at_s < 1.4)
    assert np.nanmedian(cents_between(110.0, hz[core])) == pytest.approx(-200, abs=6.0)
    inside = slice(int(0.7 * RATE_HZ), int(1.4 * RATE_HZ))
    level = 20 * np.log10(np.std(made[inside]) / np.std(audio.samples[inside]))
    assert level == pytest.approx(0.0, abs=1.0)


@pytest.mark.parametrize(("rate_hz", "channels"), [(96000, 2), (192000, 1)])
def test_high_rates(rate_hz: int, channels: int) -> None:
    audio, stem, _ = make_stem(LEVELS, BOUNDS, rate_hz=rate_hz, channels=channels)
    made = render_stem(audio, stem=stem, edits=[move(stem, 2, -200)]).apply(audio)
    time_s, hz = praat_hz(made[:, 0], rate_hz=rate_hz)
    core = (time_s > 0.75) & (time_s < 1.45)
    assert np.median(cents_between(225.0, hz[core])) == pytest.approx(-200, abs=1.5)
    if channels == 2:
        assert np.allclose(made[:, 1], 0.6 * made[:, 0], atol=1e-5)


@pytest.mark.parametrize("seed", [75, 223, 334, 475])
def test_marks_stay_in_order_where_the_track_is_wrong(seed: int) -> None:
    # Partials that the track is 2 % off of, while the period it tells bends: no sung voice, but
    # a wrong track may give any.
    rng = np.random.default_rng(seed)
    n_frames = int(rng.uniform(0.3, 1.2) / FRAME_S)
    bends, hz = np.sort(rng.uniform(0, n_frames, 6)), rng.uniform(np.log(60), np.log(1000), 6)
    f0_hz = np.exp(np.interp(np.arange(n_frames), bends, hz))
    time_s = np.arange(int(n_frames * FRAME_S * 44_100)) / 44_100
    sung_hz = 1.02 * np.interp(time_s, np.arange(n_frames) * FRAME_S, f0_hz)
    phase = 2 * np.pi * np.cumsum(sung_hz) / 44_100
    x = np.sum([0.1 * np.sin(k * phase) / k for k in range(1, 6)], axis=0)
    stop = len(x) - 1
    marks = find_epochs(x, f0_hz=f0_hz, rate_hz=44_100, frame_s=FRAME_S, start=0, stop=stop)
    assert len(marks) > 3
    assert np.all(np.diff(marks) > 0)


def test_a_note_in_a_loud_room_is_said_to_be_rough(voice) -> None:
    """White noise 6 dB under a clean voice: its marks are not where its periods are."""
    audio, stem, _ = voice
    edit = replace(move(stem, 2, -200), from_name="C4")
    dry = audio.samples[:, 0]
    noise = np.random.default_rng(1).standard_normal(len(dry)) * np.std(dry) * 10 ** (-6 / 20)
    rough = Audio((0.5 * (dry + noise)).astype(np.float32), RATE_HZ)
    warnings = render_stem(rough, stem=stem, edits=[edit]).warnings
    assert any("(C4): its periods are not clear" in text for text in warnings)
    assert render_stem(audio, stem=stem, edits=[edit]).warnings == ()


def test_marks_that_stray_are_drawn_to_their_course() -> None:
    """Even marks stay as they are to the last bit; strays of 3 % are more than halved."""
    even = 100.0 + 200.0 * np.arange(60)
    assert np.array_equal(_steadied(even, 44_100), even)
    off = np.random.default_rng(2).standard_normal(60) * 6.0
    left = _steadied(even + off, 44_100) - even
    assert np.std(left[8:-8]) < 0.6 * np.std(off[8:-8])
