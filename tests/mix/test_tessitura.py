"""Where in its range a melody lies, and that an octave's slip is drawn back there."""

from __future__ import annotations

import numpy as np
import pytest

from retune.carriers.heard import Audio, PitchTrack
from retune.carriers.units import hz_to_midi, midi_to_hz
from retune.song.guide import GuideNote
from retune.track import mix_melody
from retune.track.melody_net import N_PITCHES, PER_OCTAVE, PITCHES_HZ
from retune.track.mix_frames import HOP, RATE_HZ, Frames
from retune.track.tessitura import FREE_SEMITONES, PULL, loss, middle_midi


def track_of(midi: np.ndarray, prob: np.ndarray, *, hop_s: float = 0.1) -> PitchTrack:
    n = len(midi)
    f0_hz = np.asarray(midi_to_hz(midi), dtype=np.float64)
    return PitchTrack(np.arange(n) * hop_s, f0_hz, prob, np.zeros(n), "mix")


def test_the_middle_is_a_median_of_what_is_likely() -> None:
    midi = np.concatenate([np.full(30, 60.0), np.full(25, 64.0), np.full(40, 40.0)])
    prob = np.concatenate([np.full(30, 0.9), np.full(25, 0.9), np.full(40, 0.05)])
    np.testing.assert_allclose(middle_midi(track_of(midi, prob)), 60.0)


def test_the_middle_follows_a_melody_that_moves_up() -> None:
    midi = np.concatenate([np.full(600, 50.0), np.full(600, 62.0)])
    middle = middle_midi(track_of(midi, np.ones(1200)))
    assert middle[0] == pytest.approx(50.0)
    assert middle[-1] == pytest.approx(62.0)


def test_without_a_melody_there_is_no_middle() -> None:
    nothing = np.full(20, np.nan)
    assert np.isnan(middle_midi(track_of(nothing, np.zeros(20)))).all()
    unlikely = middle_midi(track_of(np.full(20, 60.0), np.zeros(20)))
    assert len(unlikely) == 20
    assert not loss(PITCHES_HZ, unlikely).any()


def test_what_lies_near_the_middle_costs_nothing() -> None:
    cost = loss(PITCHES_HZ, np.array([57.0]))[0]
    away = np.abs(np.asarray(hz_to_midi(PITCHES_HZ)) - 57.0)
    np.testing.assert_allclose(cost, PULL * np.maximum(away - FREE_SEMITONES, 0.0))


def odds_of(bins: np.ndarray, rivals: np.ndarray) -> Frames:
    """Frames where a pitch is likely and, a little likelier, another one where there is any."""
    odds = np.full((len(bins), N_PITCHES + 1), -9.0, np.float32)
    odds[np.arange(len(bins)), bins] = -0.9
    here = rivals >= 0
    odds[np.flatnonzero(here), rivals[here]] = -0.6
    return Frames(odds, np.zeros((len(bins), N_PITCHES), np.float16))


@pytest.mark.parametrize("guided", [False, True])
def test_an_octaves_slip_is_drawn_back(monkeypatch: pytest.MonkeyPatch, guided: bool) -> None:
    rng = np.random.default_rng(6)
    tune = np.repeat(2 * PER_OCTAVE + 3 * rng.integers(-2, 3, 20), 30)
    slips = np.where(np.repeat(np.arange(20) % 5 == 2, 30), tune - PER_OCTAVE, -1)
    monkeypatch.setattr(mix_melody, "frames_of", lambda _: iter([odds_of(tune, slips)]))
    end_s = len(tune) * HOP / RATE_HZ
    low = float(np.asarray(hz_to_midi(PITCHES_HZ[PER_OCTAVE])))
    guide = [GuideNote(0.0, end_s, low)] if guided else []
    silence = Audio(np.zeros((100, 2), np.float32), RATE_HZ)
    found = mix_melody.track_mix(silence, fmin_hz=60.0, fmax_hz=1200.0, guide=guide)
    slipped = slips >= 0
    heard = found.f0_hz[slipped]
    wanted = PITCHES_HZ[(slips if guided else tune)[slipped]]
    near = np.abs(1200 * np.log2(heard / wanted)) < 60
    # What a guide says is where the melody lies, however far from the rest.
    assert near[np.isfinite(heard)].mean() > 0.9
    assert np.isfinite(heard).mean() > (0.5 if guided else 0.9)
