"""Engine `psola`: pitch-synchronous overlap-add in the time domain, our own.

Grains of two periods, one a mark, are laid out anew at the wanted distance (Moulines &
Charpentier 1990, "Pitch-synchronous waveform processing techniques for text-to-speech
synthesis using diphones"), so the spectral envelope, and with it the vowel, stays. What is our
own: marks and distances are fractions of a sample; where the offset is 0 the grains fall back
into place and give the original exactly; a run that is voiced on both sides of the edit is
brought back into phase by the smallest change of offset, most of it inside the glides; what is
unvoiced is copied.
"""

from __future__ import annotations

import math

import numpy as np

from retune.core.carriers import FloatArray, Samples
from retune.core.compiled import compiled
from retune.repitch.epochs import find_epochs
from retune.repitch.pitch import guide, voiced_runs
from retune.repitch.seam import FRAME_S, Passage

TAPS = 32
PHASES = 1024
STILL_CENTS = 1e-6
CORE_WEIGHT_CENTS = 2.0
CORE_SHARE = 0.1
GLIDE_WEIGHT_S = 0.008
LEAST_GLIDE_CENTS = 100.0


def _fractional_delays() -> FloatArray:
    """Rows of a windowed sinc (Kaiser, beta 8), one for each fraction of a sample."""
    fraction = np.arange(PHASES + 1)[:, None] / PHASES
    tap = np.arange(TAPS)[None, :] - (TAPS // 2 - 1)
    window = np.kaiser(2 * TAPS + 1, 8.0)
    place = np.clip((tap - fraction) / (TAPS / 2), -1, 1)
    taper = np.interp(place, np.linspace(-1, 1, 2 * TAPS + 1), window)
    rows = np.sinc(tap - fraction) * taper
    return np.ascontiguousarray(rows / rows.sum(axis=1, keepdims=True))


_DELAYS = _fractional_delays()


@compiled
def _add_grain(
    out: FloatArray,
    x: FloatArray,
    delays: FloatArray,
    source: float,
    target: float,
    left: float,
    right: float,
    gain: float,
) -> None:
    """Add x about `source` to out about `target`, under a Hann window of unequal halves."""
    taps = delays.shape[1]
    lead = taps // 2 - 1
    shift = source - target
    whole = math.floor(shift)
    row = delays[round((shift - whole) * (delays.shape[0] - 1))]
    first, last = (
        max(math.ceil(target - left), 0),
        min(math.floor(target + right), out.shape[1] - 1),
    )
    n_samples = x.shape[1]
    plain = shift == whole
    for n in range(first, last + 1):
        d = n - target
        weight = gain * (0.5 + 0.5 * math.cos(math.pi * d / (left if d < 0 else right)))
        m = n + int(whole)
        if plain:
            if 0 <= m < n_samples:
                for c in range(out.shape[0]):
                    out[c, n] += weight * x[c, m]
            continue
        a = m - lead
        if a < 0 or a + taps > n_samples:
            continue
        for c in range(out.shape[0]):
            total = 0.0
            for k in range(taps):
                total += row[k] * x[c, a + k]
            out[c, n] += weight * total


@compiled
def _lay_out(
    out: FloatArray,
    x: FloatArray,
    delays: FloatArray,
    marks: FloatArray,
    targets: FloatArray,
    sources: FloatArray,
) -> None:
    """Replace the run that `marks` cover by grains at `targets`; `sources` are fractional
    indices into `marks`."""
    n_marks, n_targets = len(marks), len(targets)
    lead = max(marks[1] - marks[0], 1.0)
    tail = max(marks[n_marks - 1] - marks[n_marks - 2], 1.0)
    for n in range(max(int(targets[0] - lead), 0), out.shape[1]):
        if n >= targets[n_targets - 1] + tail:
            break
        keep = 0.0
        if n < targets[0]:
            keep = 0.5 - 0.5 * math.cos(math.pi * (n - targets[0]) / lead)
            if n < targets[0] - lead:
                keep = 1.0
        elif n > targets[n_targets - 1]:
            keep = 0.5 - 0.5 * math.cos(math.pi * (n - targets[n_targets - 1]) / tail)
        for c in range(out.shape[0]):
            out[c, n] *= keep
    for j in range(n_targets):
        near = min(max(round(sources[j]), 0), n_marks - 1)
        before = marks[near] - marks[near - 1] if near > 0 else lead
        after = marks[near + 1] - marks[near] if near < n_marks - 1 else tail
        gap_before = targets[j] - targets[j - 1] if j > 0 else lead
        gap_after = targets[j + 1] - targets[j] if j < n_targets - 1 else tail
        gain = math.sqrt((gap_before + gap_after) / (before + after))
        left = lead if j == 0 else max(before, gap_before)
        right = tail if j == n_targets - 1 else max(after, gap_after)
        _add_grain(out, x, delays, marks[near], targets[j], left, right, gain)


def cycle_offsets(marks: FloatArray, offset_cents: FloatArray, frame: float) -> FloatArray:
    """The offset of each period between marks, cents."""
    middle = 0.5 * (marks[1:] + marks[:-1]) / frame
    return np.asarray(np.interp(middle, np.arange(len(offset_cents)), offset_cents))


def lock_phase(marks_s: FloatArray, cents: FloatArray) -> FloatArray:
    """`cents` a period, changed as little as possible so that the periods add up to a whole.

    The change is shared out by how little it is noticed: most in the glides, little in the
    steady part, none where the offset is 0.
    """
    ratio = 2.0 ** (cents / 1200)
    missing = np.round(ratio.sum()) - ratio.sum()
    size = float(np.abs(cents).max())
    slope_per_s = np.gradient(cents) / np.diff(marks_s) / size
    in_glide = slope_per_s * GLIDE_WEIGHT_S * max(size, LEAST_GLIDE_CENTS)
    weight = min(CORE_WEIGHT_CENTS, CORE_SHARE * size) ** 2 + in_glide**2
    weight[np.abs(cents) <= STILL_CENTS] = 0.0
    give = ratio * weight * (math.log(2) / 1200)
    if give.sum() <= 0:
        return cents
    return np.asarray(cents + weight * (missing / give.sum()))


def targets_of(
    marks: FloatArray, cents: FloatArray, *, from_end: bool
) -> tuple[FloatArray, FloatArray]:
    """Where the new marks lie (samples) and which place in `marks` each comes from."""
    phase = np.concatenate([[0.0], np.cumsum(2.0 ** (cents / 1200))])
    if from_end:
        phase -= phase[-1]
    wanted = np.arange(math.ceil(phase[0] - 1e-7), math.floor(phase[-1] + 1e-7) + 1)
    sources = np.interp(wanted, phase, np.arange(len(marks), dtype=np.float64))
    near = np.round(sources)
    sources = np.where(np.abs(sources - near) < 1e-6, near, sources)
    targets = np.interp(sources, np.arange(len(marks), dtype=np.float64), marks)
    return targets, sources


def _shift_run(out: FloatArray, x: FloatArray, marks: FloatArray, passage: Passage) -> None:
    frame = FRAME_S * passage.rate_hz
    cents = cycle_offsets(marks, passage.offset_cents, frame)
    still = np.abs(cents) <= STILL_CENTS
    if still.all():
        return
    if still[0] and still[-1]:
        cents = lock_phase(marks / passage.rate_hz, cents)
    targets, sources = targets_of(marks, cents, from_end=bool(still[-1]))
    if len(targets) > 1:
        _lay_out(out, x, _DELAYS, marks, targets, sources)


class Psola:
    name = "psola"
    about = "pitch-synchronous overlap-add; one voice, vowels and consonants kept"
    context_s = 0.1
    exact = True
    needs_pitch = True

    def shift(self, passage: Passage) -> Samples:
        x = np.ascontiguousarray(passage.samples.T, dtype=np.float64)
        out = x.copy()
        mono = guide(passage.samples)
        for start, stop in voiced_runs(
            passage.f0_hz, n_samples=x.shape[1], rate_hz=passage.rate_hz
        ):
            marks = find_epochs(
                mono,
                f0_hz=passage.f0_hz,
                rate_hz=passage.rate_hz,
                frame_s=FRAME_S,
                start=start,
                stop=stop,
            )
            if len(marks) >= 3:
                _shift_run(out, x, marks, passage)
        return np.ascontiguousarray(out.T, dtype=np.float32)


ENGINE = Psola()
