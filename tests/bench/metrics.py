"""How near a re-pitched stem comes to what the voice would have been.

Pitch is read by Praat's autocorrelation method (parselmouth) on both sides, so the tracker's own
habits cancel. Mel-cepstral distortion: Kubichek 1993, "Mel-cepstral distance measure for
objective speech quality assessment", over coefficients 1 to 24 of the frequency-warped cepstrum
(alpha 0.544 for 44.1 kHz, common practice) of the CheapTrick envelope.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import parselmouth
import pyworld
from ground_truth import FRAME_S, RATE_HZ, Pair, Sung
from numpy.typing import NDArray
from scipy.fft import dct
from scipy.signal import butter, sosfiltfilt

Floats = NDArray[np.float64]
JOIN_S = 0.075
ORDER, ALPHA = 24, 0.544
NAMES = (
    "core_cents", "edge_cents", "vibrato_cents", "mcd_db", "lsd_db", "hnr_db", "click_db",
    "level_db", "onset_ms", "consonant_db", "identical_pct",
)  # fmt: skip


def pitch(
    y: NDArray[np.float32], *, low_hz: float = 60, high_hz: float = 1400
) -> tuple[Floats, Floats]:
    """Times and f0 in cents (NaN where unvoiced) by Praat."""
    sound = parselmouth.Sound(np.asarray(y, np.float64), RATE_HZ)
    found = sound.to_pitch_ac(time_step=0.005, pitch_floor=low_hz, pitch_ceiling=high_hz)
    hz = found.selected_array["frequency"]
    cents = np.full(len(hz), np.nan)
    cents[hz > 0] = 6900 + 1200 * np.log2(hz[hz > 0] / 440)
    return np.asarray(found.xs()), cents


def _warp_matrix(bins: int) -> Floats:
    """From a log spectrum at `bins` even frequencies to the warped cepstrum, by interpolation."""
    omega = np.linspace(0, np.pi, 257)
    source = omega - 2 * np.arctan(ALPHA * np.sin(omega) / (1 + ALPHA * np.cos(omega)))
    return np.asarray(source / np.pi * (bins - 1))


def mel_cepstrum(log_spectrum: Floats) -> Floats:
    """Coefficients 0..ORDER of natural-log amplitude spectra, (n_frames, n_bins)."""
    place = _warp_matrix(log_spectrum.shape[1])
    low = np.minimum(place.astype(int), log_spectrum.shape[1] - 2)
    part = place - low
    warped = (1 - part) * log_spectrum[:, low] + part * log_spectrum[:, low + 1]
    c = dct(warped, type=1, axis=1)[:, : ORDER + 1] / (warped.shape[1] - 1)
    c[:, 0] /= 2
    return np.asarray(c)


def mel_levels(y: NDArray[np.float32]) -> tuple[Floats, Floats]:
    """Times and levels in dB of 64 mel bands, 60 Hz to 16 kHz, every 5 ms."""
    import librosa

    power = librosa.feature.melspectrogram(
        y=np.asarray(y, np.float32), sr=RATE_HZ, n_fft=2048, win_length=1764, hop_length=220,
        n_mels=64, fmin=60, fmax=16000,
    )  # fmt: skip
    level = 10 * np.log10(np.maximum(power, 1e-9))
    return np.arange(level.shape[1]) * 220 / RATE_HZ, np.asarray(level, dtype=np.float64)


def _envelope(y: NDArray[np.float32], width_s: float, hop_s: float) -> tuple[Floats, Floats]:
    width, hop = int(width_s * RATE_HZ), int(hop_s * RATE_HZ)
    total = np.concatenate([[0.0], np.cumsum(np.asarray(y, np.float64) ** 2)])
    i = np.arange(0, len(y) - width, hop)
    return (i + width / 2) / RATE_HZ, np.sqrt((total[i + width] - total[i]) / width + 1e-12)


def _hiss(y: NDArray[np.float32]) -> Floats:
    """Energy above 6 kHz in 2 ms, where clicks show."""
    high = butter(4, 6000, "highpass", fs=RATE_HZ, output="sos")
    width = int(0.002 * RATE_HZ)
    energy = sosfiltfilt(high, np.asarray(y, np.float64)) ** 2
    return np.asarray(np.convolve(energy, np.ones(width) / width, "same"))


def clicks_db(y: NDArray[np.float32], seams: list[int]) -> Floats:
    """By how much the 12 ms about each seam stand out of the 80 ms about it, dB above 6 kHz."""
    energy, out = _hiss(y), []
    near, far = int(0.006 * RATE_HZ), int(0.08 * RATE_HZ)
    for seam in seams:
        peak = energy[max(seam - near, 0) : seam + near]
        around = np.concatenate(
            [energy[max(seam - far, 0) : max(seam - near, 0)], energy[seam + near : seam + far]]
        )
        out.append(10 * np.log10((peak.max() + 1e-9) / (np.percentile(around, 95) + 1e-9)))
    return np.asarray(out)


def vibrato(time_s: Floats, cents: Floats) -> float:
    """Extent (half depth, cents) of the best sinusoid of 4 to 7.5 Hz on a straight line."""
    best, extent = np.inf, np.nan
    for rate in np.arange(4.0, 7.51, 0.05):
        turn = 2 * np.pi * rate * time_s
        basis = np.stack([np.ones_like(time_s), time_s, np.sin(turn), np.cos(turn)], axis=1)
        fit, *_ = np.linalg.lstsq(basis, cents, rcond=None)
        error = float(np.sum((basis @ fit - cents) ** 2))
        if error < best:
            best, extent = error, float(np.hypot(fit[2], fit[3]))
    return extent


def _hnr(y: NDArray[np.float32]) -> tuple[Floats, Floats]:
    found = parselmouth.Sound(np.asarray(y, np.float64), RATE_HZ).to_harmonicity_cc(
        0.01, 60, 0.1, 1.0
    )
    return np.asarray(found.xs()), np.asarray(found.values[0])


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(np.clip(values, -600, 600) ** 2))) if len(values) else float("nan")


@dataclass(eq=False)
class Judge:
    """All that is measured of the truth of a pair, once; `measure` then judges one rendering."""

    pair: Pair

    def __post_init__(self) -> None:
        truth = self.pair.truth
        self.moved = [n for n in self.pair.notes if n.moved]
        self.x, self.cents = pitch(truth)
        self.time_s = np.arange(0, len(truth) / RATE_HZ, FRAME_S)
        known = np.isfinite(self.cents)
        filled = np.interp(self.time_s, self.x[known], self.cents[known])
        unvoiced = np.interp(self.time_s, self.x, (~known).astype(float)) > 0
        self.f0 = np.where(unvoiced, 0.0, 440 * 2 ** ((filled - 6900) / 1200))
        self.floor = None
        self.cepstrum = self._cepstrum(truth)
        self.mel_s, self.mel = mel_levels(truth)
        self.hnr_s, self.hnr = _hnr(truth)
        self.level_s, self.level = _envelope(truth, 0.010, 0.002)
        self.attack = _envelope(truth, 0.004, 0.0005)

    def _cepstrum(self, y: NDArray[np.float32]) -> Floats:
        power = pyworld.cheaptrick(np.asarray(y, np.float64), self.f0, self.time_s, RATE_HZ)
        if self.floor is None:
            self.floor = 1e-6 * np.median(power[self.f0 > 0].max(axis=1))
        return mel_cepstrum(0.5 * np.log(np.maximum(power, self.floor)))

    def core(self, time_s: Floats) -> NDArray[np.bool_]:
        """True well inside a moved note."""
        return np.any(
            [(time_s > n.start_s + 0.08) & (time_s < n.end_s - 0.08) for n in self.moved], axis=0
        )

    def edge(self, time_s: Floats) -> NDArray[np.bool_]:
        """True within 70 ms of a place where a moved note is sung into or out of."""
        return np.any([np.abs(time_s - at) < 0.07 for at in self.boundaries()], axis=0)

    def boundaries(self) -> list[float]:
        notes = self.pair.notes
        starts = [n.start_s for n in notes if n.moved and n.legato]
        ends = [a.end_s for a, b in pairwise(notes) if a.moved and b.legato and not b.moved]
        return sorted(starts + ends)

    def outside(self, n: int, off_s: float) -> NDArray[np.bool_]:
        mask = np.ones(n, dtype=bool)
        for note in self.moved:
            a = int((note.start_s - JOIN_S - off_s) * RATE_HZ) - 1
            mask[max(a, 0) : int((note.end_s + JOIN_S + off_s) * RATE_HZ) + 1] = False
        return mask

    def _consonant_db(self, y: NDArray[np.float32]) -> float:
        """Waveform SNR over the first 30 ms of moved notes that begin unvoiced."""
        snr = []
        for note in self._hissing():
            a = int((note.start_s + 0.005) * RATE_HZ)
            b = a + int(0.03 * RATE_HZ)
            old = np.asarray(self.pair.original[a:b], np.float64)
            error = np.sum((y[a:b] - old) ** 2)
            snr.append(min(10 * np.log10(np.sum(old**2) / (error + 1e-20)), 120.0))
        return float(np.mean(snr)) if snr else float("nan")

    def _hissing(self) -> list[Sung]:
        return [n for n in self.moved if n.word in ("see", "show", "sow", "too")]

    def _onset_ms(self, y: NDArray[np.float32]) -> float:
        """Largest shift of an attack against the truth, over moved notes that begin anew."""
        (time_s, ours), theirs = _envelope(y, 0.004, 0.0005), self.attack[1]
        worst = 0.0
        for note in (n for n in self.moved if not n.legato):
            at = np.flatnonzero((time_s > note.start_s - 0.06) & (time_s < note.start_s + 0.16))
            a = 20 * np.log10(theirs[at] + 1e-4)
            a -= a.mean()
            likeness = []
            for lag in range(-40, 41):
                b = 20 * np.log10(ours[np.clip(at + lag, 0, len(ours) - 1)] + 1e-4)
                b -= b.mean()
                likeness.append(a @ b / (np.linalg.norm(a) * np.linalg.norm(b) + 1e-9))
            worst = max(worst, abs(int(np.argmax(likeness)) - 40) * 0.5)
        return worst

    def _level_db(self, y: NDArray[np.float32]) -> float:
        """Largest error of the 10 ms level about the joins of legato notes."""
        _, ours = _envelope(y, 0.010, 0.002)
        worst = [0.0]
        for at in self.boundaries():
            near = (np.abs(self.level_s - at) < 0.025) & (self.level > 10 ** (-50 / 20))
            if near.any():
                worst.append(float(np.max(np.abs(20 * np.log10(ours[near] / self.level[near])))))
        return max(worst)

    def _vibrato_cents(self, x: Floats, cents: Floats) -> float:
        errors = []
        for note in self.moved:
            inside = (x > note.start_s + 0.26) & (x < note.end_s - 0.10)
            inside &= np.isfinite(cents) & np.isfinite(self.cents)
            if inside.sum() > 70:
                errors.append(
                    abs(vibrato(x[inside], cents[inside]) - vibrato(x[inside], self.cents[inside]))
                )
        return float(np.mean(errors)) if errors else float("nan")

    def _edge_cents(self, x: Floats, error: Floats) -> float:
        return _rms(error[np.isfinite(error) & self.edge(x)])

    def edge_cents(self, y: NDArray[np.float32]) -> float:
        """That one of NAMES alone, which is quick."""
        x, cents = pitch(np.asarray(y, np.float32))
        return self._edge_cents(x, cents - self.cents)

    def measure(self, y: NDArray[np.float32], *, off_s: float = 0.0) -> dict[str, float]:
        """All of NAMES for one rendering of the pair's original."""
        y = np.asarray(y, np.float32)
        x, cents = pitch(y)
        error = cents - self.cents
        core = np.isfinite(error) & self.core(x)
        voiced = (self.f0 > 0) & (self.core(self.time_s) | self.edge(self.time_s))
        gap = self._cepstrum(y)[voiced, 1:] - self.cepstrum[voiced, 1:]
        _, mel = mel_levels(y)
        heard = np.interp(self.mel_s, self.time_s, (self.f0 > 0).astype(float)) > 0.99
        heard &= self.core(self.mel_s) | self.edge(self.mel_s)
        top = self.mel.max() - 70
        off = np.maximum(mel[:, heard], top) - np.maximum(self.mel[:, heard], top)
        off -= np.median(off)
        seams = [
            int(at * RATE_HZ)
            for n in self.moved
            for at in (n.start_s - JOIN_S, n.start_s, n.end_s, n.end_s + JOIN_S)
        ]
        click = clicks_db(y, seams) - np.maximum(clicks_db(self.pair.truth, seams), 0)
        _, hnr = _hnr(y)
        steady = self.core(self.hnr_s) & (self.hnr > -100) & (hnr > -100)
        same = self.outside(len(y), off_s)
        return {
            "core_cents": _rms(error[core]),
            "edge_cents": self._edge_cents(x, error),
            "vibrato_cents": self._vibrato_cents(x, cents),
            "mcd_db": float(np.mean(10 / np.log(10) * np.sqrt(2 * np.sum(gap**2, axis=1)))),
            "lsd_db": float(np.mean(np.sqrt(np.mean(off**2, axis=0)))),
            "hnr_db": float(np.median(hnr[steady] - self.hnr[steady])),
            "click_db": float(np.max(click)),
            "level_db": self._level_db(y),
            "onset_ms": self._onset_ms(y),
            "consonant_db": self._consonant_db(y),
            "identical_pct": float(100 * np.mean(y[same] == self.pair.original[same])),
        }
