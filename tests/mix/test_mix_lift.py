"""A note moved inside a mix, against mixes whose truth is known."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from band import LINE, MOVED, RATE_HZ, Floats, Mix, guide, make_mix, sing, stem_of

from retune.analysis.guided import mix_notes
from retune.carriers.changes import Edit, StemRendition
from retune.carriers.heard import Audio, PitchTrack
from retune.repitch import render_control, render_stem
from retune.repitch.judge import CLEAN, DO_NOT_USE
from retune.repitch.lift import lift_run
from retune.track import track_mix

JOIN_S = 0.075
CORE_S = (LINE[MOVED - 1][1] + 0.1, LINE[MOVED - 1][2] - 0.1)


@pytest.fixture(scope="module")
def mix() -> Mix:
    return make_mix()


@pytest.fixture(scope="module")
def moved(mix: Mix) -> StemRendition:
    stem, edit = stem_of(mix)
    return render_stem(mix.audio, stem=stem, edits=[edit])


def core(samples: Floats) -> Floats:
    return samples[int(CORE_S[0] * RATE_HZ) : int(CORE_S[1] * RATE_HZ)]


def spectra(samples: Floats) -> Floats:
    """Magnitudes (2, n_frames, n_bins) of the moved note."""
    frames = np.lib.stride_tricks.sliding_window_view(core(samples), 1024, axis=0)[::256]
    return np.abs(np.fft.rfft(frames * np.hanning(1024), axis=2))


def snr_db(samples: Floats, truth: Floats) -> float:
    got, wanted = spectra(samples), spectra(truth)
    return 10 * float(np.log10(np.sum(wanted**2) / np.sum((got - wanted) ** 2)))


def ghost_db(samples: Floats, mix: Mix) -> float:
    """Power that stands still on the clock of the old pitch, at harmonics the new one lacks."""
    hz = core(mix.hz)
    phase = 2 * np.pi * np.cumsum(hz) / RATE_HZ
    x = core(samples).mean(axis=1) * np.hanning(len(hz))
    return 10 * float(np.log10(sum(abs(np.sum(x * np.exp(-1j * h * phase))) ** 2
                                   for h in (1, 2, 3, 4, 5, 6))))  # fmt: skip


@pytest.mark.parametrize("lead_db", [6.0, 0.0, -6.0])
def test_with_a_guide_the_melody_is_found_in_the_mix(lead_db: float) -> None:
    mix = make_mix(lead_db=lead_db)
    track = track_mix(mix.audio, fmin_hz=65.0, fmax_hz=1200.0, guide=guide())
    truth = np.interp(track.time_s, np.arange(len(mix.hz)) / RATE_HZ, mix.hz)
    right = 0
    for _, start_s, end_s in LINE:
        inside = (track.time_s > start_s + 0.08) & (track.time_s < end_s - 0.08)
        away = np.abs(1200 * np.log2(track.f0_hz[inside] / truth[inside]))
        right += np.mean(away < 50) > 0.8
    assert right == len(LINE)


def test_guided_notes_have_their_bounds_and_their_certainty() -> None:
    stem, _ = stem_of(make_mix(lead_db=12.0))
    for note, (pitch, start_s, end_s) in zip(stem.notes, LINE, strict=True):
        assert abs(note.pitch_midi - pitch) < 0.3
        assert (note.start_s, note.end_s) == pytest.approx((start_s, end_s), abs=0.06)
        assert note.confidence > 0.5
    lost, _ = stem_of(make_mix(lead_db=-30.0))
    doubted = [note for note in lost.notes if note.confidence < 0.5]
    assert len(doubted) >= len(LINE) - 2
    assert all(note.doubt for note in doubted)


def test_without_a_guide_a_loud_lead_is_found() -> None:
    mix = make_mix(lead_db=6.0)
    track = track_mix(mix.audio, fmin_hz=65.0, fmax_hz=1200.0)
    truth = np.interp(track.time_s, np.arange(len(mix.hz)) / RATE_HZ, mix.hz)
    sung = np.zeros(len(truth), bool)
    for _, start_s, end_s in LINE:
        sung |= (track.time_s > start_s + 0.08) & (track.time_s < end_s - 0.08)
    assert np.mean(np.abs(1200 * np.log2(track.f0_hz[sung] / truth[sung])) < 50) > 0.9


def test_a_note_in_near_silence_is_doubted_without_a_guide() -> None:
    time_s = np.arange(500) * 0.0116
    f0_hz = np.where(time_s % 1.0 < 0.8, 220.0 * 2 ** (np.floor(time_s) / 6), np.nan)
    energy_db = np.where(time_s < 5.0, -20.0, -42.0)
    track = PitchTrack(time_s, f0_hz, np.full(500, 0.9), energy_db, "mix")
    heard = mix_notes(track, ())
    assert heard[-1].start_s > 4.9
    assert heard[-1].confidence < 0.5
    assert heard[-1].doubt
    assert all(note.confidence >= 0.5 for note in heard[:-1])


def test_nothing_is_found_where_the_guide_is_silent(mix: Mix) -> None:
    track = track_mix(mix.audio, fmin_hz=65.0, fmax_hz=1200.0, guide=guide()[:2])
    assert np.isnan(track.f0_hz[track.time_s > LINE[1][2] + 0.3]).all()


def test_a_voice_alone_is_lifted_whole() -> None:
    """Of a voice without any backing nothing may stay behind: 25 dB, edges left out."""
    time_s = np.arange(3 * RATE_HZ) / RATE_HZ
    hz = 220 * 2 ** (0.03 * np.sin(2 * np.pi * 5 * time_s))
    part = slice(RATE_HZ, 2 * RATE_HZ)
    sung, same_hz = sing(hz)[part], hz[part]
    lifted = lift_run(sung[None], same_hz, rate_hz=RATE_HZ, top_hz=8000.0)[0]
    middle = slice(len(sung) // 4, -len(sung) // 4)
    left = np.sum((sung - lifted)[middle] ** 2) / np.sum(sung[middle] ** 2)
    assert 10 * np.log10(left) < -25


def test_outside_the_edit_not_one_bit_changes(mix: Mix, moved: StemRendition) -> None:
    out, was = moved.apply(mix.audio), mix.audio.samples
    differs = np.flatnonzero((out != was).any(axis=1)) / RATE_HZ
    assert len(differs)
    assert differs[0] >= LINE[MOVED - 1][1] - JOIN_S
    assert differs[-1] <= LINE[MOVED - 1][2] + JOIN_S


def test_the_result_is_nearer_the_truth_and_the_old_note_is_gone(
    mix: Mix, moved: StemRendition
) -> None:
    assert (moved.engine, "approximate" in moved.reason) == ("lift", True)
    out = moved.apply(mix.audio).astype(np.float64)
    assert snr_db(out, mix.truth) > snr_db(mix.mix, mix.truth) + 5
    assert ghost_db(out, mix) < ghost_db(mix.mix, mix) - 8


def test_the_control_keeps_the_pitch_and_is_processed(mix: Mix) -> None:
    stem, edit = stem_of(mix)
    same = render_control(mix.audio, stem=stem, edits=[edit]).apply(mix.audio).astype(np.float64)
    assert not np.array_equal(same, mix.audio.samples)
    assert snr_db(same, mix.mix) > 8
    track = track_mix(Audio(same, RATE_HZ), fmin_hz=65.0, fmax_hz=1200.0, guide=guide())
    inside = (track.time_s > CORE_S[0]) & (track.time_s < CORE_S[1])
    truth = np.interp(track.time_s[inside], np.arange(len(mix.hz)) / RATE_HZ, mix.hz)
    assert np.median(np.abs(1200 * np.log2(track.f0_hz[inside] / truth))) < 10


def test_verdicts_follow_the_level_of_the_lead() -> None:
    words = []
    for lead_db in (12.0, -24.0):
        mix = make_mix(lead_db=lead_db)
        stem, edit = stem_of(mix)
        made = render_stem(mix.audio, stem=stem, edits=[edit])
        words.append(made.verdicts[0].word)
        assert any(made.verdicts[0].word in line for line in made.warnings) == (lead_db < 0)
    assert words == [CLEAN, DO_NOT_USE]


def test_whole_spans_of_a_mix_move_as_they_are_and_add_to_notes(mix: Mix) -> None:
    stem, note = stem_of(mix)
    span = Edit("all", note.end_s + 0.1, 4.5, 100.0, "")
    alone = render_stem(mix.audio, stem=stem, edits=[span])
    both = render_stem(mix.audio, stem=stem, edits=[note, span])
    assert alone.engine == "stretch"
    assert both.engine == "lift"
    starts = [(patch.start, patch.stop) for patch in both.patches]
    assert all(a[1] <= b[0] for a, b in pairwise(starts))
    late = int(4.2 * RATE_HZ)
    np.testing.assert_array_equal(
        both.apply(mix.audio, late, late + 2000), alone.apply(mix.audio, late, late + 2000)
    )
