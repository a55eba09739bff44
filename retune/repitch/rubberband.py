"""Engine `rubberband`: the Rubber Band program, called through pyrubberband.

Its finer engine (R3) with formants kept. pyrubberband hands the sound over in 16-bit files, in
which a quiet passage would keep few levels, and the program lowers or clamps what passes full
scale: each passage goes in with the same peak, well below full scale. The program acts on a
change of pitch too early: the map of the offsets is set back by its delay.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from retune.carriers.errors import EngineError
from retune.carriers.heard import Samples
from retune.repitch.seam import FRAME_S, Passage

PROGRAM = "rubberband"
PEAK = 0.5
MAP_STEP_S = 0.005
EARLY_S = 0.0875  # measured: R3 acts 85 to 90 ms before the time in the map
# pyrubberband gives back what it was given at 0 semitones; a map alone moves the pitch then.
NEARLY_NONE = 1e-9


def _pitch_map(passage: Passage, path: Path) -> None:
    """Lines of "sample semitones", a step every 5 ms, set back by what the program is early."""
    step = round(MAP_STEP_S / FRAME_S)
    lines = [f"0 {passage.offset_cents[0] / 100:.6f}"]
    for i in range(0, len(passage.offset_cents), step):
        sample = round((i * FRAME_S + EARLY_S) * passage.rate_hz)
        lines.append(f"{sample} {passage.offset_cents[i] / 100:.6f}")
    path.write_text("\n".join(lines) + "\n", encoding="ascii")


def _move_formants(passage: Passage) -> bool:
    """Whether the formants of a passage move; the program cannot move those of some notes only."""
    if passage.formant_cents is None:
        return False
    apart = np.abs(passage.formant_cents - passage.offset_cents)
    shift = np.abs(passage.offset_cents)
    if np.any((apart > 0.5 * shift) & (shift > 0.5 * shift.max())):
        raise EngineError(
            "the program rubberband moves the formants of all notes of a passage or of none, and "
            "here notes that touch differ in it; use --engine auto, or the same for both"
        )
    return True


class RubberBand:
    """The engine that hands the span to the Rubber Band program."""

    name = "rubberband"
    about = "the Rubber Band program (R3, formants kept); needs the program"
    context_s = 0.35
    exact = False
    follows = True
    needs_pitch = False
    judge = None

    def round_trips(self, cents: float) -> int:
        return 1

    def shift(self, passage: Passage) -> Samples:
        if shutil.which(PROGRAM) is None:
            raise EngineError(
                f'engine "rubberband" needs the program {PROGRAM}, which is not installed '
                "(Debian: apt install rubberband-cli; macOS: brew install rubberband), "
                "or use --engine auto"
            )
        options = {"-3": ""} if _move_formants(passage) else {"-3": "", "-F": ""}
        x = np.asarray(passage.samples, dtype=np.float64)
        peak = float(np.abs(x).max(initial=0.0))
        if peak == 0.0:
            return np.array(passage.samples)
        gain = PEAK / peak
        handle, name = tempfile.mkstemp(suffix=".txt")
        os.close(handle)
        try:
            if passage.steady:
                semitones = passage.main_offset / 100
            else:
                _pitch_map(passage, Path(name))
                options["--pitchmap"] = name
                semitones = 0.0
            out = self._run(gain * x, passage.rate_hz, semitones, options)
        finally:
            os.unlink(name)
        out = out.reshape(len(out), -1) / gain
        n = len(passage.samples)
        return np.ascontiguousarray(
            np.pad(out, ((0, max(n - len(out), 0)), (0, 0)))[:n], dtype=np.float32
        )

    def _run(self, y: Any, rate: int, semitones: float, options: dict[str, str]) -> Any:
        from pyrubberband import pitch_shift

        try:
            return pitch_shift(y, rate, semitones or NEARLY_NONE, rbargs=dict(options))
        except (RuntimeError, subprocess.CalledProcessError) as error:
            raise EngineError(f"the program {PROGRAM} failed on this passage: {error}") from error


ENGINE = RubberBand()
