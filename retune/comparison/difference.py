"""How far two versions of the same passage lie apart: what one edit sounds like made two ways."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from retune.carriers.changes import Edit
from retune.carriers.heard import AudioLike, FloatArray
from retune.carriers.text import counted

LOW_HZ, HIGH_HZ = 50.0, 8000.0
FRAME_S = 0.046
# Spectra are told apart down to this far below the loudest of the passage.
FLOOR_DB = -60.0


@dataclass(frozen=True)
class Difference:
    """One edit of the version `name` beside the same edit of the version `other`:
    `log_spectral_db` as `log_spectral_distance` has it (`before_db`: the original beside `other`),
    `pitch_cents` the median difference of pitch, None where one of the two has none."""

    name: str
    other: str
    edit: Edit
    log_spectral_db: float
    before_db: float
    pitch_cents: float | None
    word: str = ""


def difference_words(differences: Sequence[Difference]) -> tuple[str, ...]:
    """How far the two makings of a variant lie apart, a sentence a variant, medians of its edits:
    "home, from the mix and from stems: 1 cent and 2.6 dB apart ..."."""
    said = []
    for name in dict.fromkeys(row.name for row in differences):
        rows = [row for row in differences if row.name == name]
        cents = [row.pitch_cents for row in rows if row.pitch_cents is not None]
        pitch = f"{cents_words(float(np.median(cents)))} and " if cents else ""
        apart, before = (
            float(np.median(values))
            for values in ([r.log_spectral_db for r in rows], [r.before_db for r in rows])
        )
        said.append(
            f"{name}, from the mix and from stems: {pitch}{apart:.1f} dB apart (the median of "
            f"{counted(len(rows), 'edit')}); with nothing moved it would be {before:.1f} dB"
        )
    return tuple(said)


def cents_words(value: float | None) -> str:
    """A difference of pitch: "1 cent", "12 cents", "–" where none is known."""
    return "–" if value is None else f"{value:.0f} cent{'' if round(value) == 1 else 's'}"


def log_spectral_distance(
    first: AudioLike, second: AudioLike, *, start_s: float, end_s: float
) -> float:
    """Root mean square over 50 Hz to 8 kHz of the difference of two levels in dB, the mean of the
    frames between two times (Gray & Markel 1976, IEEE Trans. ASSP 24, 380-391)."""
    spectra = [_levels(audio, start_s, end_s) for audio in (first, second)]
    n = min(len(s) for s in spectra)
    floor = max(float(s.max()) for s in spectra) + FLOOR_DB
    one, two = (np.maximum(s[:n], floor) for s in spectra)
    return float(np.mean(np.sqrt(np.mean((one - two) ** 2, axis=1))))


def _levels(audio: AudioLike, start_s: float, end_s: float) -> FloatArray:
    """Levels in dB, (n_frames, n_bins), of the sum of the channels' powers."""
    size = round(FRAME_S * audio.rate_hz)
    first = round(start_s * audio.rate_hz)
    last = max(round(end_s * audio.rate_hz), first + size)
    x = np.asarray(audio.read(first, last), dtype=np.float64)
    x = np.pad(x, ((0, max(size - len(x), 0)), (0, 0)))
    frames = np.lib.stride_tricks.sliding_window_view(x, size, axis=0)[:: size // 4]
    power = np.sum(np.abs(np.fft.rfft(frames * np.hanning(size), axis=2)) ** 2, axis=1)
    hz = np.fft.rfftfreq(size, 1 / audio.rate_hz)
    return np.asarray(10 * np.log10(power[:, (hz >= LOW_HZ) & (hz <= HIGH_HZ)] + 1e-20))


def median_cents(first_hz: FloatArray, second_hz: FloatArray) -> float | None:
    """The median of how far two lines of pitch lie apart where both have one; None where less than
    a third of the frames do."""
    both = np.isfinite(first_hz) & np.isfinite(second_hz)
    if both.sum() < max(len(both) / 3, 1):
        return None
    return float(np.median(np.abs(1200 * np.log2(first_hz[both] / second_hz[both]))))
