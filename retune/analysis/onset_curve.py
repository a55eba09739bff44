"""How strongly things are struck, moment by moment, and the tempo of that: librosa's measures,
worked out block by block, so that memory does not grow with the length of a song.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from retune.carriers.heard import AudioLike, FloatArray

LowArray = np.ndarray[tuple[int, ...], np.dtype[np.float32]]

RATE_HZ = 22050
HOP = 256
N_FFT = 2048
BLOCK_FRAMES = 2048
BLOCK_S = 20.0
# librosa's window for the tempogram.
TEMPO_WINDOW_S = 8.0


def onset_curve(sound: AudioLike, *, longest_s: float) -> FloatArray:
    """Onset strength of the first `longest_s` of a sound, one value every HOP samples of RATE_HZ;
    the same as librosa.onset.onset_strength of the whole (Böck & Widmer 2013, spectral flux on
    mel bands)."""
    import librosa

    samples = _mono(sound, longest_s)
    if not len(samples):
        return np.zeros(0)
    n_frames = 1 + len(samples) // HOP
    padded = np.pad(samples, N_FFT // 2)
    mel = np.empty((128, n_frames), dtype=np.float32)
    for first in range(0, n_frames, BLOCK_FRAMES):
        last = min(first + BLOCK_FRAMES, n_frames)
        part = padded[first * HOP : (last - 1) * HOP + N_FFT].astype(np.float64)
        mel[:, first:last] = librosa.feature.melspectrogram(
            y=part, sr=RATE_HZ, n_fft=N_FFT, hop_length=HOP, center=False, fmax=RATE_HZ / 2
        )
    level = librosa.power_to_db(mel)
    curve = librosa.onset.onset_strength(S=level, sr=RATE_HZ, hop_length=HOP, n_fft=N_FFT)
    return np.asarray(curve, dtype=np.float64)


def curve_tempo(curve: FloatArray, *, start_bpm: float) -> float:
    """The tempo of an onset curve, in beats a minute: librosa.feature.tempo, whose tempogram (an
    autocorrelation at every frame) is only needed as its mean."""
    import librosa

    window = int(TEMPO_WINDOW_S * RATE_HZ) // HOP
    padded = np.pad(curve, window // 2, mode="linear_ramp", end_values=0)
    n, total = len(curve), np.zeros(window)
    for first in range(0, n, BLOCK_FRAMES):
        last = min(first + BLOCK_FRAMES, n, len(padded) - window + 1)
        if last <= first:
            break
        part = padded[first : last + window - 1]
        total += librosa.feature.tempogram(
            onset_envelope=part, sr=RATE_HZ, hop_length=HOP, win_length=window, center=False
        ).sum(axis=1)
    found = librosa.feature.tempo(
        tg=(total / n)[:, None], sr=RATE_HZ, hop_length=HOP, start_bpm=start_bpm
    )
    return float(np.ravel(found)[0])


def _mono(sound: AudioLike, longest_s: float) -> LowArray:
    blocks = list(_low_blocks(sound, longest_s))
    return np.concatenate(blocks) if blocks else np.zeros(0, dtype=np.float32)


def _low_blocks(sound: AudioLike, longest_s: float) -> Iterator[LowArray]:
    """The mean of the channels at RATE_HZ, in blocks."""
    import soxr

    stop = min(sound.n_samples, int(longest_s * sound.rate_hz))
    same = sound.rate_hz == RATE_HZ
    stream = (
        None
        if same
        else soxr.ResampleStream(sound.rate_hz, RATE_HZ, 1, dtype="float32", quality="MQ")
    )
    step = int(BLOCK_S * sound.rate_hz)
    for start in range(0, stop, step):
        end = min(start + step, stop)
        mono = np.asarray(sound.read(start, end).mean(axis=1), dtype=np.float32)
        yield mono if stream is None else stream.resample_chunk(mono, last=end == stop)
