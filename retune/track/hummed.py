"""Where the notes of a hummed or played guide lie in a finished mix.

The guide's line is laid against what stands out in the mix (the odds of
`retune.track.melody_net`) by dynamic time warping of a part against the whole (Mueller 2015,
Fundamentals of Music Processing, 7.2). Octaves are folded together first, and every transposition
is tried; then each note votes for its octave, and the line is laid out again, finer, at that
octave. Nobody hums in the right octave, on time and in tune, but the order of the notes and the
steps between them are remembered well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retune.carriers.heard import AudioLike, FloatArray
from retune.carriers.units import hz_to_midi
from retune.song.guide import GuideNote
from retune.sound.compiled import compiled
from retune.track.melody_net import PER_OCTAVE, PITCHES_HZ
from retune.track.mix_frames import HOP, RATE_HZ, frames_of

STEP_S = 0.046
COARSE_S = 0.19
# No more cells than this in one table of costs: a long song is laid out more coarsely.
MOST_CELLS = 6_000_000
PER_SEMITONE = PER_OCTAVE // 12
NEAR_BINS = 1
# Where the odds are this low, in natural logarithms, a pitch does not stand out at all.
FAINT_ODDS = 8.0
SILENT_COST = 0.55
# Steps of the line and of the mix that a way may take at once, and what each costs: at most half
# or double the pace, and the mix may go on while the line waits, but not the other way round.
STEPS = ((1, 1), (1, 2), (2, 1), (0, 1))
STEP_WEIGHTS = (1.0, 1.0, 2.0, 1.0)
STEP_COSTS = (0.0, 0.05, 0.05, 0.12)
OCTAVES = (-3, -2, -1, 0, 1, 2, 3)
SHORTEST_S = 0.03
# What is laid out are the steady parts of the notes: they begin so much later, and end sooner.
CORE_S = 0.035


@dataclass(frozen=True)
class Aligned:
    """`notes` of a guide, on the clock and in the octave of the mix.

    `octaves` and `semitones` (-6 to 5) were added to what was hummed; `fit` is how well the line
    stands out in the mix where it was laid (0 to 1), `rival` the same for the next best key.
    """

    notes: tuple[GuideNote, ...]
    octaves: int
    semitones: int
    fit: float
    rival: float


def align_to_mix(
    audio: AudioLike, guide: Sequence[GuideNote], *, fmin_hz: float, fmax_hz: float
) -> Aligned:
    """The notes of a guide, hummed or played at another time, moved to where the mix has them.

    Parameters
    ----------
    audio : AudioLike
        The mix.
    guide : sequence of GuideNote
        One or more notes in order of time, on a clock of their own.
    fmin_hz, fmax_hz : float
        Where the melody of the mix may lie.
    """
    first_s, last_s = guide[0].start_s, guide[-1].end_s
    whole, low_midi = salience_of(audio, fmin_hz=fmin_hz, fmax_hz=fmax_hz)
    n_cells = (last_s - first_s) * audio.n_samples / audio.rate_hz
    steps_s = [max(step, (n_cells / MOST_CELLS) ** 0.5) for step in (COARSE_S, STEP_S)]
    coarse, fine = (_every(whole, step_s) for step_s in steps_s)
    line = _line(guide, step_s=steps_s[0])
    folded = _folded(coarse)
    tried = [_lay(_costs(folded, line - low_midi + s, wraps=True)) for s in range(12)]
    order = np.argsort([cost for _, cost in tried])
    best, second = int(order[0]), int(order[1])
    semitones = (best + 6) % 12 - 6
    octaves = _octave(coarse, line - low_midi + semitones, tried[best][0], guide, steps_s[0])
    shift = semitones + 12 * octaves
    line = _line(guide, step_s=steps_s[1])
    path, _ = _lay(_costs(fine, line - low_midi + shift, wraps=False))
    notes = _moved(guide, path, shift, steps_s[1])
    return Aligned(notes, octaves, semitones, 1 - tried[best][1], 1 - tried[second][1])


def salience_of(
    audio: AudioLike, *, fmin_hz: float, fmax_hz: float
) -> tuple[NDArray[np.float16], float]:
    """How far each pitch stands out, (n_frames, n_bins), frames `HOP` apart, 0 to 1; and the MIDI
    number of the first."""
    inside = np.flatnonzero((fmin_hz <= PITCHES_HZ) & (fmax_hz >= PITCHES_HZ))
    kept = [np.zeros((0, len(inside)), np.float16)]
    for frames in frames_of(audio):
        odds = frames.log_odds[:, inside]
        kept.append((np.clip(1 + odds / FAINT_ODDS, 0.0, 1.0)).astype(np.float16))
    return np.concatenate(kept), float(hz_to_midi(PITCHES_HZ[inside[0]]))


def _every(whole: NDArray[np.float16], step_s: float) -> FloatArray:
    """Means over stretches of `step_s`."""
    frames = np.arange(0.0, len(whole), step_s * RATE_HZ / HOP)
    places = np.minimum(np.round(frames).astype(int), len(whole) - 1)
    sums = np.add.reduceat(whole.astype(np.float32), places, axis=0)
    counts = np.diff(np.append(places, len(whole)))
    return np.asarray(sums / np.maximum(counts, 1)[:, None], dtype=np.float64)


def _line(guide: Sequence[GuideNote], *, step_s: float) -> FloatArray:
    """MIDI number each `step_s` from the first note on, NaN between notes."""
    n = int(np.ceil((guide[-1].end_s - guide[0].start_s) / step_s)) + 1
    line = np.full(n, np.nan)
    for note in guide:
        a, b = ((t - guide[0].start_s) / step_s for t in (note.start_s, note.end_s))
        line[round(a) : max(round(b), round(a) + 1)] = note.midi
    return line


def _folded(salience: FloatArray) -> FloatArray:
    """The most of any octave, (n_frames, PER_OCTAVE)."""
    n_octaves = -(-salience.shape[1] // PER_OCTAVE)
    padded = np.pad(salience, ((0, 0), (0, n_octaves * PER_OCTAVE - salience.shape[1])))
    return np.asarray(padded.reshape(len(salience), n_octaves, PER_OCTAVE).max(axis=1))


def _costs(salience: FloatArray, line: FloatArray, *, wraps: bool) -> FloatArray:
    """What it costs to lay each step of the line (semitones above the first bin) on each frame,
    (n_steps, n_frames)."""
    near = _near(salience, mode="wrap" if wraps else "nearest")
    bins = np.round(np.nan_to_num(line) * PER_SEMITONE).astype(int)
    n = salience.shape[1]
    at = bins % n if wraps else np.clip(bins, 0, n - 1)
    costs = 1 - near[:, at].T
    costs[np.isnan(line)] = SILENT_COST
    return np.asarray(costs)


def _lay(costs: FloatArray) -> tuple[NDArray[np.int64], float]:
    """Frame of each step of the line on the cheapest way through, and the mean cost of the steps
    that sound. The mix is lengthened by silence at both ends, so that a line may hang over."""
    n_steps = len(costs)
    spare = max(n_steps - costs.shape[1] + 1, 0) + n_steps // 8
    padded = np.pad(costs, ((0, 0), (spare, spare)), constant_values=1.0)
    steps, frames = cheapest_way(padded).T
    at = np.round(np.interp(np.arange(n_steps), steps, frames)).astype(np.int64)
    sounds = costs[:, 0] != SILENT_COST
    mean = float(np.mean(padded[np.flatnonzero(sounds), at[sounds]])) if sounds.any() else 1.0
    return at - spare, mean


def cheapest_way(costs: FloatArray) -> NDArray[np.int64]:
    """Steps of the line and frames, (n, 2) in order, of the cheapest way through `costs` (n_steps,
    n_frames) from the first step to the last, wherever it begins and ends in the mix.

    Dynamic time warping (Sakoe and Chiba 1978, IEEE Transactions on Acoustics, Speech, and Signal
    Processing 26, 43-49) as `librosa.sequence.dtw` has it, which takes 20 s to be imported for the
    first time."""
    total = np.full(costs.shape, np.inf)
    total[0] = costs[0]
    came = np.zeros(costs.shape, np.int8)
    steps = np.array(STEPS)
    _accumulate(costs, total, came, steps, np.array(STEP_WEIGHTS), np.array(STEP_COSTS))
    way = [(len(costs) - 1, int(np.argmin(total[-1])))]
    while way[-1][0] > 0:
        step, frame = way[-1]
        back = steps[came[step, frame]]
        way.append((step - int(back[0]), frame - int(back[1])))
    return np.array(way[::-1], dtype=np.int64)


@compiled
def _accumulate(
    costs: FloatArray,
    total: FloatArray,
    came: NDArray[np.int8],
    steps: NDArray[np.int64],
    weights: FloatArray,
    extra: FloatArray,
) -> None:
    """Fill in the least cost to come to each cell, and by which step."""
    for i in range(len(costs)):
        for j in range(costs.shape[1]):
            for k in range(len(steps)):
                a, b = i - steps[k, 0], j - steps[k, 1]
                if a >= 0 and b >= 0:
                    found = total[a, b] + weights[k] * costs[i, j] + extra[k]
                    if found < total[i, j]:
                        total[i, j], came[i, j] = found, k


def _octave(
    salience: FloatArray,
    line: FloatArray,
    path: NDArray[np.int64],
    guide: Sequence[GuideNote],
    step_s: float,
) -> int:
    """The octave that most notes, weighed by their length, stand out in."""
    votes = np.zeros(len(OCTAVES))
    near = _near(salience, mode="nearest")
    for note in guide:
        a, b = (round((t - guide[0].start_s) / step_s) for t in (note.start_s, note.end_s))
        here = slice(a, max(b, a + 1))
        frames = np.clip(path[here], 0, len(salience) - 1)
        bins = (np.nanmedian(line[here]) + 12.0 * np.array(OCTAVES)) * PER_SEMITONE
        inside = (bins >= 0) & (bins < salience.shape[1])
        at = np.clip(np.round(bins).astype(int), 0, salience.shape[1] - 1)
        heard = np.where(inside, near[np.ix_(frames, at)].mean(axis=0), 0.0)
        votes[int(np.argmax(heard))] += note.end_s - note.start_s
    return OCTAVES[int(np.argmax(votes))]


def _near(salience: FloatArray, *, mode: str) -> FloatArray:
    """The most within `NEAR_BINS` of each pitch."""
    from scipy.ndimage import maximum_filter1d

    return np.asarray(maximum_filter1d(salience, 2 * NEAR_BINS + 1, axis=1, mode=mode))


def _moved(
    guide: Sequence[GuideNote], path: NDArray[np.int64], shift: int, step_s: float
) -> tuple[GuideNote, ...]:
    """The notes on the clock of the mix, none overlapping the next."""
    clock = (np.arange(len(path)) + 0.5) * step_s
    at_s = (np.maximum.accumulate(path) + 0.5) * step_s
    since = np.array([[note.start_s, note.end_s] for note in guide]) - guide[0].start_s
    spans = np.interp(since, clock, at_s) + np.array([-CORE_S, CORE_S])
    ends_s = np.append(np.maximum(spans[1:, 0], spans[:-1, 1] - 2 * CORE_S), np.inf)
    found: list[GuideNote] = []
    for note, (start_s, end_s), limit_s in zip(guide, spans, ends_s, strict=True):
        first_s = max(float(start_s), found[-1].end_s if found else 0.0)
        last_s = max(float(min(end_s, limit_s)), first_s + SHORTEST_S)
        found.append(GuideNote(first_s, last_s, float(note.midi) + shift))
    return tuple(found)
