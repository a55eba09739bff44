"""What plays a band part: fluidsynth with a General MIDI soundfont, or our own instruments."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from practice import tone
from real_harmony import HAT, KICK, PARTS, Struck
from rooms import RATE_HZ, panned
from scipy.signal import butter, sosfilt
from soundfonts import play

if TYPE_CHECKING:
    from pretty_midi import PrettyMIDI

Floats = NDArray[np.float64]
SOUNDFONT = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")
# General MIDI Level 1 sound set, counted from 0.
PROGRAMS = {"strings": 48, "piano": 0, "guitar": 24, "organ": 19}
BASS_PROGRAM = 33
OUR_TONES = {"strings": "pad", "piano": "piano", "guitar": "guitar", "organ": "organ"}
SIDES = {"left": -0.8, "right": 0.8, "bass": 0.0, "drums": 0.0}
BEND_SEMITONES = 2.0


def has_fluidsynth() -> bool:
    return shutil.which("fluidsynth") is not None and SOUNDFONT.exists()


def midi_of(struck: list[Struck], kind: str, tuning: float) -> PrettyMIDI:
    import pretty_midi

    midi = pretty_midi.PrettyMIDI(resolution=960)
    for part in PARTS:
        program = BASS_PROGRAM if part == "bass" else PROGRAMS[kind]
        player = pretty_midi.Instrument(program, is_drum=part == "drums")
        pan = round(64 + 63 * SIDES[part])
        player.control_changes.append(pretty_midi.ControlChange(10, pan, 0.0))
        if part != "drums":
            bend = round(8192 * tuning / BEND_SEMITONES)
            player.pitch_bends.append(pretty_midi.PitchBend(bend, 0.0))
        player.notes = [
            pretty_midi.Note(s.velocity, s.midi, s.start_s, s.end_s)
            for s in struck
            if s.part == part
        ]
        midi.instruments.append(player)
    return midi


def by_fluidsynth(
    struck: list[Struck], kind: str, n: int, *, tuning: float, rng: np.random.Generator
) -> Floats:
    """The band (n, 2), dry."""
    midi = midi_of(struck, kind, tuning)
    samples = play(midi, SOUNDFONT, rate_hz=RATE_HZ, gain=0.4)
    return np.pad(samples, ((0, max(0, n - len(samples))), (0, 0)))[:n]


def drum(midi: int, n: int, rng: np.random.Generator) -> Floats:
    """One stroke of a kick, a snare or a hi-hat."""
    t = np.arange(n) / RATE_HZ
    if midi == KICK:
        return 2 * np.sin(2 * np.pi * (50 * t + 3 * (1 - np.exp(-t / 0.03)))) * np.exp(-t / 0.08)
    noise = rng.standard_normal(n + 1)
    if midi == HAT:
        return 0.5 * np.diff(noise) * np.exp(-t / 0.015)
    band = butter(2, [300, 5000], "bandpass", fs=RATE_HZ, output="sos")
    return 2 * np.asarray(sosfilt(band, noise[1:])) * np.exp(-t / 0.05)


def by_us(
    struck: list[Struck], kind: str, n: int, *, tuning: float, rng: np.random.Generator
) -> Floats:
    """The band (n, 2), dry."""
    out = np.zeros((n, 2))
    for s in struck:
        first = round(s.start_s * RATE_HZ)
        hold_s = 0.15 if s.part == "drums" else s.end_s - s.start_s
        length = min(round(hold_s * RATE_HZ), n - first)
        if length < 1:
            continue
        f_hz = 440 * 2 ** ((s.midi + tuning - 69 + rng.normal(0, 0.03)) / 12)
        if s.part == "drums":
            sound = drum(s.midi, length, rng)
        elif s.part == "bass":
            sound = 1.4 * tone("guitar", f_hz, length, rng)
        else:
            sound = tone(OUR_TONES[kind], f_hz, length, rng)
        out[first : first + length] += panned(s.velocity / 100 * sound, SIDES[s.part])
    return out


MAKERS: dict[str, Callable[..., Floats]] = {"fluidsynth": by_fluidsynth, "ours": by_us}
