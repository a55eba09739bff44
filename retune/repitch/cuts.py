"""Where a whole span is cut out: at the quietest place near the times that were given."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from retune.carriers.changes import Edit
from retune.carriers.heard import AudioLike, Samples

QUIET_S = 0.01
DISTANCE_DB = 6.0


def quiet_point(samples: Samples, *, rate_hz: int) -> float:
    """Seconds from the first sample to the middle of the quietest 10 ms, the nearest to the
    middle of the stretch among equals."""
    width = max(int(QUIET_S * rate_hz), 1)
    if len(samples) <= width:
        return len(samples) / 2 / rate_hz
    power = np.sum(np.asarray(samples, np.float64) ** 2, axis=1)
    total = np.concatenate([[0.0], np.cumsum(power)])
    level = 10 * np.log10((total[width:] - total[:-width]) / width + 1e-12)
    away = np.abs(np.arange(len(level)) - (len(level) - 1) / 2) / len(level)
    return (int(np.argmin(level + DISTANCE_DB * away)) + width / 2) / rate_hz


def _cut(audio: AudioLike, at_s: float, reach_s: float) -> float:
    """The quietest place within `reach_s` of a time; near the ends of the file the time itself."""
    rate = audio.rate_hz
    first, last = round((at_s - reach_s) * rate), round((at_s + reach_s) * rate)
    if first <= 0 or last >= audio.n_samples or last <= first:
        return at_s
    return first / rate + quiet_point(audio.read(first, last), rate_hz=rate)


def cut_times(
    edits: Sequence[Edit], *, audio: AudioLike, reach_s: float
) -> list[tuple[float, float]]:
    """Start and end of each edit in seconds, moved by at most `reach_s` to where it is quiet;
    neighbours that nearly touch share one cut."""
    times = [[_cut(audio, e.start_s, reach_s), _cut(audio, e.end_s, reach_s)] for e in edits]
    for i in range(1, len(edits)):
        gap = edits[i].start_s - edits[i - 1].end_s
        if gap < 2 * reach_s:
            middle = edits[i - 1].end_s + gap / 2
            times[i - 1][1] = times[i][0] = _cut(audio, middle, reach_s - gap / 2)
    return [(start, max(end, start)) for start, end in times]
