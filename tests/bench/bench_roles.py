"""Which engine for a bass line, which for chords: moved tones against tones made at that pitch.

    python tests/bench/bench_roles.py [--shift -200] [--engines psola,stretch,...]

Bass: decaying tones of 41 to 98 Hz (saw-like and plucked), half of them moved. Chords: four
struck four-part chords, moved as a whole. Columns: median error of the strongest partials in
cents, log-spectral distance to the truth in dB, level of the attack (first 30 ms) in dB.
"""

from __future__ import annotations

import argparse
import shutil

import numpy as np
from numpy.typing import NDArray

from retune.carriers.changes import Edit
from retune.carriers.heard import Audio, Note, PitchTrack, StemAnalysis
from retune.repitch import ENGINES, render_stem

RATE_HZ = 44100
BASS = (28, 35, 31, 40, 33, 28, 36, 43, 29, 36, 33, 31, 28, 40, 35, 28)
CHORDS = ((60, 64, 67, 71), (57, 60, 64, 69), (53, 57, 60, 65), (55, 59, 62, 67))
STEP_S = 0.5
Floats = NDArray[np.float64]


def hz_of(midi: float) -> float:
    return float(440 * 2 ** ((midi - 69) / 12))


def tone(hz: float, kind: str) -> Floats:
    """One tone of STEP_S: partials that decay, the plucked ones stretched and with a knock."""
    time_s = np.arange(int(STEP_S * RATE_HZ)) / RATE_HZ
    y = np.zeros(len(time_s))
    for k in range(1, int(6000 / hz) + 1):
        if kind == "saw":
            y += (
                np.exp(-1.2 * time_s)
                / k
                / np.hypot(1, (k * hz / 900) ** 2)
                * np.sin(2 * np.pi * k * hz * time_s)
            )
        else:
            height = abs(np.sin(0.18 * np.pi * k)) / k**1.1 / np.hypot(1, k * hz / 2500)
            at = k * hz * np.sqrt(1 + 5e-5 * k * k)
            y += height * np.exp(-(1.5 + 0.003 * k * hz) * time_s) * np.sin(2 * np.pi * at * time_s)
    y *= np.minimum(time_s / 0.003, 1) * np.minimum((STEP_S - time_s) / 0.02, 1)
    if kind == "pluck":
        knock = np.random.default_rng(int(hz)).standard_normal(int(0.012 * RATE_HZ))
        y[: len(knock)] += 0.2 * knock * np.hanning(len(knock))
    return y


def bass(kind: str, shift: float) -> Floats:
    moved = [m + (shift / 100 if i % 2 else 0) for i, m in enumerate(BASS)]
    return 0.2 * np.concatenate([tone(hz_of(m), kind) for m in moved])


def chords(shift: float) -> Floats:
    parts = []
    for i, chord in enumerate(CHORDS):
        whole = sum(np.concatenate([tone(hz_of(m + shift / 100), "pluck")] * 2) for m in chord)
        parts.append(np.asarray(whole) * (1 + 0.01 * i))
    return 0.1 * np.concatenate(parts)


def bass_stem() -> tuple[StemAnalysis, list[Edit]]:
    time_s = np.arange(0, len(BASS) * STEP_S, 0.01)
    f0 = np.array([hz_of(BASS[min(int(t / STEP_S), len(BASS) - 1)]) for t in time_s])
    track = PitchTrack(time_s, f0, np.ones(len(f0)), np.zeros(len(f0)))
    notes = tuple(
        Note(i + 1, i * STEP_S, (i + 1) * STEP_S, float(m), "", 0.0) for i, m in enumerate(BASS)
    )
    edits = [
        Edit("bass", n.start_s, n.end_s, 0.0, "", note=n.index) for n in notes if n.index % 2 == 0
    ]
    return StemAnalysis("bass", "bass", notes, (), track), edits


def strongest(y: Floats, near_hz: float) -> float:
    """Frequency of the strongest partial within a semitone of `near_hz`."""
    size = 1 << 18
    spectrum = np.abs(np.fft.rfft(y * np.hanning(len(y)), size))
    hz = np.fft.rfftfreq(size, 1 / RATE_HZ)
    band = np.flatnonzero((hz > near_hz * 2 ** (-1 / 12)) & (hz < near_hz * 2 ** (1 / 12)))
    return float(hz[band[np.argmax(spectrum[band])]])


def distance_db(y: Floats, truth: Floats) -> float:
    """Log-spectral distance over 46 ms frames, the lowest 70 dB left out."""

    def levels(x: Floats) -> Floats:
        frames = np.lib.stride_tricks.sliding_window_view(x, 2048)[::512] * np.hanning(2048)
        bands = np.abs(np.fft.rfft(frames, axis=1))[:, :400] ** 2
        return np.asarray(10 * np.log10(bands.reshape(len(bands), -1, 4).sum(axis=2) + 1e-12))

    a, b = levels(y), levels(truth)
    floor = b.max() - 70
    return float(
        np.mean(np.sqrt(np.mean((np.maximum(a, floor) - np.maximum(b, floor)) ** 2, axis=1)))
    )


def judge(y: Floats, truth: Floats, spans: list[tuple[float, float, tuple[float, ...]]]) -> str:
    cents, attack, apart = [], [], []
    for start_s, end_s, tones in spans:
        a, b = int(start_s * RATE_HZ), int(end_s * RATE_HZ)
        inner = slice(a + int(0.05 * RATE_HZ), b - int(0.05 * RATE_HZ))
        for hz in tones:
            cents.append(abs(1200 * np.log2(strongest(y[inner], hz) / strongest(truth[inner], hz))))
        first = slice(a, a + int(0.03 * RATE_HZ))
        attack.append(20 * np.log10(np.std(y[first]) / np.std(truth[first])))
        apart.append(distance_db(y[a:b], truth[a:b]))
    return (
        f"{np.median(cents):8.2f}{np.max(cents):8.1f}{np.mean(apart):8.2f}{np.median(attack):8.2f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shift", type=float, default=-200.0)
    parser.add_argument("--engines", default="psola,stretch,rubberband,world")
    args = parser.parse_args()
    from dataclasses import replace

    print(f"{'what':14s}{'engine':12s}{'cents':>8s}{'worst':>8s}{'lsd':>8s}{'attack':>8s}")
    for engine in args.engines.split(","):
        if engine == "rubberband" and shutil.which("rubberband") is None:
            continue
        stem, edits = bass_stem()
        edits = [replace(e, shift_cents=args.shift) for e in edits]
        spans = [
            (e.start_s, e.end_s, (hz_of(BASS[(e.note or 1) - 1] + args.shift / 100),))
            for e in edits
        ]
        for kind in ("saw", "pluck"):
            audio = Audio(bass(kind, 0).astype(np.float32), RATE_HZ)
            made = render_stem(audio, stem=stem, edits=edits, engine=engine).apply(audio)[:, 0]
            truth = bass(kind, args.shift)
            print(
                f"bass {kind:9s}{engine:12s}" + judge(made.astype(float), truth, spans), flush=True
            )
        if ENGINES[engine].needs_pitch:
            continue
        audio = Audio(chords(0).astype(np.float32), RATE_HZ)
        whole = [Edit("harp", 0.0, len(CHORDS) * 2 * STEP_S, args.shift, "")]
        made = render_stem(audio, stem=StemAnalysis("harp", "backing"), edits=whole, engine=engine)
        struck = [
            (
                i * 2 * STEP_S,
                (i + 1) * 2 * STEP_S,
                tuple(hz_of(m + args.shift / 100) for m in chord),
            )
            for i, chord in enumerate(CHORDS)
        ]
        print(
            f"{'chords':14s}{engine:12s}"
            + judge(made.apply(audio)[:, 0].astype(float), chords(args.shift), struck)
        )


if __name__ == "__main__":
    main()
