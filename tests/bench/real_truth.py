"""The true pitch of the recordings in `real_voices`: where three trackers agree.

    python tests/bench/real_truth.py        writes real_voices/*_f0.csv anew, but not the annotated

It needs pyworld. Harvest (Morise 2017, Interspeech) is no autocorrelation and finds a voice where
pYIN does not, so it has a say in pitch alone. The tables are kept, so that the truth does not
move when our tracker does.
"""

from __future__ import annotations

import csv
from pathlib import Path

import librosa
import numpy as np
import soundfile
from numpy.typing import NDArray

from retune.carriers.heard import Audio
from retune.track import track_pitch

Floats = NDArray[np.float64]
FOLDER = Path(__file__).parent / "real_voices"
ANNOTATED = ("clip12",)
FMIN_HZ, FMAX_HZ = 65.0, 1200.0
STEP_S, WITHIN_CENTS = 0.01, 50.0
LIBROSA_HZ, LIBROSA_HOP = 22050, 256


def ours(y: Floats, rate_hz: int) -> tuple[Floats, Floats]:
    audio = Audio(y.astype(np.float32), rate_hz)
    track = track_pitch(audio, fmin_hz=FMIN_HZ, fmax_hz=FMAX_HZ)
    return np.asarray(track.time_s), np.asarray(track.f0_hz)


def librosas(y: Floats, rate_hz: int) -> tuple[Floats, Floats]:
    """`librosa.pyin` with its own defaults, but for the hop; NaN where it hears no voice."""
    slow = librosa.resample(y, orig_sr=rate_hz, target_sr=LIBROSA_HZ)
    f0_hz, voiced, _ = librosa.pyin(
        slow, fmin=FMIN_HZ, fmax=FMAX_HZ, sr=LIBROSA_HZ, hop_length=LIBROSA_HOP
    )
    time_s = np.arange(len(f0_hz)) * (LIBROSA_HOP / LIBROSA_HZ)
    return time_s, np.where(voiced, f0_hz, np.nan)


def worlds(y: Floats, rate_hz: int) -> tuple[Floats, Floats]:
    import pyworld

    f0_hz, time_s = pyworld.harvest(
        y, rate_hz, f0_floor=FMIN_HZ, f0_ceil=FMAX_HZ, frame_period=1000 * STEP_S
    )
    return np.asarray(time_s), np.where(f0_hz > 0, f0_hz, np.nan)


def nearest(time_s: Floats, row_s: Floats, row_hz: Floats) -> Floats:
    """f0 at `time_s` from the row nearest in time, NaN where that is unvoiced."""
    at = np.round(np.interp(time_s, row_s, np.arange(len(row_s)))).astype(int)
    found: Floats = row_hz[at]
    return found


def consensus(y: Floats, rate_hz: int) -> tuple[Floats, Floats]:
    """Times that count and f0 there, NaN where nothing is voiced."""
    time_s = np.arange(0, len(y) / rate_hz, STEP_S)
    heard = np.stack([nearest(time_s, *f(y, rate_hz)) for f in (ours, librosas, worlds)])
    cents = 1200 * np.log2(heard)
    agreed = np.ptp(cents, axis=0) < WITHIN_CENTS
    silent = np.isnan(heard[:2]).all(axis=0)
    f0_hz = np.where(agreed, 2 ** (np.median(cents, axis=0) / 1200), np.nan)
    return time_s[agreed | silent], f0_hz[agreed | silent]


def write_truth(path: Path) -> None:
    y, rate_hz = soundfile.read(path)
    time_s, f0_hz = consensus(y, rate_hz)
    with path.with_name(f"{path.stem}_f0.csv").open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file, lineterminator="\n")
        rows.writerow(["time_s", "f0_hz"])
        for at_s, hz in zip(time_s, np.nan_to_num(f0_hz), strict=True):
            rows.writerow([f"{at_s:.2f}", f"{hz:.3f}" if hz else "0"])
    share = len(time_s) * STEP_S * rate_hz / len(y)
    print(f"{path.stem:16}{share:6.1%} of its frames count, {np.isfinite(f0_hz).mean():.1%} voiced")


def main() -> None:
    for path in sorted(FOLDER.glob("*.flac")):
        if path.stem not in ANNOTATED:
            write_truth(path)


if __name__ == "__main__":
    main()
