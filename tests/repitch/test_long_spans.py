"""Spans of minutes and hours: memory that follows the block, joins that keep every partial."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest

from retune.carriers.changes import Edit, Patch
from retune.carriers.heard import Audio, StemAnalysis
from retune.repitch import render_control, render_stem
from retune.repitch.joins import LEAST, gone_over, most_alike

RATE_HZ = 22_050
PARTIALS_HZ = (110.0, 220.0, 277.2, 329.6, 440.0, 554.4, 1108.7)


def chord(seconds: float) -> np.ndarray:
    """Steady partials and a little noise, in two channels: nothing hides a join."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    noise = np.random.default_rng(0).standard_normal((len(time_s), 2))
    waves = [
        sum(np.sin(2 * np.pi * hz * time_s + c) / (k + 1) for k, hz in enumerate(PARTIALS_HZ))
        for c in (0, 1)
    ]
    return (0.2 * np.stack(waves, axis=1) + 0.001 * noise).astype(np.float32)


def levels_db(samples: np.ndarray, hz: float) -> np.ndarray:
    """Level of one partial every 50 ms."""
    n = RATE_HZ // 5
    wave = np.hanning(n) * np.exp(-2j * np.pi * hz * np.arange(n) / RATE_HZ)
    frames = np.lib.stride_tricks.sliding_window_view(samples, n)[:: n // 4]
    return 20 * np.log10(np.abs(frames @ wave))


def whole(shift_cents: float, *, end_s: float, start_s: float = 0.0) -> list[Edit]:
    return [Edit("harp", start_s, end_s, shift_cents, "shift harp")]


def test_a_partial_keeps_its_level_through_the_joins_of_a_long_span() -> None:
    seconds = 70.0
    audio = Audio(chord(seconds), RATE_HZ)
    stem = StemAnalysis("harp", "backing")
    made = render_stem(audio, stem=stem, edits=whole(200, end_s=seconds))
    moved = made.apply(audio)
    assert moved.shape == (audio.n_samples, 2)
    inside = moved[RATE_HZ:-RATE_HZ, 0].astype(float)
    for hz in PARTIALS_HZ:
        found = levels_db(inside, hz * 2 ** (200 / 1200))
        assert np.ptp(found) < 2.0, hz
        assert np.median(levels_db(inside, hz)) < np.median(found) - 20 or hz > 1000


def test_a_long_span_leaves_what_is_beside_it_and_reads_back_in_any_pieces() -> None:
    audio = Audio(chord(60.0), RATE_HZ)
    stem = StemAnalysis("harp", "backing")
    made = render_stem(audio, stem=stem, edits=whole(-300, start_s=3.0, end_s=55.0))
    (patch,) = made.patches
    assert patch.start > 2.9 * RATE_HZ
    assert patch.stop < 55.1 * RATE_HZ
    moved = made.apply(audio)
    np.testing.assert_array_equal(moved[: patch.start], audio.read(0, patch.start))
    np.testing.assert_array_equal(moved[patch.stop :], audio.read(patch.stop))
    pieces = [made.apply(audio, a, a + 99_991) for a in range(0, audio.n_samples, 99_991)]
    np.testing.assert_array_equal(np.concatenate(pieces), moved)
    step = np.abs(np.diff(moved[:, 0], 2)).max()
    assert step < 1.5 * np.abs(np.diff(audio.read()[:, 0], 2)).max()


def test_the_control_of_a_long_span_comes_back_to_its_pitch() -> None:
    audio = Audio(chord(45.0), RATE_HZ)
    stem = StemAnalysis("harp", "backing")
    made = render_control(audio, stem=stem, edits=whole(200, end_s=45.0))
    back = made.apply(audio)[RATE_HZ:-RATE_HZ, 0].astype(float)
    assert np.ptp(levels_db(back, 220.0)) < 3.0


def test_two_sounds_go_over_into_one_another_though_their_phases_differ() -> None:
    n = 3 * LEAST
    time_s = np.arange(n) / RATE_HZ
    a = np.sin(2 * np.pi * 440 * time_s)[:, None]
    made = gone_over(a, -a)[:, 0].astype(float)
    np.testing.assert_allclose(made[:500], a[:500, 0], atol=1e-5)
    np.testing.assert_allclose(made[-500:], -a[-500:, 0], atol=1e-5)
    assert np.ptp(levels_db(made, 440.0)) < 1.5
    plain = np.linspace(1, 0, n) * a[:, 0] - np.linspace(0, 1, n) * a[:, 0]
    assert np.ptp(levels_db(plain, 440.0)) > 15


def test_the_join_lies_where_the_two_are_most_alike() -> None:
    noise = np.random.default_rng(1).standard_normal((2, 4000, 1))
    noise[1, 1200:1700] = noise[0, 1200:1700]
    assert most_alike(noise[0], noise[1], 500) == 1200


def test_a_mapped_patch_is_pickled_whole() -> None:
    import pickle

    audio = Audio(chord(42.0), RATE_HZ)
    made = render_stem(audio, stem=StemAnalysis("harp", "backing"), edits=whole(100, end_s=42.0))
    (patch,) = made.patches
    again: Patch = pickle.loads(pickle.dumps(patch))
    np.testing.assert_array_equal(again.samples, patch.samples)


# A stem of full rate, made as it is read.
SCRIPT = """
import numpy as np
from retune.carriers.changes import Edit
from retune.carriers.heard import StemAnalysis
from retune.repitch import render_stem

class Long:
    rate_hz, n_samples, n_channels = 44_100, {seconds} * 44_100, 2
    def read(self, start=0, stop=None):
        stop = min(self.n_samples if stop is None else stop, self.n_samples)
        t = np.arange(start, stop) / self.rate_hz
        wave = sum(np.sin(2 * np.pi * hz * t) for hz in (220.0, 277.2, 329.6)) / 4
        return np.stack([wave, wave], axis=1).astype(np.float32)

audio = Long()
edits = [Edit("harp", 0.0, {seconds}.0, 200, "shift harp")]
made = render_stem(audio, stem=StemAnalysis("harp", "backing"), edits=edits)
for start in range(0, audio.n_samples, 1 << 18):
    made.apply(audio, start, start + (1 << 18))
# Of this program alone: ru_maxrss goes on from what the process was before it began this one.
status = open("/proc/self/status").read()
print(int(status.split("VmHWM:")[1].split()[0]) / 1000)
"""


def peak_mb(seconds: int) -> float:
    """Largest memory of a process of its own that moves a whole stem of two channels."""
    script = SCRIPT.replace("{seconds}", str(seconds))
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=1200
    )
    return float(done.stdout)


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="reads memory the way of Unix")
def test_a_whole_stem_is_moved_within_200_mb_however_long() -> None:
    assert peak_mb(300) < 200  # held whole, sound took some 250 MB a minute
