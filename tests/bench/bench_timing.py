"""How near a note held or cut in time comes to the same note sung at the other rhythm.

    python tests/bench/bench_timing.py [--quick]

Each made singer (`voices`) sings two joined notes, a rest and a third, at one rhythm and at
another; every way turns the first into the second, and is judged against the second. All ways are
given the same bounds of the notes. "sung again" is the second with other jitter, breath and
wavering. Onset: lag of the best match of mel levels about the beginning of
the second note. MCD: mel-cepstral distortion (see `metrics`) over the notes that change. Vibrato:
rate of the best sinusoid in each of them. Versions are printed.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from importlib.metadata import version
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyworld
from metrics import mel_cepstrum, pitch
from numpy.typing import NDArray
from voices import SINGERS, Singer, sing, truth_at

sys.path.insert(0, str(Path(__file__).parents[2]))

from retune.carriers.changes import Edit
from retune.carriers.heard import Audio, Note, PitchTrack, StemAnalysis
from retune.repitch import render_stem

Samples = NDArray[np.float64]
RATE_HZ = 44100
STEPS = (0, 4, 2)
FIRST, REST = ((0.5, 1.3), (1.3, 2.5)), (4.6, 5.3)
LINKS = ("legato", "voiced", "unvoiced")
HELD = (0.5, 0.7, 1.5, 2.0, 2.5)
DELAYED = (-0.35, 0.3, 0.55)
ATTACK_S, RELEASE_S = 0.09, 0.08
RATES_HZ = np.arange(4.0, 7.501, 0.02)
Span = tuple[float, float]


@dataclass(frozen=True, eq=False)
class Task:
    """One rhythm to be turned into another: bounds of the notes before and after."""

    singer: Singer
    factor: float
    is_delay: bool
    before: tuple[Span, ...]
    after: tuple[Span, ...]
    link: str

    def sung(self, bounds: tuple[Span, ...], seed: int = 0) -> Samples:
        return self._voice(bounds, seed).samples

    @cached_property
    def truth(self) -> Samples:
        return self.sung(self.after)

    @cached_property
    def source(self):  # type: ignore[no-untyped-def]
        return self._voice(self.before, 0)

    @cached_property
    def truth_spectra(self) -> Samples:
        return spectra(self.truth)

    def _voice(self, bounds: tuple[Span, ...], seed: int):  # type: ignore[no-untyped-def]
        links, vowels = ("rest", self.link, "rest"), "aoe"
        spans = [
            {"from": a, "to": b, "midi": self.singer.low_midi + 5 + m, "link": k, "vowel": v}
            for (a, b), m, k, v in zip(bounds, STEPS, links, vowels, strict=True)
        ]
        return sing(self.singer, seed=seed, spans=spans)

    def stem(self) -> tuple[Audio, StemAnalysis]:
        voice = self.source
        time_s = np.arange(0, len(voice.samples) / RATE_HZ, 0.0058)
        f0 = truth_at(voice, time_s)
        track = PitchTrack(time_s, f0, np.isfinite(f0) * 1.0, np.full(len(time_s), -20.0))
        notes = tuple(
            Note(i, a, b, self.singer.low_midi + 5.0 + m, "", 0.0)
            for i, ((a, b), m) in enumerate(zip(self.before, STEPS, strict=True), start=1)
        )
        return Audio(voice.samples, RATE_HZ), StemAnalysis("voice", "melody", notes, (), track)


def tasks(singers: tuple[Singer, ...]) -> list[Task]:
    """Notes held or cut into a rest, and notes delayed while the one before is held."""
    found = []
    for n, singer in enumerate(singers):
        link = LINKS[n % len(LINKS)]
        (a, b), (c, d) = FIRST
        for factor in HELD:
            length = 1.2 if factor <= 1 else 0.9
            before = ((a, b), (c, c + length), REST)
            after = ((a, b), (c, c + factor * length), REST)
            found.append(Task(singer, factor, False, before, after, link))
        for by_s in DELAYED:
            gap = 0.1 if link == "unvoiced" else 0.0
            before = ((a, b), (c + gap, d), REST)
            after = ((a, b + by_s), (c + gap + by_s, d), REST)
            factor = (b + by_s - a) / (b - a)
            found.append(Task(singer, factor, True, before, after, link))
    return found


# --- ways ------------------------------------------------------------------------------------


def by_retune(task: Task) -> Samples:
    audio, stem = task.stem()
    edits = [
        Edit("voice", *was, 0.0, "hold", note=i, start_to_s=now[0], end_to_s=now[1])
        for i, (was, now) in enumerate(zip(task.before, task.after, strict=True), start=1)
        if was != now
    ]
    made = render_stem(audio, stem=stem, edits=edits)
    return np.asarray(made.apply(audio)[:, 0], dtype=np.float64)


def anchors(task: Task) -> list[tuple[float, float]]:
    """Times before and after: attacks, releases and what is between notes go whole."""
    found = [(0.0, 0.0)]
    for (a, b), (c, d) in zip(task.before, task.after, strict=True):
        found += [(a + ATTACK_S, c + ATTACK_S), (b - RELEASE_S, d - RELEASE_S)]
        found += [(b + 0.05, d + 0.05)] if (a, b) != (c, d) and b == task.before[1][1] else []
    found.append((REST[0] - 0.25, REST[0] - 0.25))
    return sorted(found)


def by_rubberband(*options: str) -> Callable[[Task], Samples]:
    def run(task: Task) -> Samples:
        import soundfile

        y = task.source.samples
        with tempfile.TemporaryDirectory() as folder:
            source, target, table = (os.path.join(folder, n) for n in ("a.wav", "b.wav", "map"))
            soundfile.write(source, 0.25 * y, RATE_HZ, subtype="FLOAT")
            rows = [f"{round(a * RATE_HZ)} {round(b * RATE_HZ)}" for a, b in anchors(task)]
            Path(table).write_text("\n".join(rows) + "\n", encoding="ascii")
            command = ["rubberband", "-q", *options, "-t", "1", "--timemap", table, source, target]
            subprocess.run(command, check=True, capture_output=True)
            made, _ = soundfile.read(target, dtype="float64")
        return np.pad(4 * made, (0, max(len(y) - len(made), 0)))[: len(y)]

    return run


def by_python_stretch(task: Task) -> Samples:
    """Each stretch between two anchors by its own factor, with context, crossfaded 20 ms."""
    y = task.source.samples
    points = [*anchors(task), (len(y) / RATE_HZ, len(y) / RATE_HZ)]
    out, fade, context = np.zeros(len(y)), round(0.01 * RATE_HZ), 0.3
    for (a, c), (b, d) in pairwise(points):
        if b <= a or d <= c:
            continue
        factor = (d - c) / (b - a)
        first, last = max(a - context, 0.0), min(b + context, len(y) / RATE_HZ)
        part = y[round(first * RATE_HZ) : round(last * RATE_HZ)]
        made = part if abs(factor - 1) < 1e-6 else _stretched(part, factor)
        lead = (a - first) * factor
        start, stop = round(c * RATE_HZ), round(d * RATE_HZ)
        n = np.arange(max(start - fade, 0), min(stop + fade, len(y)))
        source = n - start + round(lead * RATE_HZ)
        inside = (source >= 0) & (source < len(made))
        weight = np.clip((n - start + fade) / (2 * fade), 0, 1) if start else np.ones(len(n))
        weight = weight * (np.clip((stop + fade - n) / (2 * fade), 0, 1) if stop < len(y) else 1)
        out[n[inside]] += weight[inside] * made[source[inside]]
    return out


def _stretched(y: Samples, factor: float) -> Samples:
    from python_stretch import Signalsmith

    stretch = Signalsmith.Stretch(1)
    stretch.preset(1, RATE_HZ)
    stretch.setTimeFactor(1 / factor)
    tail = stretch.inputLatency() + stretch.outputLatency()
    padded = np.pad(y, (0, tail)).astype(np.float32)
    return np.asarray(stretch.process(padded[None, :]), dtype=np.float64)[0]


def sung_again(task: Task) -> Samples:
    return task.sung(task.after, seed=1)


WAYS: dict[str, Callable[[Task], Samples]] = {
    "sung again": sung_again,
    "retune": by_retune,
    "Rubber Band R3": by_rubberband("-3"),
    "Rubber Band R2": by_rubberband("-2"),
    "python-stretch": by_python_stretch,
}


# --- measures --------------------------------------------------------------------------------


def levels(y: Samples) -> Samples:
    """Mel levels every 2 ms, dB."""
    import librosa

    power = librosa.feature.melspectrogram(
        y=y.astype(np.float32), sr=RATE_HZ, n_fft=1024, win_length=882, hop_length=88, n_mels=40,
        fmin=60, fmax=10000,
    )  # fmt: skip
    return np.asarray(10 * np.log10(np.maximum(power, 1e-6)).T, dtype=np.float64)


def onset_ms(made: Samples, truth: Samples, at_s: float) -> float:
    """By how much the change about `at_s` comes late."""
    hop = 88 / RATE_HZ
    a, b = (round((at_s + t) / hop) for t in (-0.08, 0.12))
    lags = np.arange(-25, 26)
    gap = [float(np.mean((made[a + k : b + k] - truth[a:b]) ** 2)) for k in lags]
    best = int(np.clip(np.argmin(gap), 1, len(gap) - 2))
    low, here, high = gap[best - 1 : best + 2]
    part = 0.5 * (low - high) / max(low - 2 * here + high, 1e-9)
    return 1e3 * hop * (lags[best] + float(np.clip(part, -0.5, 0.5)))


def spectra(y: Samples) -> Samples:
    time_s, cents = pitch(y.astype(np.float32), low_hz=60, high_hz=1200)
    hz = np.where(np.isfinite(cents), 440 * 2 ** ((np.nan_to_num(cents) - 6900) / 1200), 0.0)
    hop_s = np.arange(0, len(y) / RATE_HZ, 0.005)
    near = hz[np.clip(np.searchsorted(time_s, hop_s), 0, len(hz) - 1)]
    power = pyworld.cheaptrick(np.ascontiguousarray(y), near, hop_s, RATE_HZ)
    return mel_cepstrum(0.5 * np.log(power + 1e-16))


def vibrato_hz(y: Samples, span: Span) -> float:
    """Rate of the sinusoid, on a parabola, that fits the pitch within a note best; NaN where less
    than 0.3 s is left of it. Passes through the mean would be told by the wavering of each."""
    time_s, cents = pitch(y.astype(np.float32))
    inside = (time_s > span[0] + 0.3) & (time_s < span[1] - 0.05) & np.isfinite(cents)
    at, bend = time_s[inside], cents[inside]
    if len(at) < 60:
        return np.nan
    at = at - at.mean()
    left = []
    for rate in RATES_HZ:
        turn = 2 * np.pi * rate * at
        basis = np.stack([at**0, at, at**2, np.sin(turn), np.cos(turn)], axis=1)
        fit = np.linalg.lstsq(basis, bend, rcond=None)[0]
        left.append(float(np.sum((basis @ fit - bend) ** 2)))
    return float(RATES_HZ[int(np.argmin(left))])


def judged(task: Task, made: Samples) -> dict[str, list[float]]:
    truth = task.truth
    changed = [k for k in range(2) if task.before[k] != task.after[k]]
    a, b = task.truth_spectra, spectra(made)
    frames = np.concatenate(
        [np.arange(round((s + 0.02) / 0.005), round((e - 0.02) / 0.005))
         for s, e in (task.after[k] for k in changed)]
    )  # fmt: skip
    apart = a[frames, 1:] - b[frames, 1:]
    mcd = float(np.mean(10 / np.log(10) * np.sqrt(2 * np.sum(apart**2, axis=1))))
    rates = [
        vibrato_hz(made, task.after[k]) / vibrato_hz(truth, task.after[k]) - 1 for k in changed
    ]
    late = np.nan
    if task.is_delay:
        late = onset_ms(levels(made), levels(truth), task.after[1][0])
    if task.singer.vibrato_cents < 20:
        rates = []
    return {"mcd": [mcd], "onset": [late], "vibrato": [100 * abs(rate) for rate in rates]}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="one singer only")
    chosen = SINGERS[1:2] if parser.parse_args().quick else SINGERS
    found: dict[tuple[str, float, bool], list[dict[str, list[float]]]] = {}
    spent = dict.fromkeys(WAYS, 0.0)
    for task in tasks(tuple(chosen)):
        for name, way in WAYS.items():
            began = sum(os.times()[:4])
            made = way(task)
            spent[name] += sum(os.times()[:4]) - began
            found.setdefault((name, task.factor, task.is_delay), []).append(judged(task, made))
    show(found)
    print("CPU seconds:", ", ".join(f"{name} {s:.1f}" for name, s in spent.items()))
    band = subprocess.run(["rubberband", "--version"], capture_output=True, text=True, check=False)
    print(f"python-stretch {version('python-stretch')}, rubberband {band.stderr.strip()}")


def show(found: dict[tuple[str, float, bool], list[dict[str, list[float]]]]) -> None:
    """Two tables: distortion by factor ("d" where a note is delayed), and all else."""
    factors = sorted({(factor, is_delay) for _, factor, is_delay in found})
    heads = "".join(f"{factor:8.2f}{'d' if is_delay else ' '}" for factor, is_delay in factors)
    print(f"{'MCD dB at factor':18}{heads}")
    for name in WAYS:
        row = [np.mean([r["mcd"] for r in found[name, *key]]) for key in factors]
        print(f"{name:18}" + "".join(f"{value:8.2f} " for value in row))
    heads = f"{'onset ms: median':>18}{'largest':>9}{'vibrato % off: mean':>21}{'largest':>9}"
    print(f"\n{'':18}{heads}")
    for name in WAYS:
        rows = [r for key, rows in found.items() if key[0] == name for r in rows]
        late, rate = (
            np.abs([x for r in rows for x in r[kind] if np.isfinite(x)])
            for kind in ("onset", "vibrato")
        )
        figures = (np.median(late), late.max(), rate.mean(), rate.max())
        print(f"{name:18}{'{:18.1f}{:9.1f}{:21.1f}{:9.1f}'.format(*figures)}")


if __name__ == "__main__":
    main()
