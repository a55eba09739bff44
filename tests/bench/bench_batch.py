"""How fast is a batch? Prints the figures for this machine; ratios, not seconds, travel.

    python tests/bench/bench_batch.py [--minutes 3] [--variants 50]

Makes an invented song of four stereo stems, then: 50 variants on one process and on two, the
time a job costs beyond its work, and the memory of a worker on a long song.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

RATE_HZ = 44_100
SONG = """format = 1
title = "Lantern Song, long"
[stems.vocal]
file = "vocal.wav"
role = "melody"
[stems.bass]
file = "bass.wav"
role = "bass"
[stems.harp]
file = "harp.wav"
role = "backing"
[stems.brushes]
file = "brushes.wav"
role = "unpitched"
[music]
key = "C major"
meter = "3/4"
tempo_bpm = 92.0
first_downbeat_s = 0.0
phrases = "every 4 bars"
"""


def tone(midi: float, seconds: float, rate_hz: int = RATE_HZ) -> np.ndarray:
    t = np.arange(int(seconds * rate_hz)) / rate_hz
    hz = 440 * 2 ** ((midi - 69) / 12)
    body = sum(np.sin(2 * np.pi * k * hz * t) / k for k in range(1, 8))
    return 0.1 * body * np.minimum(1, np.minimum(t, t[::-1]) / 0.03)


def make_song(folder: Path, minutes: float) -> Path:
    """Four stereo stems of an invented scale song."""
    folder.mkdir(parents=True, exist_ok=True)
    beat = 60 / 92
    n_beats = int(minutes * 92)
    scale = [60, 62, 64, 65, 67, 65, 64, 62, 60, 64, 62, 62]
    rng = np.random.default_rng(1)
    lines = {
        "vocal": np.concatenate([tone(scale[k % 12], beat) for k in range(n_beats)]),
        "bass": np.concatenate([tone(36 + 5 * (k % 2), 3 * beat) for k in range(n_beats // 3)]),
        "harp": np.concatenate([tone(48 + 7 * (k % 3), beat) for k in range(n_beats)]),
    }
    length = max(map(len, lines.values()))
    lines["brushes"] = 0.01 * rng.standard_normal(length)
    for name, mono in lines.items():
        padded = np.pad(mono, (0, length - len(mono)))
        soundfile.write(folder / f"{name}.wav", np.stack([padded, padded], 1), RATE_HZ, "PCM_24")
    (folder / "song.toml").write_text(SONG, encoding="utf-8")
    return folder / "song.toml"


def write_variants(path: Path, count: int) -> None:
    """Variants that each move other phrase endings."""
    lines = ["format = 1"]
    for k in range(count):
        degree = 1 + k % 7
        lines.append(
            f'[variants.v{k:02d}]\nrules = ["move phrase-ending note to degree {degree} '
            f'in phrases {1 + k % 5}-{6 + k % 7}"]'
        )
    path.write_text("\n".join(lines), encoding="utf-8")


def run(song: Path, variants: Path, out: Path, *more: str) -> tuple[float, float]:
    """Seconds of a batch as a whole process, and that process's own peak memory in MB."""
    words = ["batch", str(song), "--variants", str(variants), "--out", str(out), "--quiet", *more]
    code = (
        "import resource, sys; from retune.faces.cli import main; code = main(sys.argv[1:]);"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss); sys.exit(code)"
    )
    began = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", code, *words], check=True, capture_output=True, text=True
    )
    return time.perf_counter() - began, int(done.stdout) / 1024


def made_apart(folder: Path, minutes: float) -> Path:
    """`make_song` in a process of its own: a child is charged with the memory that its parent
    held when it was started."""
    maker = multiprocessing.get_context("spawn").Process(target=make_song, args=(folder, minutes))
    maker.start()
    maker.join()
    return folder / "song.toml"


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--minutes", type=float, default=3.0)
    options.add_argument("--variants", type=int, default=50)
    options.add_argument("--long-minutes", type=float, default=10.0)
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        root = Path(scratch)
        os.environ["RETUNE_CACHE"] = str(root / "cache")
        song = made_apart(root / "song", given.minutes)
        few, many = root / "few.toml", root / "many.toml"
        write_variants(few, 1)
        write_variants(many, given.variants)
        run(song, few, root / "warm")  # hears the stems, compiles
        one, _ = run(song, few, root / "one")
        alone, _ = run(song, many, root / "alone")
        both, _ = run(song, many, root / "both", "--jobs", "2")
        work = given.minutes * 60 * given.variants
        print(f"song {given.minutes:g} min, four stereo stems, {given.variants} variants")
        print(f"one process: {work / (alone - one):7.0f} x real time after analysis")
        print(f"two:         {work / (both - one):7.0f} x real time after analysis")
        print(f"two against one: {alone / both:.2f} x")
        long = made_apart(root / "long", given.long_minutes)
        _, peak = run(long, few, root / "longout")
        print(f"one process on {given.long_minutes:g} min: {peak:.0f} MB at most")


if __name__ == "__main__":
    main()
