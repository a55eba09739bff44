"""The pitch of a passage: the given track checked, bridged and refined on the waveform."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from weakref import WeakKeyDictionary

import numpy as np

from retune.carriers.heard import FloatArray, Note, PitchTrack, Samples
from retune.carriers.units import midi_to_hz
from retune.repitch.epochs import crests, likeness, measured_periods, thinned, towards_energy
from retune.repitch.seam import FRAME_S, Passage

BRIDGE_S = 0.06
BRIDGE_LIKENESS = 0.5
EXTEND_LIKENESS = 0.4
EXTEND_S = 0.03
PERIODIC_HZ = 6000  # whether a sound repeats itself shows best without its noisy top
SLIP_CENTS = 200.0
LOOK_FRAMES = 8


def guide(samples: Samples) -> FloatArray:
    """One channel, float64, from which both channels of a stereo stem take their marks: the
    sum, or the louder channel where the two cancel."""
    channels = [np.asarray(samples[:, c], dtype=np.float64) for c in range(samples.shape[1])]
    if len(channels) == 1:
        return np.ascontiguousarray(channels[0])
    power = [float(np.sum(channel**2)) for channel in channels]
    mid = np.asarray(sum(channels)) / len(channels)
    loudest = int(np.argmax(power))
    return mid if float(np.sum(mid**2)) >= 0.25 * power[loudest] else channels[loudest]


def voiced_runs(
    f0_hz: FloatArray, *, n_samples: int, rate_hz: int, frame_s: float = FRAME_S
) -> list[tuple[int, int]]:
    """Stretches of samples whose frames are all voiced, as (start, stop)."""
    voiced = np.concatenate([[False], np.isfinite(f0_hz), [False]])
    turns = np.flatnonzero(voiced[1:] != voiced[:-1]).reshape(-1, 2)
    frame = frame_s * rate_hz
    return [
        (max(round((a - 0.5) * frame), 0), min(round((b - 0.5) * frame), n_samples - 1))
        for a, b in turns
    ]


def unslip(f0_hz: FloatArray, *, time_s: FloatArray, notes: tuple[Note, ...]) -> FloatArray:
    """f0 with octave slips inside notes folded back to the note's own pitch."""
    fixed = np.array(f0_hz, dtype=np.float64)
    for note in notes:
        inside = (time_s >= note.start_s) & (time_s < note.end_s) & np.isfinite(fixed)
        octaves = np.log2(fixed[inside] / midi_to_hz(note.pitch_midi))
        whole = np.round(octaves)
        slipped = (whole != 0) & (np.abs(octaves - whole) * 1200 < SLIP_CENTS)
        fixed[inside] = np.where(slipped, fixed[inside] / 2.0**whole, fixed[inside])
    return fixed


def onto_frames(track: PitchTrack, f0_hz: FloatArray, time_s: FloatArray) -> FloatArray:
    """f0 at `time_s`, log-interpolated between voiced neighbours, NaN beside unvoiced ones."""
    if len(track.time_s) < 2:
        return np.full(len(time_s), np.nan)
    hop = track.hop_s
    position = (time_s - track.time_s[0]) / hop
    left = np.clip(np.floor(position).astype(int), 0, len(f0_hz) - 2)
    part = np.clip(position - left, 0.0, 1.0)
    low, high = f0_hz[left], f0_hz[left + 1]
    nearest = np.where(part < 0.5, low, high)
    both = np.isfinite(low) & np.isfinite(high)
    with np.errstate(invalid="ignore"):
        mixed = np.exp((1 - part) * np.log(low) + part * np.log(high))
    out = np.where(both, mixed, nearest)
    out[(position < -0.5) | (position > len(f0_hz) - 0.5)] = np.nan
    return np.asarray(out)


def _is_periodic(x: FloatArray, f0_hz: FloatArray, frames: range, rate_hz: float) -> bool:
    """Whether most of the stretch repeats itself at the period given."""
    found = [
        likeness(x, frame * FRAME_S * rate_hz, rate_hz / f0_hz[frame]) for frame in frames[::2]
    ]
    return float(np.median(found)) >= BRIDGE_LIKENESS


def bridge(x: FloatArray, f0_hz: FloatArray, *, rate_hz: float) -> FloatArray:
    """f0 with short holes filled where the waveform goes on repeating itself."""
    fixed = np.array(f0_hz)
    known = np.flatnonzero(np.isfinite(fixed))
    if len(known) < 2:
        return fixed
    filled = np.exp(np.interp(np.arange(len(fixed)), known, np.log(fixed[known])))
    for a, b in pairwise(known):
        if 1 < b - a <= BRIDGE_S / FRAME_S and _is_periodic(x, filled, range(a + 1, b), rate_hz):
            fixed[a + 1 : b] = filled[a + 1 : b]
    return fixed


def extend(x: FloatArray, f0_hz: FloatArray, *, rate_hz: float) -> FloatArray:
    """f0 carried on past the ends of voiced runs as long as the waveform repeats itself."""
    fixed = np.array(f0_hz)
    reach = int(EXTEND_S / FRAME_S)
    voiced = np.concatenate([[False], np.isfinite(f0_hz), [False]])
    for a, b in np.flatnonzero(voiced[1:] != voiced[:-1]).reshape(-1, 2):
        for edge, step in ((b - 1, 1), (a, -1)):
            for frame in range(edge + step, edge + step * (reach + 1), step):
                if not 0 <= frame < len(fixed) or np.isfinite(fixed[frame]):
                    break
                at = frame * FRAME_S * rate_hz
                if likeness(x, at, rate_hz / f0_hz[edge]) < EXTEND_LIKENESS:
                    break
                fixed[frame] = f0_hz[edge]
    return fixed


def refine(x: FloatArray, f0_hz: FloatArray, *, rate_hz: int) -> FloatArray:
    """f0 read again from the distance of the marks, much finer in time than a tracker's frames."""
    fixed = np.array(f0_hz)
    frame = FRAME_S * rate_hz
    for start, stop in voiced_runs(f0_hz, n_samples=len(x), rate_hz=rate_hz):
        marks = crests(x, f0_hz=f0_hz, rate_hz=rate_hz, frame_s=FRAME_S, start=start, stop=stop)
        if len(marks) < 4:
            continue
        at = np.arange(len(fixed)) * frame
        inside = np.isfinite(f0_hz) & (at >= marks[0]) & (at <= marks[-1])
        middle = 0.5 * (marks[1:] + marks[:-1])
        periods = measured_periods(x, marks, rate_hz=rate_hz)
        measured = np.interp(at[inside], middle, np.log(rate_hz / periods))
        given = np.log(f0_hz[inside])
        sane = np.abs(measured - given) < np.log(2) / 12 * 2
        fixed[inside] = np.exp(np.where(sane, measured, given))
    return fixed


@dataclass(frozen=True, eq=False)
class Run:
    """A voiced run of a passage in samples, and its marks `towards_energy`, which may be none."""

    start: int
    stop: int
    marks: FloatArray


_RUNS: WeakKeyDictionary[Passage, tuple[Run, ...]] = WeakKeyDictionary()


def runs_of(passage: Passage) -> tuple[Run, ...]:
    """The voiced runs of a passage, worked out once: it is doubted by them and moved by them."""
    known = _RUNS.get(passage)
    if known is None:
        x, f0_hz, rate_hz = guide(passage.samples), passage.f0_hz, passage.rate_hz
        known = _RUNS[passage] = tuple(
            Run(
                a,
                b,
                towards_energy(x, f0_hz=f0_hz, rate_hz=rate_hz, frame_s=FRAME_S, start=a, stop=b),
            )
            for a, b in voiced_runs(f0_hz, n_samples=len(x), rate_hz=rate_hz)
        )
    return known


def repetition(passage: Passage, frames: range) -> float:
    """Median correlation of neighbouring periods in the voiced ones of some frames (1 is a
    perfect voice); 1 where nothing is voiced."""
    x, stride = thinned(guide(passage.samples), rate_hz=passage.rate_hz, to_hz=PERIODIC_HZ)
    rate = passage.rate_hz / stride
    looked = [i for i in frames[::LOOK_FRAMES] if np.isfinite(passage.f0_hz[i])]
    found = [likeness(x, i * FRAME_S * rate, rate / passage.f0_hz[i]) for i in looked]
    return float(np.median(found)) if found else 1.0


def frame_count(n_samples: int, rate_hz: int) -> int:
    """How many frames of FRAME_S cover so many samples."""
    return int(n_samples / (FRAME_S * rate_hz)) + 2


def passage_pitch(
    samples: Samples,
    *,
    rate_hz: int,
    start_s: float,
    track: PitchTrack,
    notes: tuple[Note, ...],
) -> FloatArray:
    """f0 every `FRAME_S` from `start_s` on over `samples`, NaN where unvoiced."""
    n_frames = frame_count(len(samples), rate_hz)
    time_s = start_s + np.arange(n_frames, dtype=np.float64) * FRAME_S
    hop = max(track.hop_s, FRAME_S)
    low, high = np.searchsorted(track.time_s, [time_s[0] - 2 * hop, time_s[-1] + 2 * hop])
    part = PitchTrack(
        track.time_s[low:high],
        track.f0_hz[low:high],
        track.voiced_prob[low:high],
        track.energy_db[low:high],
    )
    cleaned = unslip(part.f0_hz, time_s=part.time_s, notes=notes)
    f0_hz = onto_frames(part, cleaned, time_s)
    x = guide(samples)
    low, stride = thinned(x, rate_hz=rate_hz, to_hz=PERIODIC_HZ)
    low_rate = rate_hz / stride
    f0_hz = extend(low, bridge(low, f0_hz, rate_hz=low_rate), rate_hz=low_rate)
    return refine(x, f0_hz, rate_hz=rate_hz)
