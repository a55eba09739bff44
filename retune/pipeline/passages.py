"""Times as people write them: seconds, bar:beat, or phrases."""

from __future__ import annotations

import re

from retune.carriers.errors import UsageError
from retune.carriers.heard import Analysis, Bars
from retune.carriers.text import cut_short
from retune.song.bartime import bar_time
from retune.song.timetext import HOW, read_place

_PHRASES = re.compile(r"(\d{1,9}|last)(?:\s*-\s*(\d{1,9}|last))?")
Passage = tuple[str | None, str | None, str | None]
"""From, to, phrase, as typed."""
WHOLE: Passage = (None, None, None)
SHORTEST_S = 0.5
PICKUP_S, AFTER_S = 0.35, 0.6
"""How much is kept before and after a phrase, so that it is not cut off."""


def read_time(text: str, bars: Bars) -> float:
    """Seconds of "12.5s", "12.5", "1:12" or "9:1".

    Raises
    ------
    UsageError
        Neither form.
    """
    found = read_place(text)
    if found is None:
        raise UsageError(f'"{text}" is not a time: {HOW}')
    return found if isinstance(found, float) else bar_time(bars, *found)


def find_passage(
    analysis: Analysis, start: str | None, end: str | None, phrases: str | None
) -> tuple[float, float]:
    """The passage that `--from`, `--to` and `--phrase` name, in seconds; the whole song by default.

    Raises
    ------
    UsageError
        It is empty, outside the song, or names phrases that are not there.
    """
    duration_s = analysis.duration_s
    if phrases is not None:
        if start is not None or end is not None:
            raise UsageError("--phrase does not go with --from and --to")
        return _phrase_span(analysis, phrases)
    if start is None and end is None and analysis.passage is not None:
        return analysis.passage
    first = 0.0 if start is None else max(read_time(start, analysis.bars), 0.0)
    last = duration_s if end is None else min(read_time(end, analysis.bars), duration_s)
    if not last - first >= SHORTEST_S:
        raise UsageError(
            f"the passage from {start or 'the start'} to {end or 'the end'} holds less than "
            f"{SHORTEST_S:g} s; the song lasts {duration_s:.1f} s: choose a start and an end in it"
        )
    return first, last


def _phrase_span(analysis: Analysis, text: str) -> tuple[float, float]:
    melody = analysis.melody
    have = melody.phrases if melody else ()
    match = _PHRASES.fullmatch(text.strip())
    if match is None or not have:
        raise UsageError(
            f'"{cut_short(text)}" is not a phrase: the song has phrases 1 to {len(have)}'
        )
    low, high = (
        len(have) if part == "last" else int(part) for part in (match[1], match[2] or match[1])
    )
    if not 1 <= low <= high <= len(have):
        raise UsageError(f'no phrases "{text}": the song has phrases 1 to {len(have)}')
    return (
        max(have[low - 1].start_s - PICKUP_S, 0.0),
        min(have[high - 1].end_s + AFTER_S, analysis.duration_s),
    )
