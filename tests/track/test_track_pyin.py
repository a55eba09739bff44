"""Our pYIN against the published one, and its own promises: blocks, memory, determinism."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from signals import audio_of, tone

from retune.track import hummed, track_pitch
from retune.track.octaves import lower_doubtful
from retune.track.pyin import Pyin, run
from retune.track.settings import PyinSettings

RATE = 22050


def wandering(seconds=6.0, seed=3, rate_hz=RATE):
    """Sung-like: notes, glides, vibrato, gaps of noise and of silence."""
    rng = np.random.default_rng(seed)
    n = round(seconds * rate_hz)
    time_s = np.arange(n) / rate_hz
    steps = rng.integers(-5, 8, size=int(seconds * 3) + 1)
    midi = 57 + np.interp(time_s * 3, np.arange(len(steps)), steps)
    midi = midi + 0.4 * np.sin(2 * np.pi * 5.5 * time_s)
    samples = tone(440 * 2 ** ((midi - 69) / 12), seconds=seconds, rate_hz=rate_hz)
    samples *= np.clip(3 * np.sin(2 * np.pi * 0.7 * time_s) + 1.5, 0, 1)
    return samples + 0.004 * rng.standard_normal(n)


def published(samples, hop, fmin_hz=65.0, fmax_hz=1000.0):
    settings = PyinSettings(fmin_hz, fmax_hz, hop=hop)
    return run(iter([samples]), settings=settings)


@pytest.mark.slow
@pytest.mark.parametrize("hop", [256, 512])
@pytest.mark.parametrize("seed", [1, 2])
def test_published_settings_agree_with_librosa(hop, seed):
    import librosa

    samples = wandering(seed=seed)
    f0_hz, voiced, voiced_prob = librosa.pyin(
        samples, fmin=65.0, fmax=1000.0, sr=RATE, hop_length=hop
    )
    ours = published(samples, hop)
    assert len(ours.f0_hz) == len(f0_hz)
    assert (np.isfinite(ours.f0_hz) == voiced).mean() >= 0.999
    both = voiced & np.isfinite(ours.f0_hz)
    assert both.sum() > 100
    assert (np.abs(1200 * np.log2(ours.f0_hz[both] / f0_hz[both])) < 1).mean() >= 0.999
    assert ours.voiced_prob == pytest.approx(voiced_prob, abs=1e-4)


@pytest.mark.slow
def test_published_settings_agree_with_librosa_over_another_range():
    import librosa

    samples = wandering(seed=5)
    f0_hz, voiced, _ = librosa.pyin(samples, fmin=120.0, fmax=500.0, sr=RATE, hop_length=256)
    ours = published(samples, 256, 120.0, 500.0)
    assert (np.isfinite(ours.f0_hz) == voiced).mean() >= 0.999
    assert ours.f0_hz[voiced] == pytest.approx(f0_hz[voiced], rel=5e-4)


@pytest.mark.slow
def test_refined_f0_is_nearer_the_truth_than_the_bins():
    import librosa

    truth_hz = 200 * 2 ** (np.arange(4 * RATE) / RATE / 8)
    samples = tone(truth_hz, seconds=4.0, rate_hz=RATE)
    ours = track_pitch(audio_of(samples, RATE), fmin_hz=65, fmax_hz=1000)
    theirs, _, _ = librosa.pyin(samples, fmin=65, fmax=1000, sr=RATE, hop_length=256)
    at_frames = 200 * 2 ** (ours.time_s / 8)
    inner = slice(20, -20)
    error = np.abs(1200 * np.log2(ours.f0_hz / at_frames))[inner]
    their_error = np.abs(1200 * np.log2(theirs / at_frames))[inner]
    assert np.median(error) < 0.1 < np.median(their_error)


def test_an_independent_tracker_agrees():
    import parselmouth

    samples = wandering(seconds=5.0, seed=8)
    ours = track_pitch(audio_of(samples, RATE), fmin_hz=75, fmax_hz=800)
    praat = parselmouth.Sound(samples, RATE).to_pitch_ac(0.01, 75.0, pitch_ceiling=800.0)
    theirs = np.array([praat.get_value_at_time(t) for t in ours.time_s])
    both = np.isfinite(theirs) & np.isfinite(ours.f0_hz)
    cents = 1200 * np.log2(ours.f0_hz[both] / theirs[both])
    assert both.sum() > 200
    assert np.median(np.abs(cents)) < 3.0
    assert np.mean(np.abs(cents) > 600) < 0.005


class InPieces:
    """Sound that notes how much of it was asked for at a time."""

    def __init__(self, samples, rate_hz):
        self.samples, self.rate_hz = samples.astype(np.float32)[:, None], rate_hz
        self.n_samples, self.n_channels, self.largest = len(samples), 1, 0

    def read(self, start=0, stop=None):
        piece = self.samples[start:stop]
        self.largest = max(self.largest, len(piece))
        return piece


@pytest.mark.parametrize("block", [100, 4096, 10**6])
def test_the_size_of_blocks_changes_nothing(block):
    samples = wandering(seconds=4.0)
    settings = PyinSettings(65.0, 1000.0, window=1025, refined=True)
    whole = run(iter([samples]), settings=settings)
    pieces = (samples[i : i + block] for i in range(0, len(samples), block))
    parts = run(pieces, settings=settings)
    for name in ("time_s", "f0_hz", "voiced_prob", "energy_db"):
        np.testing.assert_array_equal(getattr(parts, name), getattr(whole, name))


@pytest.mark.parametrize("rate_hz", [22050, 44100])
def test_the_size_of_reads_changes_nothing_that_matters(rate_hz, monkeypatch):
    from retune.track import stream

    sound = audio_of(wandering(seconds=3.0, rate_hz=rate_hz), rate_hz)
    usual = Pyin().track(sound, fmin_hz=65.0, fmax_hz=1000.0)
    monkeypatch.setattr(stream, "READ_SAMPLES", 3001)
    other = Pyin().track(sound, fmin_hz=65.0, fmax_hz=1000.0)
    assert other.f0_hz == pytest.approx(usual.f0_hz, rel=1e-6, nan_ok=True)


def test_two_runs_are_identical():
    sound = audio_of(wandering(seconds=2.0), RATE)
    first, second = (Pyin().track(sound, fmin_hz=65.0, fmax_hz=1000.0) for _ in range(2))
    assert first.f0_hz.tobytes() == second.f0_hz.tobytes()
    assert first.voiced_prob.tobytes() == second.voiced_prob.tobytes()


def test_sound_is_read_in_pieces_and_memory_stays_small():
    sound = InPieces(np.tile(wandering(seconds=6.0), 20), RATE)
    Pyin().track(InPieces(sound.samples[:RATE, 0], RATE), fmin_hz=65.0, fmax_hz=1000.0)
    tracemalloc.start()
    track = Pyin().track(sound, fmin_hz=65.0, fmax_hz=1000.0)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert sound.largest <= 1 << 16
    assert len(track.time_s) > 10000
    # Two minutes: 20 MB and 1 MB a minute at most.
    assert peak < 22e6


def pulses(weaker, seconds=2.0):
    """Pulses 100 samples apart, every other one `weaker`: 220.5 Hz that leans to 110.25 Hz."""
    samples = np.zeros(round(seconds * RATE))
    for i, at in enumerate(range(100, len(samples) - 200, 100)):
        samples[at : at + 150] += (1.0 if i % 2 else weaker) * np.exp(-np.arange(150) / 25.0)
    return audio_of(0.4 * samples, RATE)


def test_an_octave_in_doubt_has_a_low_probability():
    sure, doubtful, low = (
        track_pitch(pulses(weaker), fmin_hz=65, fmax_hz=1000) for weaker in (1.0, 0.8, 0.4)
    )
    assert np.nanmedian(sure.f0_hz) == pytest.approx(220.5, rel=1e-3)
    assert np.nanmedian(low.f0_hz) == pytest.approx(110.25, rel=1e-3)
    assert np.median(sure.voiced_prob) > 0.95
    assert np.median(low.voiced_prob) > 0.95
    assert np.median(doubtful.voiced_prob) < 0.2


def test_one_doubtful_frame_does_not_condemn_a_held_stretch():
    f0_hz = np.full(20, 220.0)
    f0_hz[9:11] = np.nan
    probs, doubt = np.full(20, 0.9), np.zeros(20)
    doubt[3], doubt[12:] = 1.0, 1.0
    lowered = lower_doubtful(f0_hz, probs, doubt)
    assert lowered[:9] == pytest.approx(0.9)
    assert lowered[11:] == pytest.approx(0.9 * 1 / 9)


def test_held_notes_show_no_octave_errors():
    """Errors above 600 cents stay under one in a thousand over several timbres, in noise too."""
    rng = np.random.default_rng(4)
    wrong = total = 0
    for f0_hz in (98.0, 155.6, 246.9, 392.0, 622.3, 987.8):
        for weights in ([0.05, 1, 0.3], [1, 0.05, 0.5, 0.05, 0.3], [0.3, 0.1, 1, 0.1, 0.4]):
            phase = 2 * np.pi * f0_hz * np.arange(RATE) / RATE
            samples = sum(w * np.sin((k + 1) * phase + k) for k, w in enumerate(weights))
            samples = 0.2 * samples + 0.03 * rng.standard_normal(RATE)
            track = track_pitch(audio_of(samples, RATE), fmin_hz=65, fmax_hz=1200)
            found = track.f0_hz[np.isfinite(track.f0_hz)]
            assert len(found) > 60
            wrong += int((np.abs(1200 * np.log2(found / f0_hz)) > 600).sum())
            total += len(found)
    assert wrong / total < 0.001


def test_warming_up_leaves_nothing_to_compile():
    from retune.track import warm_up
    from retune.track.viterbi import forward

    warm_up()
    known = len(forward.signatures)
    track_pitch(audio_of(wandering(seconds=1.0), RATE), fmin_hz=65, fmax_hz=1000)
    assert len(forward.signatures) == known > 0


@pytest.mark.slow
@pytest.mark.parametrize(("n_steps", "n_frames"), [(1, 9), (5, 40), (60, 70), (50, 400)])
def test_the_cheapest_way_is_that_of_librosa(n_steps: int, n_frames: int) -> None:
    import librosa

    costs = np.random.default_rng(n_steps).random((n_steps, n_frames))
    _, path = librosa.sequence.dtw(
        C=costs,
        subseq=True,
        step_sizes_sigma=np.array(hummed.STEPS),
        weights_mul=np.array(hummed.STEP_WEIGHTS),
        weights_add=np.array(hummed.STEP_COSTS),
    )
    assert np.array_equal(hummed.cheapest_way(costs), path[::-1])
