"""The melody inside a finished mix: harmonic summation on the mid channel, then one path.

A frame's salience at a pitch is the sum of the compressed magnitudes at its harmonics less those
half way between them, weighted 1/sqrt(h) (the kernel of SWIPE: Camacho & Harris 2008, JASA 124,
1638-1652), so that neither the octave below (whose odd harmonics fall into valleys) nor the one
above gains. What is loud in the side channel is taken off the mid first: a lead stands in the
middle, wide chords do not. Without a guide so is what stands still in pitch for a while: a
voice wavers, a chord's partials do not; and what only dies away after a stronger moment, as
plucked strings, reverberation and the note before do. The best path bears with the leaps of a
melody and may fall silent. With a guide, only pitches within `GUIDE_CENTS` of the note given there
can be found, and nothing where the guide has no note.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from retune.core.carriers import AudioLike, FloatArray, PitchTrack
from retune.core.compiled import compiled
from retune.core.guide import GuideNote
from retune.core.units import midi_to_hz
from retune.track.seam import check_range

RATE_HZ = 22050
HOP = 256
WINDOW = 2048
PADDED = 4096
TOP_HZ = 5000.0
BIN_CENTS = 20
MAX_HARMONICS = 10
# A partial counts by how far it stands in the middle: 1 - this times side over mid.
SIDE_WEIGHT = 2.0
# Without a guide less, since the room of the voice is in the side too.
SIDE_WEIGHT_ALONE = 1.5
POWER = 0.7
# Frames over which a partial that does not fade or move counts as standing still.
STILL_FRAMES = 35
# What dies away slower than this after it was stronger, so many frames ago, counts that much less.
DYING_DB_PER_S = 120.0
DYING_FRAMES = 3
DYING_SHARE = 0.7
# Below this, where bass and drums are, partials count less, in proportion.
FULL_FROM_HZ = 400.0
READ_FRAMES = 512

GUIDE_CENTS = 150.0
GUIDE_REACH_S = 0.12
# What a semitone away from the guide's note costs a frame; it grows with the square.
GUIDE_PULL = 0.05
# Log weights of the path, in units of salience (0 to about 1 a frame).
STEP_COST = 0.012
LEAP_COST = 0.6
REACH_BINS = 10
SWITCH_COST = 0.3
VOICED_ABOVE = 0.16
GUIDED_ABOVE = 0.06
FULL_AT = 0.45


class Kernel:
    """Places in the spectrum to be summed for each pitch bin from `fmin_hz` to `fmax_hz`."""

    def __init__(self, *, fmin_hz: float, fmax_hz: float) -> None:
        n_bins = int(1200 / BIN_CENTS * np.log2(fmax_hz / fmin_hz)) + 1
        self.hz: FloatArray = fmin_hz * 2.0 ** (np.arange(n_bins) * BIN_CENTS / 1200)
        per_hz = PADDED / RATE_HZ
        numbers = np.arange(1, 2 * MAX_HARMONICS + 1) / 2  # .5, 1, 1.5 ...
        place = self.hz[:, None] * numbers * per_hz
        inside = self.hz[:, None] * numbers <= TOP_HZ
        tooth = numbers == np.round(numbers)
        weight = np.where(tooth, 1.0, -0.5) / np.sqrt(np.ceil(numbers))
        weight = np.where(inside, weight, 0.0)
        # A valley between two teeth counts half for each; the sum of weights is then about 0.
        norm = np.sqrt(np.sum(np.where(weight > 0, weight, 0.0) ** 2, axis=1, keepdims=True))
        self.weight: FloatArray = np.ascontiguousarray((weight / norm).T)
        self.low: NDArray[np.int64] = np.floor(place).astype(np.int64).T.copy()
        self.part: FloatArray = np.ascontiguousarray((place - np.floor(place)).T)
        self.n_spectrum = int(TOP_HZ * per_hz) + 3
        self.low[self.weight == 0] = 0


@compiled
def sum_up(
    root: FloatArray, low: NDArray[np.int64], part: FloatArray, weight: FloatArray, out: FloatArray
) -> None:
    """out[t, b] = weighted sum of `root` (n_frames, n_spectrum) at the places of bin b."""
    for t in range(len(root)):
        for k in range(len(low)):
            for b in range(low.shape[1]):
                if weight[k, b] != 0.0:
                    i = low[k, b]
                    value = root[t, i] + part[k, b] * (root[t, i + 1] - root[t, i])
                    out[t, b] += weight[k, b] * value


@compiled
def _advance(
    salience: FloatArray,
    threshold: FloatArray,
    allowed: NDArray[np.uint8],
    score: FloatArray,
    back: NDArray[np.int16],
    step_cost: float,
    leap_cost: float,
    reach: int,
    switch_cost: float,
) -> None:
    """Carry `score` (n_bins + 1, the last is silence) over the frames; `back` says from where."""
    n = salience.shape[1]
    new = np.empty(n + 1)
    for t in range(len(salience)):
        top = 0
        for b in range(1, n):
            if score[b] > score[top]:
                top = b
        for b in range(n):
            best, come = score[top] - leap_cost, top
            for k in range(max(b - reach, 0), min(b + reach + 1, n)):
                value = score[k] - step_cost * abs(k - b)
                if value > best:
                    best, come = value, k
            if score[n] - switch_cost > best:
                best, come = score[n] - switch_cost, n
            gain = salience[t, b] - threshold[t] if allowed[t, b] else -1e6
            new[b] = best + gain
            back[t, b] = come
        if score[top] - switch_cost > score[n]:
            new[n], back[t, n] = score[top] - switch_cost, top
        else:
            new[n], back[t, n] = score[n], n
        highest = new.max()
        for b in range(n + 1):
            score[b] = max(new[b] - highest, -1e9)


@compiled
def _trace(back: NDArray[np.int16], last: int, path: NDArray[np.int32]) -> None:
    state = last
    for t in range(len(back) - 1, -1, -1):
        path[t] = state
        state = back[t, state]


def _channels(audio: AudioLike) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Mid and side at RATE_HZ, block by block, delay taken out."""
    import soxr

    same = audio.rate_hz == RATE_HZ
    stream = None if same else soxr.ResampleStream(audio.rate_hz, RATE_HZ, 2, dtype="float64")
    size = READ_FRAMES * HOP * 4
    for start in range(0, audio.n_samples, size):
        stop = min(start + size, audio.n_samples)
        x = np.asarray(audio.read(start, stop), np.float64)
        x = np.nan_to_num(x, nan=0.0, posinf=0.0, neginf=0.0)
        pair = np.stack([x.mean(axis=1), 0.5 * (x[:, 0] - x[:, -1])], axis=1)
        if stream is not None:
            pair = stream.resample_chunk(pair, last=stop == audio.n_samples)
        if len(pair):
            yield pair[:, 0], pair[:, 1]


def stretches(audio: AudioLike) -> Iterator[FloatArray]:
    """(2, n) stretches of READ_FRAMES frames, each frame centred on a multiple of HOP."""
    held = np.zeros((2, WINDOW // 2))
    n_seen = n_done = 0
    step = READ_FRAMES * HOP
    for mid, side in _channels(audio):
        held = np.concatenate([held, np.stack([mid, side])], axis=1)
        n_seen += len(mid)
        while held.shape[1] >= step + WINDOW - HOP:
            yield held[:, : step + WINDOW - HOP]
            held = held[:, step:]
            n_done += READ_FRAMES
    n_left = 1 + n_seen // HOP - n_done if n_seen else 0
    held = np.concatenate([held, np.zeros((2, WINDOW))], axis=1)
    for first in range(0, n_left, READ_FRAMES):
        n_frames = min(READ_FRAMES, n_left - first)
        yield held[:, first * HOP : (first + n_frames - 1) * HOP + WINDOW]


def _still(spectra: FloatArray) -> FloatArray:
    """What of magnitudes (n_frames, n_bins) is there all the time: harmonic means over time."""
    from scipy.ndimage import uniform_filter1d

    rarity = uniform_filter1d(1 / (spectra + 1e-4), STILL_FRAMES, axis=0, mode="nearest")
    return np.asarray(1 / np.maximum(rarity, 1e-9))


def _dying(spectra: FloatArray) -> FloatArray:
    """What magnitudes (n_frames, n_bins) would be if all that was heard before died away."""
    fade = 10 ** (-DYING_DB_PER_S * HOP / RATE_HZ / 20 * np.arange(len(spectra)))[:, None]
    peaks = np.maximum.accumulate(spectra[:-DYING_FRAMES] / fade[:-DYING_FRAMES], axis=0)
    before = np.zeros(spectra.shape)
    before[DYING_FRAMES:] = peaks * fade[:-DYING_FRAMES]
    return before


def roots(
    stretch: FloatArray, n_spectrum: int, *, keep_still: bool = True
) -> tuple[FloatArray, FloatArray]:
    """Compressed spectra (n_frames, n_spectrum) of the middle, and the frames' power."""
    from scipy.fft import rfft

    window = np.hanning(WINDOW + 1)[:-1].astype(np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(stretch.astype(np.float32), WINDOW, axis=1)
    frames = frames[:, ::HOP] * window
    spectra = np.abs(rfft(frames, n=PADDED, axis=2)[:, :, :n_spectrum])
    side_weight = SIDE_WEIGHT if keep_still else SIDE_WEIGHT_ALONE
    middle = np.maximum(spectra[0] - side_weight * spectra[1], 0.0)
    if not keep_still:
        middle = np.maximum(middle - DYING_SHARE * _dying(middle), 0.0)
        middle = np.maximum(middle - _still(middle), 0.0)
    rise = np.minimum(np.arange(n_spectrum) * (RATE_HZ / PADDED) / FULL_FROM_HZ, 1.0)
    power = np.mean(frames[0].astype(np.float64) ** 2, axis=1)
    return (middle**POWER * rise).astype(np.float64), power


def allowed_bins(
    hz: FloatArray, time_s: FloatArray, guide: Sequence[GuideNote]
) -> NDArray[np.uint8]:
    """Which bins (n_frames, n_bins) a guide leaves open: those near its notes."""
    allowed = np.zeros((len(time_s), len(hz)), np.uint8)
    ratio = 2.0 ** (GUIDE_CENTS / 1200)
    for note in guide:
        low, high = midi_to_hz(note.midi) / ratio, midi_to_hz(note.midi) * ratio
        a, b = np.searchsorted(time_s, [note.start_s - GUIDE_REACH_S, note.end_s + GUIDE_REACH_S])
        allowed[a:b, (hz >= low) & (hz <= high)] = 1
    return allowed


def pull(hz: FloatArray, time_s: FloatArray, guide: Sequence[GuideNote]) -> FloatArray:
    """What each bin (n_frames, n_bins) loses for its distance from the guide's note."""
    loss = np.zeros((len(time_s), len(hz)))
    for note in guide:
        a, b = np.searchsorted(time_s, [note.start_s, note.end_s])
        semitones = np.abs(12 * np.log2(hz / midi_to_hz(note.midi)))
        loss[a:b] = GUIDE_PULL * np.minimum(semitones, 3.0) ** 2
    return loss


def track_mix(
    audio: AudioLike, *, fmin_hz: float, fmax_hz: float, guide: Sequence[GuideNote] = ()
) -> PitchTrack:
    """f0 of the melody inside a finished mix.

    Parameters
    ----------
    audio : AudioLike
        The mix, mono or stereo (with more channels, the first and the last), any rate.
    fmin_hz, fmax_hz : float
        Bounds of the search in Hz, within 20 to 4000.
    guide : sequence of GuideNote
        Roughly what is sung; outside these notes nothing is found.

    Returns
    -------
    PitchTrack
        `voiced_prob` is how clearly the pitch stands out; `energy_db` the level of what does.

    Raises
    ------
    UsageError
        Bounds that make no sense.
    """
    check_range(fmin_hz, fmax_hz)
    return MixSalience(guide).track(audio, fmin_hz=fmin_hz, fmax_hz=fmax_hz)


class MixSalience:
    """Tracks a melody in a mix; `guide` notes, if any, tell roughly where it is."""

    name = "mix"

    def __init__(self, guide: Sequence[GuideNote] = ()) -> None:
        self.guide = tuple(guide)

    def track(self, audio: AudioLike, *, fmin_hz: float, fmax_hz: float) -> PitchTrack:
        kernel = Kernel(fmin_hz=fmin_hz, fmax_hz=fmax_hz)
        n_bins = len(kernel.hz)
        score = np.zeros(n_bins + 1)
        backs, kept, powers = [], [], []
        n_done = 0
        threshold = GUIDED_ABOVE if self.guide else VOICED_ABOVE
        for stretch in stretches(audio):
            root, power = roots(stretch, kernel.n_spectrum, keep_still=bool(self.guide))
            salience = np.zeros((len(root), n_bins))
            sum_up(root, kernel.low, kernel.part, kernel.weight, salience)
            norm = np.sqrt(np.sum(root**2, axis=1, keepdims=True))
            salience /= np.maximum(norm, 1e-3)
            time_s = np.arange(n_done, n_done + len(root), dtype=np.float64) * (HOP / RATE_HZ)
            allowed = np.ones(salience.shape, np.uint8)
            if self.guide:
                allowed = allowed_bins(kernel.hz, time_s, self.guide)
                salience -= pull(kernel.hz, time_s, self.guide)
            back = np.empty((len(root), n_bins + 1), np.int16)
            _advance(
                salience,
                np.full(len(root), threshold),
                allowed,
                score,
                back,
                STEP_COST,
                LEAP_COST,
                REACH_BINS,
                SWITCH_COST,
            )
            backs.append(back)
            kept.append(salience.astype(np.float16))
            powers.append(power)
            n_done += len(root)
        return self._answer(kernel, backs, kept, powers, score)

    def _answer(
        self,
        kernel: Kernel,
        backs: list[NDArray[np.int16]],
        kept: list[NDArray[np.float16]],
        powers: list[FloatArray],
        score: FloatArray,
    ) -> PitchTrack:
        n_bins = len(kernel.hz)
        path = np.empty(sum(len(b) for b in backs), np.int32)
        if len(path):
            _trace(np.concatenate(backs), int(np.argmax(score)), path)
        salience = np.concatenate([np.zeros((0, n_bins), np.float16), *kept])
        rows, voiced = np.arange(len(path)), path < n_bins
        at = np.clip(path, 1, n_bins - 2)
        a, b, c = (salience[rows, at + k].astype(np.float64) for k in (-1, 0, 1))
        bend = a - 2 * b + c
        shift = np.where(bend < -1e-6, 0.5 * (a - c) / np.minimum(bend, -1e-6), 0.0)
        cents = BIN_CENTS * (at + np.clip(shift, -1, 1))
        f0_hz = np.where(voiced, kernel.hz[0] * 2.0 ** (cents / 1200), np.nan)
        strength = np.where(voiced, salience[rows, at].astype(np.float64), 0.0)
        voiced_prob = np.clip(strength / FULL_AT, 0.0, 1.0)
        power = np.concatenate([np.zeros(0), *powers])
        level = 10 * np.log10(power * np.maximum(strength, 0.01) ** 2 + 1e-20)
        time_s = rows.astype(np.float64) * (HOP / RATE_HZ)
        return PitchTrack(time_s, f0_hz, voiced_prob, level, self.name)
