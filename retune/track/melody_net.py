"""How likely each pitch is the melody's, in each frame of a finished mix: a small network.

The spectra of the middle and the side are laid over themselves at the harmonics of every pitch, so
that what belongs to one pitch stands in one place (after Bittner, McFee, Salamon, Li & Bello 2017,
ISMIR, 63-70). Five layers then look at the neighbourhood of a pitch, in pitch and ever farther in
time: a voice begins, wavers and ends; a chord stands, a string and a room die away. The network
was taught by tests/bench/fit_melody.py on mixes that are made there, dry and in rooms: voices from
formants and of spoken syllables, sung; bands of partials and of a soundfont's notes; no recording
of anyone who sings. Its weights lie beside this file.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from retune.carriers.heard import FloatArray
from retune.sound.netlayers import Floats, Layer, read_weights

WEIGHTS = Path(__file__).with_name("melody_net.npz")
PER_OCTAVE = 36
LOWEST_HZ, N_PITCHES = 55.0, 171
TOP_HZ = 5200.0
HARMONICS = (0.5, 1, 1.5, 2, 3, 4, 5, 6, 8)
SIDE_HARMONICS = (1, 2, 3, 4)
GAIN = 8.0

PITCHES_HZ: FloatArray = LOWEST_HZ * 2.0 ** (np.arange(N_PITCHES) / PER_OCTAVE)
# The spectra's own grid begins an octave lower, for what lies under a pitch.
N_GRID = int(PER_OCTAVE * (1 + np.log2(TOP_HZ / LOWEST_HZ))) + 1
GRID_HZ: FloatArray = LOWEST_HZ / 2 * 2.0 ** (np.arange(N_GRID) / PER_OCTAVE)


@dataclass(frozen=True, eq=False)
class Network:
    """The layers, and how the last one's channels add up to a pitch or to silence."""

    layers: tuple[Layer, ...]
    pitch: tuple[Floats, float]
    silence: tuple[Floats, float]

    @property
    def reach(self) -> int:
        """Frames to each side that one frame's answer depends on."""
        return sum(layer.reach for layer in self.layers)


@cache
def network() -> Network:
    """The taught network."""
    layers, heads = read_weights(WEIGHTS)
    pitch, silence = (
        (heads[f"weight_{name}"], float(heads[f"offset_{name}"])) for name in ("pitch", "silence")
    )
    return Network(layers, pitch, silence)


def log_odds(magnitudes: Floats, *, loud: float) -> Floats:
    """Log probability (n_frames, N_PITCHES + 1) of each pitch, and last that nobody sings, from
    magnitudes (2, n_frames, N_GRID) of the middle and the side whose usual size is `loud`."""
    net = network()
    x = _on_harmonics(np.log1p(magnitudes * np.float32(GAIN / loud)))
    for layer in net.layers:
        x = np.maximum(layer.of(x), 0.0)
    pitch = np.tensordot(net.pitch[0], x, 1) + net.pitch[1]
    pooled = np.concatenate([x.mean(axis=2), x.max(axis=2)])
    silence = net.silence[0] @ pooled + net.silence[1]
    odds = np.concatenate([pitch, silence[:, None]], axis=1)
    odds -= odds.max(axis=1, keepdims=True)
    return np.asarray(odds - np.log(np.sum(np.exp(odds), axis=1, keepdims=True)), dtype=np.float32)


def places(harmonics: tuple[float, ...]) -> list[int]:
    """How far above a pitch's place among the pitches each of its harmonics lies on the grid."""
    return [round(PER_OCTAVE * float(np.log2(2 * h))) for h in harmonics]


def at_harmonics(channel: Floats, harmonics: tuple[float, ...]) -> Floats:
    """(n_harmonics, n_frames, N_PITCHES) of one channel (n_frames, N_GRID)."""
    starts = places(harmonics)
    padded = np.pad(channel, ((0, 0), (0, max(max(starts) + N_PITCHES - N_GRID, 0))))
    return np.stack([padded[:, k : k + N_PITCHES] for k in starts])


def _on_harmonics(x: Floats) -> Floats:
    return np.concatenate([at_harmonics(x[0], HARMONICS), at_harmonics(x[1], SIDE_HARMONICS)])
