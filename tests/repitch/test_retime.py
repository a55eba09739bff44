"""Notes moved in time, on voices whose f0 and rhythm are known in closed form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from singing import RATE_HZ, make_notes, make_track, praat_hz, steps, sung

from retune.carriers.changes import Edit
from retune.carriers.errors import EngineError
from retune.carriers.heard import Audio, FloatArray, StemAnalysis
from retune.carriers.units import cents_between
from retune.repitch import render_control, render_stem
from retune.repitch.loops import jump_costs, jumps
from retune.repitch.turns import turning

LEVELS = (200.0, 225.0, 180.0)
BOUNDS = (0.3, 1.1, 2.1, 2.9)
REST = (2.1, 2.9)
VIBRATO_HZ, VIBRATO_CENTS = 5.5, 60.0


def voice(*, channels: int = 1, vibrato: bool = True) -> tuple[Audio, StemAnalysis]:
    """Two joined notes, a rest, and a third; quiet room noise beneath."""
    levels, bounds = (200.0, 225.0, 225.0, 180.0, 180.0), (0.0, 1.1, 2.1, 2.9, 3.7, 4.2)
    f0 = steps(levels, bounds)
    time_s = np.arange(len(f0)) / RATE_HZ
    if vibrato:
        f0 = f0 * 2 ** (VIBRATO_CENTS * np.sin(2 * np.pi * VIBRATO_HZ * time_s) / 1200)
    level = np.zeros(len(f0))
    for start, stop in ((0.3, 2.1), (2.9, 3.7)):
        part = np.clip((time_s - start) / 0.02, 0, 1) * np.clip((stop - time_s) / 0.03, 0, 1)
        level = np.maximum(level, part)
    noise = 1e-4 * np.random.default_rng(1).standard_normal(len(f0))
    y = sung(f0) * level + noise
    samples = np.stack([y * gain for gain in (1.0, 0.6)[:channels]], axis=1).astype(np.float32)
    notes = make_notes((200.0, 225.0, 180.0), (0.3, 1.1, 2.1, 2.9))
    notes = (*notes[:2], replace(notes[2], start_s=2.9, end_s=3.7))
    heard = np.where(level > 0.05, f0, np.nan)
    return Audio(samples, RATE_HZ), StemAnalysis("voice", "melody", notes, (), make_track(heard))


def to(stem: StemAnalysis, index: int, start_s: float, end_s: float, cents: float = 0.0) -> Edit:
    note = stem.note(index)
    return Edit(
        "voice", note.start_s, note.end_s, cents, "hold", note=index,
        start_to_s=start_s, end_to_s=end_s,
    )  # fmt: skip


def delayed(stem: StemAnalysis, by_s: float) -> list[Edit]:
    """The second note delayed, the first held until it comes."""
    return [to(stem, 1, 0.3, 1.1 + by_s), to(stem, 2, 1.1 + by_s, 2.1)]


def change_s(samples: FloatArray) -> float:
    """When the pitch passes the middle between the first two notes."""
    time_s, hz = praat_hz(samples)
    smooth = np.convolve(np.nan_to_num(hz), np.hanning(37) / np.hanning(37).sum(), "same")
    inside = (time_s > 0.6) & (time_s < 1.9)
    return float(time_s[inside][np.argmax(smooth[inside] > 212.0)])


def vibrato_hz(samples: FloatArray, start_s: float, stop_s: float) -> float:
    """One over the median distance of rising passes through the mean pitch."""
    return float(1 / np.median(np.diff(rising_s(samples, start_s, stop_s))))


def rising_s(samples: FloatArray, start_s: float, stop_s: float) -> FloatArray:
    """When the pitch rises through its mean."""
    time_s, hz = praat_hz(samples)
    inside = (time_s > start_s) & (time_s < stop_s) & np.isfinite(hz)
    cents, at = 1200 * np.log2(hz[inside]), time_s[inside]
    cents = cents - cents.mean()
    up = np.flatnonzero((cents[:-1] < 0) & (cents[1:] >= 0))
    return np.asarray(at[up] - cents[up] / (cents[up + 1] - cents[up]) * (at[up + 1] - at[up]))


def assert_only_changed(audio: Audio, made, edits: list[Edit]) -> None:  # type: ignore[no-untyped-def]
    whole = made.apply(audio)
    assert whole.shape == audio.samples.shape
    at_s = np.arange(len(whole)) / RATE_HZ
    low, high = min(e.reach[0] for e in edits), max(e.reach[1] for e in edits)
    outside = (at_s < low - 0.075) | (at_s > high + 0.075)
    assert np.array_equal(whole[outside], audio.samples[outside])


@pytest.mark.parametrize("by_s", [0.4, 0.13, -0.25])
def test_the_change_of_note_moves_by_what_was_asked(by_s: float) -> None:
    audio, stem = voice(vibrato=False)
    edits = delayed(stem, by_s)
    made = render_stem(audio, stem=stem, edits=edits)
    assert_only_changed(audio, made, edits)
    moved_s = change_s(made.apply(audio)[:, 0]) - change_s(audio.samples[:, 0])
    assert moved_s == pytest.approx(by_s, abs=0.005)
    assert not made.warnings


@pytest.mark.parametrize("to_s", [2.3, 2.6, 2.82])
def test_a_held_note_sounds_on_at_its_pitch_and_level(to_s: float) -> None:
    audio, stem = voice(vibrato=False)
    edits = [to(stem, 2, 1.1, to_s)]
    made = render_stem(audio, stem=stem, edits=edits)
    assert_only_changed(audio, made, edits)
    y = made.apply(audio)[:, 0].astype(float)
    time_s, hz = praat_hz(y)
    core = (time_s > 1.2) & (time_s < to_s - 0.05)
    assert np.abs(cents_between(225.0, hz[core])).max() < 8.0
    loud = [np.std(y[int(a * RATE_HZ) : int((a + 0.05) * RATE_HZ)]) for a in (1.3, to_s - 0.1)]
    assert loud[1] == pytest.approx(loud[0], rel=0.05)
    assert np.std(y[int((to_s + 0.03) * RATE_HZ) : int(2.88 * RATE_HZ)]) < 2e-4 or to_s > 2.8


def test_a_shortened_note_leaves_the_quiet_of_the_room() -> None:
    audio, stem = voice()
    edits = [to(stem, 2, 1.1, 1.6)]
    made = render_stem(audio, stem=stem, edits=edits)
    assert_only_changed(audio, made, edits)
    y = made.apply(audio)[:, 0].astype(float)
    quiet = np.std(y[int(1.66 * RATE_HZ) : int(2.05 * RATE_HZ)])
    room = np.std(audio.samples[int(2.3 * RATE_HZ) : int(2.8 * RATE_HZ)])
    assert quiet == pytest.approx(room, rel=0.35)


@pytest.mark.parametrize("by_s", [0.45, -0.35])
def test_the_vibrato_keeps_its_rate(by_s: float) -> None:
    audio, stem = voice()
    y = render_stem(audio, stem=stem, edits=delayed(stem, by_s)).apply(audio)[:, 0]
    for start_s, stop_s in ((0.4, 1.0 + by_s), (1.2 + by_s, 2.05)):
        if stop_s - start_s > 0.5:
            assert vibrato_hz(y, start_s, stop_s) == pytest.approx(VIBRATO_HZ, rel=0.03)


def test_a_note_moved_from_rest_to_rest_goes_as_it_is() -> None:
    audio, stem = voice()
    third = stem.note(3)
    edits = [to(stem, 3, third.start_s - 0.3, third.end_s - 0.3)]
    made = render_stem(audio, stem=stem, edits=edits)
    assert_only_changed(audio, made, edits)
    a, b, n = int(2.95 * RATE_HZ), int(3.65 * RATE_HZ), round(0.3 * RATE_HZ)
    assert np.array_equal(made.apply(audio)[a - n : b - n], audio.samples[a:b])


def test_pitch_and_time_move_together() -> None:
    audio, stem = voice(vibrato=False)
    edits = [to(stem, 1, 0.3, 1.5), to(stem, 2, 1.5, 2.1, cents=-200.0)]
    y = render_stem(audio, stem=stem, edits=edits).apply(audio)[:, 0]
    time_s, hz = praat_hz(y)
    held, moved = (time_s > 0.5) & (time_s < 1.4), (time_s > 1.65) & (time_s < 2.0)
    assert np.median(cents_between(200.0, hz[held])) == pytest.approx(0.0, abs=2.0)
    assert np.median(cents_between(225.0, hz[moved])) == pytest.approx(-200.0, abs=8.0)


def test_joins_do_not_click() -> None:
    audio, stem = voice()
    usual = np.abs(np.diff(audio.samples[:, 0].astype(float))).max()
    for edits in (delayed(stem, 0.4), delayed(stem, -0.3), [to(stem, 2, 1.1, 2.7)]):
        y = render_stem(audio, stem=stem, edits=edits).apply(audio)[:, 0].astype(float)
        assert np.abs(np.diff(y)).max() < 1.3 * usual


def test_both_channels_move_as_one() -> None:
    audio, stem = voice(channels=2)
    y = render_stem(audio, stem=stem, edits=delayed(stem, 0.3)).apply(audio)
    assert np.allclose(y[:, 1], 0.6 * y[:, 0], atol=1e-5)


def test_the_control_goes_out_and_back() -> None:
    audio, stem = voice(vibrato=False)
    edits = delayed(stem, 0.35)
    made = render_control(audio, stem=stem, edits=edits)
    assert_only_changed(audio, made, edits)
    y = made.apply(audio)[:, 0]
    assert change_s(y) == pytest.approx(change_s(audio.samples[:, 0]), abs=0.005)
    core = slice(int(0.6 * RATE_HZ), int(0.9 * RATE_HZ))
    assert not np.array_equal(y[core], audio.samples[core, 0])


def test_what_has_no_vowel_is_cut_as_it_is_and_said() -> None:
    audio, stem = voice()
    mute = replace(stem, track=make_track(np.full(len(audio.samples), np.nan)))
    made = render_stem(audio, stem=mute, edits=[to(stem, 2, 1.1, 2.6)])
    assert "no vowel is found there" in made.warnings[0]
    assert_only_changed(audio, made, [to(stem, 2, 1.1, 2.6)])


def test_a_stem_without_a_voice_of_its_own_is_refused() -> None:
    audio, stem = voice()
    with pytest.raises(EngineError, match="stems of one voice only"):
        render_stem(
            audio, stem=replace(stem, role="mix"), edits=[to(stem, 2, 1.1, 2.6)], engine="identity"
        )


@given(
    st.floats(-0.6, 0.7), st.floats(-0.7, 0.7), st.floats(0.0, 0.3), st.sampled_from((0.0, -150.0))
)
@settings(max_examples=12, deadline=None)
def test_whatever_moves_the_rest_stays(
    by_s: float, end_s: float, on_s: float, cents: float
) -> None:
    audio, stem = voice()
    last = max(2.1 + end_s, 1.1 + by_s + 0.15)
    third = max(2.9 - on_s, last + 0.07)
    edits = [
        to(stem, 1, 0.3, 1.1 + by_s),
        to(stem, 2, 1.1 + by_s, last, cents=cents),
        to(stem, 3, third, 3.7),
    ]
    made = render_stem(audio, stem=stem, edits=edits)
    assert_only_changed(audio, made, edits)
    y = made.apply(audio)
    assert np.isfinite(y).all()
    assert np.abs(y).max() < 1.3 * np.abs(audio.samples).max()


def test_jumps_go_by_whole_turns_of_what_repeats() -> None:
    turns = np.sin(2 * np.pi * np.arange(200) / 36)[:, None] * 3
    features = np.hstack([turns, np.gradient(turns[:, 0])[:, None] * 3])
    for came, landed in jumps(jump_costs(features), 200 + 72):
        assert (came + 1 - landed) % 36 in (0, 1, 35)


@pytest.mark.parametrize("by_s", [0.45, 0.3, -0.2])
def test_what_is_no_whole_turn_goes_into_one_place(by_s: float) -> None:
    audio, stem = voice()
    y = render_stem(audio, stem=stem, edits=delayed(stem, by_s)).apply(audio)[:, 0]
    for start_s, stop_s in ((0.4, 1.0 + by_s), (1.2 + by_s, 2.05)):
        turns = np.diff(rising_s(y, start_s, stop_s)) * VIBRATO_HZ
        assert np.sum(np.abs(turns - 1) > 0.06) <= 1, turns


@given(st.floats(5.0, 7.0), st.floats(20.0, 90.0), st.floats(0.0, 6.0), st.integers(90, 300))
@settings(max_examples=25, deadline=None)
def test_where_in_its_turn_a_vibrato_is_in_a_line_that_wavers(
    rate_hz: float, extent: float, phase: float, n: int
) -> None:
    at_s = np.arange(n) * 0.005
    angle = 2 * np.pi * rate_hz * at_s + phase
    wavering = 0.15 * extent * np.sin(2 * np.pi * 2.1 * at_s + 1)
    turn, quarter_on = turning(extent * np.sin(angle) + wavering, 0.005)
    inside = slice(30, -30)
    found = np.arctan2(turn, quarter_on)[inside]
    off = np.abs(np.angle(np.exp(1j * (found - angle[inside]))))
    assert off.max() < 0.35
    assert np.hypot(turn, quarter_on)[inside] == pytest.approx(extent, rel=0.2)


def test_a_line_that_stands_still_has_no_vibrato() -> None:
    turn, quarter_on = turning(np.zeros(40), 0.005)
    assert not turn.any()
    assert not quarter_on.any()
