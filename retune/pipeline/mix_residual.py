"""A finished mix beside stems separated from it: do they add up to it?

The mix is what is heard; stems beside it give only their changes to it, so that what they leave
over is not lost.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from retune.carriers.units import db_to_gain
from retune.pipeline.inputs import SongInputs
from retune.pipeline.stages import Stage

# What stems leave over is told of as a warning above this.
TOLD_ABOVE_DB = -30.0
SILENT_DB = -120.0
BLOCK = 1 << 18


@dataclass(frozen=True)
class Residual:
    """What stems leave over of a mix, in dB re the mix."""

    left_db: float


RESIDUAL = Stage("residual", Residual, libraries=("numpy", "soundfile"))


def is_summed(opened: SongInputs, name: str) -> bool:
    """Whether a stem sounds in the mix of the song as it is; beside a finished mix only what
    changes in it does."""
    mix = opened.mix
    return mix is None or name == mix.name


def residual_db(opened: SongInputs) -> float | None:
    """What the stems leave over of the mix beside them, in dB re the mix; None without both."""
    mix = opened.mix
    parts = [stem for stem in opened.song.stems.values() if mix is not None and stem is not mix]
    if mix is None or not parts:
        return None
    reads = {
        "mix": opened.content(mix.name),
        "stems": [[opened.content(stem.name), stem.gain_db - mix.gain_db] for stem in parts],
    }
    gains = [(stem.name, stem.gain_db - mix.gain_db) for stem in parts]
    left = opened.recall(RESIDUAL, reads, lambda: Residual(_residual_db(opened, mix.name, gains)))
    return left.left_db


def _residual_db(opened: SongInputs, mix: str, parts: list[tuple[str, float]]) -> float:
    whole = opened.audio[mix]
    left = total = 0.0
    for start in range(0, opened.n_samples, BLOCK):
        n = min(BLOCK, opened.n_samples - start)
        here = np.zeros((n, max(audio.n_channels for audio in opened.audio.values())))
        given = whole.read(start, start + n)
        here[: len(given)] += given
        total += float(np.sum(here**2))
        for name, gain_db in parts:
            piece = opened.audio[name].read(start, start + n)
            here[: len(piece)] -= float(db_to_gain(gain_db)) * piece.astype(np.float64)
        left += float(np.sum(here**2))
    if total <= 0 or left <= 0:
        return SILENT_DB
    return max(10 * math.log10(left / total), SILENT_DB)


def residual_words(opened: SongInputs) -> tuple[str, ...]:
    """A warning where the stems leave much of the mix over; () otherwise."""
    left_db = residual_db(opened)
    if left_db is None or left_db <= TOLD_ABOVE_DB:
        return ()
    return (
        f"the stems do not add up to the mix: {left_db:.0f} dB of it (re the mix) are left over "
        "and stay as they are, old notes in them too; check that all stems start together, at one "
        "level (gain_db), and that none is missing",
    )
