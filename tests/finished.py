"""The demo song as a finished mix in a folder of its own, without its stems."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from retune import pipeline

STEMS = ("vocal", "bass", "harp", "brushes")
VARIANTS = """
[variants.home]
rules = ["move phrase-ending degree 2 to degree 1"]
"""


def rows(name: str) -> list[dict[str, str]]:
    """A table of the demo's truth."""
    with open(pipeline.demo_folder() / name, encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def sung() -> list[tuple[int, float, float]]:
    """MIDI number, start and end of every note of the demo."""
    table = rows("truth_notes.csv")
    return [(int(r["midi"]), float(r["vowel_on_s"]), float(r["end_s"])) for r in table]


def mixed() -> tuple[NDArray[np.float64], int, float]:
    """The stems summed, the rate, and the gain that was put on the sum."""
    parts = [soundfile.read(pipeline.demo_folder() / f"{n}.flac", always_2d=True) for n in STEMS]
    mix = sum(np.broadcast_to(y, (len(y), 2)) for y, _ in parts)
    gain = 0.9 / float(np.abs(mix).max())
    return gain * np.asarray(mix), parts[0][1], gain


def music() -> str:
    """[music] of the demo's song file."""
    text = (pipeline.demo_folder() / "song.toml").read_text(encoding="utf-8")
    return text[text.index("[music]") : text.index("[variants.")]


def write_song(
    folder: Path, *, guide: str = "", variants: str = VARIANTS, more: str = "", name: str = "song"
) -> Path:
    """A song file of the mix; the mix and the guide are expected beside it."""
    path = folder / f"{name}.toml"
    line = f'guide = "{guide}"\n' if guide else ""
    path.write_text(
        f'format = 1\n[stems.all]\nfile = "mix.wav"\nrole = "mix"\n{music()}{line}{variants}{more}',
        encoding="utf-8",
    )
    return path


def write_mix(folder: Path) -> None:
    """`mix.wav`, and `melody.csv` with times to a twentieth of a second."""
    mix, rate_hz, _ = mixed()
    soundfile.write(folder / "mix.wav", mix, rate_hz, "PCM_24")
    names = [row["name"] for row in rows("truth_notes.csv")]
    lines = [
        f"{round(20 * a) / 20},{round(20 * b) / 20},{name}"
        for (_, a, b), name in zip(sung(), names, strict=True)
    ]
    (folder / "melody.csv").write_text("\n".join(lines), encoding="utf-8")


def hum(
    notes: list[tuple[int, float, float]], *, rate_hz: int, semitones: float, late_s: float
) -> NDArray[np.float64]:
    """Notes hummed 5 % slower, `late_s` late, each up to 30 cents out of tune."""
    out = np.random.default_rng(1).uniform(-0.3, 0.3, len(notes))
    spans = [(1.05 * a + late_s, 1.05 * b + late_s) for _, a, b in notes]
    time_s = np.arange(int((spans[-1][1] + 1) * rate_hz)) / rate_hz
    midi, level = np.full(len(time_s), float(notes[0][0])), np.zeros(len(time_s))
    for (pitch, _, _), off, (a, b) in zip(notes, out, spans, strict=True):
        turn = 0.5 - 0.5 * np.cos(np.pi * np.clip((time_s - a + 0.03) / 0.06, 0, 1))
        midi += (pitch + semitones + off - midi) * turn
        level = np.maximum(
            level, np.clip(np.minimum((time_s - a) / 0.04, (b - time_s) / 0.06), 0, 1)
        )
    midi += 0.25 * np.sin(2 * np.pi * 5.3 * time_s)
    phase = 2 * np.pi * np.cumsum(440 * 2 ** ((midi - 69) / 12)) / rate_hz
    tone = sum(np.cos(h * phase) / h**1.5 for h in range(1, 9))
    return np.asarray(0.2 * level * tone)
