"""A soundfont, played by fluidsynth (Debian: fluidsynth), without its own room and chorus."""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import soundfile
from numpy.typing import NDArray

if TYPE_CHECKING:
    from pretty_midi import PrettyMIDI


def play(midi: PrettyMIDI, soundfont: Path, *, rate_hz: int, gain: float) -> NDArray[np.float64]:
    """The sound (n, 2), dry."""
    with tempfile.TemporaryDirectory() as folder:
        source, sound = Path(folder) / "played.mid", Path(folder) / "played.wav"
        midi.write(str(source))
        options = ["-ni", "-q", "-R", "0", "-C", "0", "-g", str(gain), "-r", str(rate_hz)]
        output = ["-T", "wav", "-O", "float", "-F", str(sound)]
        command = ["fluidsynth", *options, *output, str(soundfont), str(source)]
        subprocess.run(command, check=True, capture_output=True)
        samples, _ = soundfile.read(sound, always_2d=True)
    return np.asarray(samples)
