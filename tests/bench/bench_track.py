"""How well and how fast the default tracker hears. One run, one thread.

    python tests/bench/bench_track.py [--seconds 60] [--quick] [--neural]

Prints: speed, in processor time, against `librosa.pyin` at hop 256 and 512 with the same settings
(and the same output, which is checked) and of the default against each of these, peak memory beyond
the sound, agreement with librosa, and accuracy on sung voices made by voices.py (clean, 10 dB of
white noise, a room).
"""

from __future__ import annotations

# ruff: noqa: E402
import argparse
import os

for _name in ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"

import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import librosa
import numpy as np
from voices import SINGERS, Sung, scores, sing, with_noise, with_room

from retune.carriers.heard import Audio, PitchTrack
from retune.track import find_tracker, warm_up
from retune.track.pyin import refined_settings, run
from retune.track.settings import PyinSettings

FMIN_HZ, FMAX_HZ, RATE_HZ = 65.0, 1200.0, 22050
COLUMNS = ("rpa50", "median", "bias", "gross", "vfa", "vrecall")


def at_tracker_rate(sung: Sung) -> np.ndarray:
    return librosa.resample(sung.samples, orig_sr=sung.rate_hz, target_sr=RATE_HZ)


def seconds_of(work: Callable[[], object], *, times: int) -> float:
    """Processor seconds of the fastest of some runs."""
    taken = []
    for _ in range(times):
        start = time.process_time()
        work()
        taken.append(time.process_time() - start)
    return min(taken)


def theirs(samples: np.ndarray, hop: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    answer: tuple[np.ndarray, np.ndarray, np.ndarray] = librosa.pyin(
        samples, fmin=FMIN_HZ, fmax=FMAX_HZ, sr=RATE_HZ, hop_length=hop
    )
    return answer


def speed_and_agreement(samples: np.ndarray) -> None:
    length_s = len(samples) / RATE_HZ
    print(f"\nspeed over {length_s:.0f} s of singing, one thread, librosa {librosa.__version__}")
    print(f"{'settings':34}{'librosa s':>10}{'ours s':>8}{'ratio':>7}{'voicing':>10}{'1 cent':>9}")
    for hop in (256, 512):
        published = PyinSettings(FMIN_HZ, FMAX_HZ, hop=hop)
        theirs(samples[:RATE_HZ], hop)
        start = time.process_time()
        f0_hz, voiced, _ = theirs(samples, hop)
        librosa_s = time.process_time() - start
        ours = run(iter([samples]), settings=published)
        called = np.isfinite(ours.f0_hz)
        both = voiced & called
        cents = np.abs(1200 * np.log2(ours.f0_hz[both] / f0_hz[both]))
        ours_s = seconds_of(lambda s=published: run(iter([samples]), settings=s), times=3)
        print(
            f"{f'published, window 2048, hop {hop}':34}{librosa_s:10.2f}{ours_s:8.3f}"
            f"{librosa_s / ours_s:7.1f}{np.mean(voiced == called):10.5f}{np.mean(cents < 1):9.5f}"
        )
        refined = refined_settings(fmin_hz=FMIN_HZ, fmax_hz=FMAX_HZ)
        ours_s = seconds_of(lambda s=refined: run(iter([samples]), settings=s), times=3)
        name = f"refined, hop {refined.hop}, by theirs at {hop}"
        print(f"{name:34}{librosa_s:10.2f}{ours_s:8.3f}{librosa_s / ours_s:7.1f}")


MEMORY_PROBE = """
import re, sys
from pathlib import Path
import numpy as np
from retune.track import track_pitch, warm_up

def megabytes(field):
    return int(re.search(field + r":\\s+(\\d+)", Path("/proc/self/status").read_text())[1]) / 1024

class Endless:
    rate_hz, n_channels = 22050, 1
    def __init__(self, seconds):
        self.n_samples = int(seconds * 22050)
        t = np.arange(22050) / 22050
        self.second = 0.3 * np.sin(2 * np.pi * 220 * t) + 0.01 * np.sin(9999 * t * t)
    def read(self, start=0, stop=None):
        stop = min(self.n_samples if stop is None else stop, self.n_samples)
        return np.take(self.second, np.arange(start, stop) % 22050).astype(np.float32)[:, None]

warm_up()
Path("/proc/self/clear_refs").write_text("5")  # resets the peak
before = megabytes("VmRSS")
track_pitch(Endless(float(sys.argv[1])), fmin_hz=65.0, fmax_hz=1200.0)
print(megabytes("VmHWM") - before)
"""


def memory(minutes: list[float]) -> None:
    if not Path("/proc/self/clear_refs").exists():
        print("\npeak memory: this system has no /proc to read it from")
        return
    print("\npeak memory beyond the loaded program, refined settings, sound read in blocks")
    for length in minutes:
        command = [sys.executable, "-c", MEMORY_PROBE, str(60 * length)]
        answer = subprocess.run(command, capture_output=True, text=True, check=True)
        print(f"{length:6.0f} min {float(answer.stdout):8.1f} MB   (goal {20 + length:.0f} MB)")


def published_track(sound: Audio) -> PitchTrack:
    """librosa's defaults (window 2048, hop 512) by way of our own equal of it."""
    samples = sound.samples[:, 0].astype(np.float64)
    return run(iter([samples]), settings=PyinSettings(FMIN_HZ, FMAX_HZ, hop=512))


def accuracy(voices: list[Sung], *, neural: bool) -> None:
    trackers: dict[str, Callable[[Audio], PitchTrack]] = {
        "published 2048/512": published_track,
        "refined (default)": lambda sound: find_tracker("pyin").track(
            sound, fmin_hz=FMIN_HZ, fmax_hz=FMAX_HZ
        ),
    }
    if neural:
        network = find_tracker("swift-f0")
        trackers["swift-f0"] = lambda sound: network.track(sound, fmin_hz=FMIN_HZ, fmax_hz=FMAX_HZ)
    conditions = {
        "clean": voices,
        "10 dB noise": [with_noise(voice, snr_db=10) for voice in voices],
        "room 0.6 s": [with_room(voice) for voice in voices],
        "room 0.7 s, wetter": [with_room(voice, rt60_s=0.7, wet=0.35) for voice in voices],
    }
    print(f"\naccuracy on {len(voices)} sung voices, means (median, bias in cents)")
    print(f"{'condition':20}{'tracker':20}" + "".join(f"{name:>9}" for name in COLUMNS))
    for condition, sung in conditions.items():
        sounds = [Audio(at_tracker_rate(voice).astype(np.float32), RATE_HZ) for voice in sung]
        for name, track in trackers.items():
            rows = []
            for sound, voice in zip(sounds, sung, strict=True):
                found = track(sound)
                rows.append(scores(found.time_s, found.f0_hz, voice))
            means = {key: float(np.mean([row[key] for row in rows])) for key in COLUMNS}
            print(
                f"{condition:20}{name:20}"
                + "".join(
                    f"{means[key]:9.2f}" if key in ("median", "bias") else f"{means[key]:9.4f}"
                    for key in COLUMNS
                )
            )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=60.0, help="length for the speed table")
    parser.add_argument("--quick", action="store_true", help="short: 15 s, no long memory runs")
    parser.add_argument("--neural", action="store_true", help="add swift-f0 to the accuracy table")
    parser.add_argument("--seeds", type=int, default=2, help="songs per singer")
    options = parser.parse_args()
    warm_up()
    seeds = 1 if options.quick else options.seeds
    voices = [sing(singer, seed=seed) for seed in range(seeds) for singer in SINGERS]
    length = round((15.0 if options.quick else options.seconds) * RATE_HZ)
    joined = np.concatenate([at_tracker_rate(voice) for voice in voices])
    speed_and_agreement(np.resize(joined, length))
    memory([1, 5] if options.quick else [1, 10, 60])
    accuracy(voices, neural=options.neural)


if __name__ == "__main__":
    main()
