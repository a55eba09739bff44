"""A passage of one voice put together anew from its pieces (see `timeline`)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from retune.carriers.heard import FloatArray, Samples
from retune.repitch.epochs import find_epochs
from retune.repitch.pitch import guide, voiced_runs
from retune.repitch.seam import FRAME_S
from retune.repitch.timeline import QUIET_S, Copy, Fill, Moved, Piece, Sung, pieces
from retune.repitch.vowels import lay_out, sing

ATTACK_S, RELEASE_S = 0.08, 0.07
ATTACK_SHARE, RELEASE_SHARE = 0.25, 0.2
INSIDE_S = 0.01
LEAST_PERIODS = 4
LEAST_S = 0.03
UNVOICED_S = 0.005
"""Distance of the marks where nothing has a pitch."""
TONE_S, QUIET_DB = 0.15, 30.0


@dataclass(frozen=True, eq=False)
class Voice:
    """A passage of one voice that begins at sample `first` of its stem, its f0 every FRAME_S,
    and where its notes lie and go."""

    samples: Samples
    first: int
    rate_hz: int
    f0_hz: FloatArray
    notes: Sequence[Moved]

    def moved(self, warnings: list[str]) -> Voice:
        """The voice with its notes where they go; they now go back to where they came from."""
        x = np.ascontiguousarray(self.samples.T, dtype=np.float64)
        mono = guide(self.samples)
        out = np.zeros_like(x)
        source = np.full(x.shape[1], np.nan)
        level_db = _levels(mono, self.rate_hz)
        todo = pieces(self.notes, level_db, rate_hz=self.rate_hz, n_samples=len(mono))
        for k, piece in enumerate(todo):
            if isinstance(piece, Sung):
                before, after = todo[k - 1], todo[k + 1]
                assert isinstance(before, Copy)
                assert isinstance(after, Copy)
                todo[k - 1], todo[k + 1] = self._sing(
                    out, source, x, mono, piece.note, before, after, warnings
                )
        for piece in todo:
            _put(out, source, x, piece, self.rate_hz)
        frames = np.round(np.arange(len(self.f0_hz)) * FRAME_S * self.rate_hz).astype(np.int64)
        at = source[np.clip(frames, 0, len(source) - 1)] / (FRAME_S * self.rate_hz)
        known = np.clip(np.nan_to_num(np.round(at)), 0, len(self.f0_hz) - 1).astype(np.int64)
        f0_hz = np.where(np.isfinite(at), self.f0_hz[known], np.nan)
        back = [Moved(n.to_start, n.to_stop, n.start, n.stop) for n in self.notes]
        samples = np.ascontiguousarray(out.T, dtype=np.float32)
        return Voice(samples, self.first, self.rate_hz, f0_hz, back)

    def _sing(
        self,
        out: FloatArray,
        source: FloatArray,
        x: FloatArray,
        mono: FloatArray,
        note: Moved,
        before: Copy,
        after: Copy,
        warnings: list[str],
    ) -> tuple[Copy, Copy]:
        """Add the vowel of a note to `out`; the copies beside it, up to where it begins and from
        where it ends."""
        marks, is_voiced = _core(mono, self.f0_hz, note, self.rate_hz)
        if not is_voiced:
            at_s = (self.first + note.start) / self.rate_hz
            warnings.append(f"{at_s:.2f} s: no vowel is found there to hold or to cut")
        length = float(marks[-1] - marks[0]) + note.tail - note.head
        laid = lay_out(x, marks, rate_hz=self.rate_hz, length=length)
        sing(out, x, marks, laid, shift=note.head, rate_hz=self.rate_hz)
        at = laid.at + note.head
        a, b = max(int(at[0]), 0), min(int(at[-1]) + 1, len(source))
        nearer = np.where(laid.share < 0.5, laid.first, laid.second)
        source[a:b] = np.interp(np.arange(a, b), at, marks[nearer])
        lead, tail = marks[1] - marks[0], marks[-1] - marks[-2]
        return (
            replace(before, stop=marks[0] - lead / 2, fade_out=lead),
            replace(after, start=marks[-1] + tail / 2, fade_in=tail),
        )


def _core(
    mono: FloatArray, f0_hz: FloatArray, note: Moved, rate_hz: int
) -> tuple[FloatArray, bool]:
    """Marks of the part of a note that may be drawn out or cut, and whether it has a pitch:
    within its longest voiced run, without attack and release."""
    missing = note.tail - note.head
    shorter = min(note.stop - note.start, note.to_stop - note.to_start) / rate_hz
    runs = voiced_runs(f0_hz, n_samples=len(mono), rate_hz=rate_hz)
    inside = [(max(a, note.start), min(b, note.stop)) for a, b in runs]
    run = max(inside, key=lambda ab: ab[1] - ab[0], default=(0, 0))
    for share in (1.0, 0.5, 0.25, 0.0):
        attack = share * min(ATTACK_S, ATTACK_SHARE * shorter) + INSIDE_S
        release = share * min(RELEASE_S, RELEASE_SHARE * shorter) + INSIDE_S
        low = max(note.start + round(attack * rate_hz), run[0] + round(INSIDE_S * rate_hz))
        high = min(note.stop - round(release * rate_hz), run[1] - round(INSIDE_S * rate_hz))
        if high - low + min(missing, 0) < LEAST_S * rate_hz:
            continue
        marks = find_epochs(
            mono, f0_hz=f0_hz, rate_hz=rate_hz, frame_s=FRAME_S, start=run[0], stop=run[1]
        )
        marks = marks[(marks >= low) & (marks <= high)]
        if len(marks) > LEAST_PERIODS and marks[-1] - marks[0] + missing > LEAST_S * rate_hz:
            return marks, True
    step = UNVOICED_S * rate_hz
    edge = 0.1 * (note.stop - note.start)
    count = max(int((note.stop - note.start - 2 * edge) / step), 2)
    return np.asarray(note.start + edge + step * np.arange(count + 1)), False


def _put(out: FloatArray, source: FloatArray, x: FloatArray, piece: Piece, rate_hz: int) -> None:
    if isinstance(piece, Copy):
        _copy(out, source, x, piece)
    elif isinstance(piece, Fill):
        a = max(int(piece.start - piece.fade_in / 2), 0)
        b = min(int(piece.stop + piece.fade_out / 2) + 1, out.shape[1])
        weight = _weight(np.arange(a, b), piece.start, piece.stop, piece.fade_in, piece.fade_out)
        out[:, a:b] += weight * _quiet(x, b - a, rate_hz)


def _copy(out: FloatArray, source: FloatArray, x: FloatArray, piece: Copy) -> None:
    a = max(int(np.ceil(piece.start - piece.fade_in / 2)), 0)
    b = min(int(np.floor(piece.stop + piece.fade_out / 2)) + 1, x.shape[1])
    a, b = max(a, -piece.shift), min(b, out.shape[1] - piece.shift)
    if b <= a:
        return
    n = np.arange(a, b)
    weight = _weight(n, piece.start, piece.stop, piece.fade_in, piece.fade_out)
    out[:, a + piece.shift : b + piece.shift] += weight * x[:, a:b]
    solid = weight > 0.5
    source[n[solid] + piece.shift] = n[solid]


def _weight(
    n: FloatArray, start: float, stop: float, fade_in: float, fade_out: float
) -> FloatArray:
    """1 from `start` to `stop`, raised cosines about both; a fade of 0 is none at all."""
    weight = np.ones(len(n))
    if fade_in > 0:
        weight *= 0.5 - 0.5 * np.cos(np.pi * np.clip((n - start) / fade_in + 0.5, 0, 1))
    if fade_out > 0:
        weight *= 0.5 + 0.5 * np.cos(np.pi * np.clip((n - stop) / fade_out + 0.5, 0, 1))
    return weight


def _levels(mono: FloatArray, rate_hz: int) -> FloatArray:
    """Level about every QUIET_S, dB."""
    width = max(round(QUIET_S * rate_hz), 1)
    total = np.concatenate([[0.0], np.cumsum(mono**2)])
    at = np.arange(0, len(mono), width)
    a, b = np.clip(at - width, 0, None), np.clip(at + width, None, len(mono))
    return np.asarray(10 * np.log10((total[b] - total[a]) / (b - a) + 1e-12))


def _quiet(x: FloatArray, n: int, rate_hz: int) -> FloatArray:
    """So many samples of the quiet of a room: the quietest of the passage laid end to end, now
    forwards, now backwards; nothing where it is nowhere quiet."""
    width = min(round(TONE_S * rate_hz), x.shape[1])
    half = width // 2
    total = np.concatenate([[0.0], np.cumsum(np.sum(x**2, axis=0))])
    power = total[width:] - total[:-width]
    loudest = float(np.sum(x**2, axis=0).max()) * width
    begin = int(np.argmin(power))
    out = np.zeros((x.shape[0], n + 2 * width))
    if power[begin] > loudest * 10 ** (-QUIET_DB / 10) / 10:
        return out[:, :n]
    window = np.sin(np.pi * (np.arange(2 * half) + 0.5) / (2 * half))
    tone = x[:, begin : begin + 2 * half] * window
    for k, at in enumerate(range(0, n + half, half)):
        out[:, at : at + 2 * half] += tone if k % 2 == 0 else tone[:, ::-1]
    return out[:, half : half + n]
