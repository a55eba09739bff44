"""Bass, harp and brushes, played by fluidsynth from the Fluid R3 soundfont.

Needs Debian's ``fluidsynth`` and ``fluid-soundfont-gm`` and the wheel mido.
"""

from __future__ import annotations

import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import mido
import numpy as np
import soundfile
from lantern_band import TimedNote, bass_notes, brush_notes, harp_notes
from lantern_score import DURATION_S, chord_spans, harp_part, seconds
from numpy.typing import NDArray

RATE_HZ = 44100
SOUNDFONT = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")
ACOUSTIC_BASS, HARP, BRUSH_KIT = 32, 46, 40  # General MIDI programs, counted from 0
_TICKS_PER_S = 1920  # 960 a beat at the 120 bpm that a MIDI file starts with
_DAMP_S = 0.06


def _write_midi(path: Path, notes: Sequence[TimedNote], *, program: int, channel: int) -> None:
    events = [
        (round(time_s * _TICKS_PER_S), kind, note.midi, velocity)
        for note in notes
        for time_s, kind, velocity in (
            (note.start_s, "note_on", note.velocity),
            (note.end_s, "note_off", 0),
        )
    ]
    track = mido.MidiTrack([mido.Message("program_change", channel=channel, program=program)])
    now = 0
    for tick, kind, midi, velocity in sorted(events, key=lambda e: (e[0], e[1])):
        track.append(
            mido.Message(kind, channel=channel, note=midi, velocity=velocity, time=tick - now)
        )
        now = tick
    end = round(DURATION_S * _TICKS_PER_S)
    track.append(mido.MetaMessage("end_of_track", time=max(0, end - now)))
    mido.MidiFile(ticks_per_beat=960, tracks=[track]).save(path)


def render(notes: Sequence[TimedNote], *, program: int, channel: int = 0) -> NDArray[np.float64]:
    """Play notes through the soundfont, dry; (n_samples, 2) of exactly DURATION_S."""
    with tempfile.TemporaryDirectory() as folder:
        midi, wav = Path(folder) / "part.mid", Path(folder) / "part.wav"
        _write_midi(midi, notes, program=program, channel=channel)
        options = ["-ni", "-q", "-R", "0", "-C", "0", "-g", "0.5", "-r", str(RATE_HZ)]
        output = ["-T", "wav", "-O", "float", "-F", str(wav)]
        command = ["fluidsynth", *options, *output, str(SOUNDFONT), str(midi)]
        subprocess.run(command, check=True, capture_output=True)
        samples, _ = soundfile.read(wav, always_2d=True)
    n_samples = round(DURATION_S * RATE_HZ)
    padded = np.pad(samples, ((0, max(0, n_samples - len(samples))), (0, 0)))[:n_samples]
    fade = np.clip((n_samples - np.arange(n_samples)) / (0.4 * RATE_HZ), 0, 1)
    return np.asarray(padded * fade[:, None])


def play_bass(seed: int) -> NDArray[np.float64]:
    """The bass stem, mono (n_samples, 1)."""
    return np.asarray(render(bass_notes(seed), program=ACOUSTIC_BASS).mean(axis=1, keepdims=True))


def play_harp(seed: int) -> NDArray[np.float64]:
    """The harp stem: each chord played by itself and damped where the next begins."""
    played, written = harp_notes(seed), harp_part()
    total = np.zeros((round(DURATION_S * RATE_HZ), 2))
    time_s = np.arange(len(total)) / RATE_HZ
    spans = chord_spans()
    for parity in (0, 1):  # neighbouring chords are played apart, so that each can be damped
        gate = np.zeros(len(total))
        chosen: list[TimedNote] = []
        for span in spans[parity::2]:
            held = span.end_beats + (2 if span is spans[-1] else 0)
            start_s, end_s = seconds(span.start_beats) - 0.03, seconds(held)
            gate += np.clip((time_s - start_s) / 0.001, 0, 1) * np.clip(
                (end_s - time_s) / _DAMP_S, 0, 1
            )
            chosen += [
                replace(note, end_s=end_s)
                for note, score in zip(played, written, strict=True)
                if span.start_beats <= score.start_beats < span.end_beats
            ]
        total += render(chosen, program=HARP) * gate[:, None]
    return total


def play_brushes(seed: int) -> NDArray[np.float64]:
    """The brush stem, stereo."""
    return render(brush_notes(seed), program=BRUSH_KIT, channel=9)
