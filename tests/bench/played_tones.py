"""Tones of real instruments to teach on: the notes of a General MIDI soundfont.

Needs fluidsynth and the soundfont named in SOUNDFONT (Debian: fluidsynth, timgm6mb-soundfont),
another than `real_bands` plays from, so that what is taught here can be measured there.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import resample_poly
from soundfonts import play

Floats = NDArray[np.float64]
RATE_HZ = 22050
SOUNDFONT = Path("/usr/share/sounds/sf2/TimGM6mb.sf2")
# General MIDI Level 1 sound set, counted from 0.
PROGRAMS = (0, 1, 2, 4, 5, 6, 7, 11, 12, 16, 17, 18, 19, 21, 22, 24, 25, 26, 27, 28, 32, 33, 34, 36,
            40, 41, 42, 45, 46, 48, 49, 50, 56, 57, 60, 61, 65, 66, 68, 70, 71, 73, 75, 88, 89, 90,
            92, 94, 95)  # fmt: skip
DRUMS = {"kick": (35, 36), "snare": (38, 40), "hat": (42, 44), "open": (46, 51), "tom": (45, 48)}
LOWEST, STEP, COUNT = 28, 3, 21
HELD_S, APART_S = 3.2, 4.0


def _rendered(program: int, struck: list[tuple[int, float, float]], *, drums: bool) -> Floats:
    import pretty_midi

    midi = pretty_midi.PrettyMIDI(resolution=960)
    player = pretty_midi.Instrument(program, is_drum=drums)
    player.notes = [pretty_midi.Note(95, note, a, b) for note, a, b in struck]
    midi.instruments.append(player)
    return np.asarray(play(midi, SOUNDFONT, rate_hz=RATE_HZ, gain=0.5).mean(axis=1))


@cache
def notes_of(program: int) -> NDArray[np.float32]:
    """(COUNT, n) of one instrument, a note every STEP semitones."""
    struck = [(LOWEST + STEP * k, k * APART_S, k * APART_S + HELD_S) for k in range(COUNT)]
    y, n = _rendered(program, struck, drums=False), int(APART_S * RATE_HZ)
    y = np.pad(y, (0, max(0, COUNT * n - len(y))))[: COUNT * n].reshape(COUNT, n)
    usual = np.sqrt(np.mean(y[:, : RATE_HZ // 2] ** 2))
    return (y[:, : int(HELD_S * RATE_HZ)] / (usual + 1e-9)).astype(np.float32)


@cache
def drum_of(midi: int) -> NDArray[np.float32]:
    y = _rendered(0, [(midi, 0.0, 0.5)], drums=True)[: int(0.6 * RATE_HZ)]
    return (y / (np.abs(y).max() + 1e-9)).astype(np.float32)


def note(program: int, midi: float, length_s: float, release_s: float) -> Floats:
    """One tone; what lies between two notes of the soundfont is moved by resampling."""
    k = int(np.clip(round((midi - LOWEST) / STEP), 0, COUNT - 1))
    ratio = 2 ** ((midi - LOWEST - STEP * k) / 12)
    n = min(int(length_s * RATE_HZ), int(HELD_S * RATE_HZ / max(ratio, 1)) - 1)
    y = resample_poly(notes_of(program)[k].astype(np.float64), 1000, round(1000 * ratio))[:n]
    fade = max(int(release_s * RATE_HZ), 8)
    return np.asarray(y * np.minimum((len(y) - np.arange(len(y))) / fade, 1))
