"""The whole recording at a glance: how loud, where somebody sings, its sections."""

from __future__ import annotations

from typing import Any

import numpy as np

from retune.faces.web.desk import Desk
from retune.pipeline.facts import number
from retune.pipeline.inputs import SongInputs
from retune.pipeline.stages import Stage

COLUMNS = 240
FLOOR_DB = -60.0
_BLOCK_S = 5.0
LOUDNESS = Stage("loudness of a whole recording", np.ndarray, on_disk=False)


def overview(desk: Desk) -> dict[str, Any]:
    """Loudness in `COLUMNS` even parts of all that sounds (dB below the loudest part), spans in
    which somebody is known to sing, sections; of the whole file, whatever part is worked on."""
    opened, analysis = desk.opened, desk.analysis
    duration_s = max(audio.entire.duration_s for audio in opened.audio.values())
    reads = {name: opened.sha256(name) for name in opened.audio}
    level_db = opened.recall(LOUDNESS, reads, lambda: _level_db(opened, duration_s))
    melody = analysis.melody
    sung = melody.sung if melody is not None and melody.sung is not None else ()
    return {
        "duration_s": number(duration_s),
        "level_db": [number(float(db), 1) for db in np.maximum(level_db, FLOOR_DB)],
        "sung": [[number(start_s), number(end_s)] for start_s, end_s in sung],
        "sections": [
            {"start_s": number(s.start_s), "end_s": number(s.end_s), "name": s.name}
            for s in analysis.sections
        ],
        "passage": None if opened.passage is None else [number(t) for t in opened.passage],
    }


def _level_db(opened: SongInputs, duration_s: float) -> np.ndarray[Any, np.dtype[np.float64]]:
    """How far each column lies below the loudest one."""
    power = np.zeros(COLUMNS)
    for audio in opened.audio.values():
        power += _power(audio.entire, duration_s)
    return 10 * np.log10(np.maximum(power, 1e-12) / max(float(power.max()), 1e-12))


def _power(audio: Any, duration_s: float) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Mean power in each column, read a few seconds at a time."""
    total, count = np.zeros(COLUMNS), np.zeros(COLUMNS)
    step, per_column = round(_BLOCK_S * audio.rate_hz), duration_s * audio.rate_hz / COLUMNS
    for first in range(0, audio.n_samples, step):
        block = audio.read(first, min(first + step, audio.n_samples)).astype(np.float64)
        column = np.minimum(((first + np.arange(len(block))) / per_column).astype(int), COLUMNS - 1)
        total += np.bincount(column, (block**2).mean(axis=1), minlength=COLUMNS)
        count += np.bincount(column, minlength=COLUMNS)
    return np.asarray(total / np.maximum(count, 1))
