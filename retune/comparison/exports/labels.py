"""Label files: chords and beats as plain text, a line each: start, end, label.

The form is that of MIREX chord and beat annotations (tabs between fields; from memory). The first
line is a comment, as mir_eval and jams pass it over (`#`): it tells such a file from one by hand.
"""

from __future__ import annotations

from retune import __version__
from retune.carriers.heard import Analysis
from retune.song.bartime import seconds_at

_HEAD = f"# retune {__version__}\n"


def chords_lab(analysis: Analysis) -> str:
    """Chords in Harte syntax, gaps filled with "N" so that the whole song is covered."""
    lines, at = [_HEAD], 0.0
    for chord in analysis.chords:
        if chord.start_s > at + 1e-6:
            lines.append(_line(at, chord.start_s, "N"))
        lines.append(_line(chord.start_s, chord.end_s, chord.label))
        at = chord.end_s
    if analysis.duration_s > at + 1e-6:
        lines.append(_line(at, analysis.duration_s, "N"))
    return "".join(lines)


def beats_lab(analysis: Analysis) -> str:
    """A line a beat: its time, and its number in the bar (1 is the downbeat)."""
    return _HEAD + "".join(f"{time_s:.6f}\t{number}\n" for time_s, number in beat_times(analysis))


def beat_times(analysis: Analysis) -> list[tuple[float, int]]:
    """Time and number in the bar of every beat of the known bars, the closing downbeat too."""
    bars = analysis.bars
    if not bars.downbeats_s:
        return []
    beats = [
        (seconds_at(first + beat, bars), beat + 1)
        for bar, first in enumerate(bars.first_beats[:-1], 1)
        for beat in range(bars.beats_in(bar))
    ]
    return [*beats, (bars.downbeats_s[-1], 1)]


def _line(start_s: float, end_s: float, label: str) -> str:
    return f"{start_s:.6f}\t{end_s:.6f}\t{label}\n"
