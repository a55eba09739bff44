"""Where notes begin, end and are struck again, read from the levels of the stem.

People put the beginning of a sung note at its vowel: after a voiced consonant, at the end of a
scoop. The decoder's boundaries are moved there. A pitch sung again shows as a dip in level (most
of all in the vowel band), which counts when it is deeper than this stem's own wavering.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from retune.analysis.contour import Contour
from retune.analysis.sonority import Levels
from retune.carriers.heard import FloatArray
from retune.carriers.units import midi_to_hz


@dataclass(frozen=True)
class EdgeSettings:
    """Times in s, levels in dB. Chosen on invented voices and on the look of real ones."""

    shortest_s: float = 0.07
    dip_db: float = 5.0
    dip_in_vibrato_db: float = 7.0
    dip_over_others: float = 2.2
    dip_over_wavering: float = 5.0
    deep_db: float = 10.0
    rise_s: float = 0.10
    fall_s: float = 0.40
    onset_below_db: float = 10.0
    onset_latest_s: float = 0.12
    onset_earliest_s: float = 0.03
    onset_near: float = 0.7
    opening_s: float = 0.03
    opening_db: float = 5.0
    opening_earliest_s: float = 0.12
    opening_latest_s: float = 0.18
    opening_spread_s: float = 0.10
    opening_late_s: float = 0.01
    offset_below_db: float = 15.0
    scoop_share: float = 0.5
    glide_s: float = 0.14
    settled_within: float = 0.35
    settled_share: float = 0.55
    weak_db: float = 6.0
    weak_s: float = 0.115
    scoop: float = 2.2
    consonant_s: float = 0.16
    bend: float = 0.3
    stands_cents: float = 10.0
    strike_db: float = 1.3
    strike_s: float = 0.03
    strike_around_s: float = 0.1
    strike_share: float = 0.8


@dataclass(frozen=True)
class Span:
    """A stretch of one pitch: seconds, and MIDI number at A4 = 440. `joined` when the note
    before runs into it without a break, `struck` when a dip in level starts it."""

    start_s: float
    end_s: float
    midi: float
    joined: bool = False
    struck: bool = False


def wavering_db(level: FloatArray) -> float:
    """How much a level wavers by itself: the median of its changes over 50 ms."""
    return float(np.median(np.abs(level[10:] - level[:-10]))) if len(level) >= 24 else 0.0


def dips(level: FloatArray, *, step_s: float, settings: EdgeSettings) -> list[tuple[int, float]]:
    """Lowest points of dips after which a level rises again at once: (index, depth in dB).

    A dip falls below the highest level of the `fall_s` before and rises again within `rise_s`, by
    `dip_db` at least and by a multiple of what the other dips of the same note do: vibrato and a
    room make many small ones.
    """
    from scipy.ndimage import minimum_filter1d

    apart = round(settings.shortest_s / step_s)
    rise, fall = round(settings.rise_s / step_s), round(settings.fall_s / step_s)
    wavering = min(settings.dip_over_wavering * wavering_db(level), settings.deep_db)
    least = max(settings.dip_db, wavering)
    lowest = np.flatnonzero(level <= minimum_filter1d(level, 2 * (apart // 2) + 1))
    depths: dict[int, float] = {}
    for i in lowest[(lowest >= apart) & (lowest < len(level) - apart // 2)]:
        before = level[max(0, i - fall) : i].max()
        after = level[i + 1 : i + 1 + rise].max()
        depths[int(i)] = float(min(before, after) - level[i])
    found: list[tuple[int, float]] = []
    for i, depth in depths.items():
        if depth < least:
            continue
        others = [d for k, d in depths.items() if k != i]
        usual = float(np.median(others)) if len(others) >= 2 else 0.0
        enough = max(least, min(settings.dip_over_others * usual, settings.deep_db))
        if depth >= enough and (not found or i - found[-1][0] >= apart):
            found.append((i, depth))
    return found


def stands_still(spans: Sequence[Span], contour: Contour, *, settings: EdgeSettings) -> bool:
    """Whether the pitch within notes stands as that of strings and keys does. The middle half of a
    note covers .1 to 3 cents on the demo's bass; of real low voices 7 to 87, 30 in most."""
    covered = []
    for span in spans:
        pitch = contour.flat[contour.frame(span.start_s) : contour.frame(span.end_s)]
        edge = len(pitch) // 5
        pitch = pitch[edge : len(pitch) - edge]
        pitch = pitch[np.isfinite(pitch)]
        if len(pitch) > 5:
            low, high = np.percentile(pitch, [25, 75])
            covered.append(100 * (high - low))
    return not covered or float(np.median(covered)) < settings.stands_cents


def strikes(
    whole: FloatArray,
    upper: FloatArray,
    *,
    period_s: float,
    step_s: float,
    settings: EdgeSettings,
) -> list[int]:
    """Where a plucked string is struck again: a string left alone only dies away, so that a small
    step up of the whole band counts, if the upper band, in which the lowest harmonics do not
    beat, goes up too. Most of the rise from `strike_around_s` before to as long after lies within
    `strike_s`, unlike that of tremolo."""
    from scipy.ndimage import maximum_filter1d, minimum_filter1d, uniform_filter1d

    period = max(1, round(period_s / step_s))  # within which the level of a low note ripples
    half = max(1, round((settings.strike_s + period_s) / step_s / 2))
    around = round(settings.strike_around_s / step_s)
    apart = round(settings.shortest_s / step_s)
    if len(whole) <= 2 * (around + half):
        return []
    whole, upper = (uniform_filter1d(level, period) for level in (whole, upper))
    rises = np.zeros((2, len(whole)))
    for rise, level in zip(rises, (whole, upper), strict=True):
        rise[half:-half] = level[2 * half :] - level[: -2 * half]
    lowest = np.roll(minimum_filter1d(whole, around + 1), around // 2)
    highest = np.roll(maximum_filter1d(whole, around + 1), -(around // 2))
    is_step = (rises[0] >= settings.strike_db) & (rises[1] >= settings.strike_db / 2)
    is_step &= rises[0] >= settings.strike_share * (highest - lowest)
    is_step &= rises[0] >= maximum_filter1d(rises[0], 2 * apart + 1)
    found = np.flatnonzero(is_step)
    return [int(i) for i in found[(found >= apart) & (found < len(whole) - apart)]]


def split_struck(
    span: Span,
    contour: Contour,
    levels: Levels,
    *,
    settings: EdgeSettings,
    upper_db: FloatArray | None = None,
) -> list[Span]:
    """Cut a span where its pitch is struck again. Within vibrato, whose level swings along, only
    a deep dip counts; of a bass, with the level of its upper band, a small step up too."""
    a, b = levels.index(span.start_s), levels.index(span.end_s)
    if b - a < 2 * settings.shortest_s / levels.step_s:
        return [span]
    found = dips(levels.vowel_db[a:b], step_s=levels.step_s, settings=settings)
    for i, depth in dips(levels.full_db[a:b], step_s=levels.step_s, settings=settings):
        if all(abs(i - k) * levels.step_s >= settings.shortest_s for k, _ in found):
            found.append((i, depth))
    if upper_db is not None:
        whole, upper = levels.full_db[a:b], upper_db[a:b]
        period_s = 1 / float(midi_to_hz(span.midi))
        for i in strikes(whole, upper, period_s=period_s, step_s=levels.step_s, settings=settings):
            if all(abs(i - k) * levels.step_s >= settings.shortest_s for k, _ in found):
                found.append((i, settings.strike_db))
    found.sort()
    cuts = [
        (a + i) * levels.step_s
        for i, depth in found
        if depth >= settings.dip_in_vibrato_db
        or not contour.swing[contour.frame((a + i) * levels.step_s)]
    ]
    times = [span.start_s, *cuts, span.end_s]
    return [
        Span(t0, t1, span.midi, span.joined if k == 0 else True, k > 0)
        for k, (t0, t1) in enumerate(pairwise(times))
    ]


def place_onset(
    span: Span, contour: Contour, levels: Levels, *, earliest_s: float, settings: EdgeSettings
) -> float:
    """When the note begins for a listener: pitch arrived and vowel open, in seconds."""
    step = levels.step_s
    length = span.end_s - span.start_s
    latest = span.start_s + min(settings.onset_latest_s, 0.4 * length)
    first = levels.index(max(earliest_s, span.start_s - settings.onset_earliest_s))
    last = levels.index(latest)
    body = levels.vowel_db[last : levels.index(span.start_s + min(length, 0.35)) + 1]
    if last <= first or not len(body):
        return span.start_s
    wanted = float(np.percentile(body, 70)) - settings.onset_below_db
    stretch = levels.vowel_db[first : last + 1]
    low = np.flatnonzero(stretch < wanted)
    loud_from = (first + int(low[-1]) + 1) * step if len(low) else span.start_s
    arrived = _arrival(span, contour, latest, settings=settings)
    # Between the opening of the vowel and the end of the scoop: people differ.
    scooped = settings.scoop_share * max(0.0, arrived - loud_from)
    return float(np.clip(loud_from + scooped, earliest_s, latest))


def opening(
    span: Span, levels: Levels, *, earliest_s: float, settings: EdgeSettings
) -> tuple[float, float]:
    """Where a vowel opens about the start of a note, and by how many dB: the steepest rise of the
    vowel band within `opening_s`, the nearer to the start the rather. A voiced consonant or a
    slide into the note hardly dips, so that no threshold finds its end, but the vowel after it
    still rises faster than all around."""
    half = max(1, round(settings.opening_s / levels.step_s / 2))
    length = span.end_s - span.start_s
    first = levels.index(max(earliest_s, span.start_s - settings.opening_earliest_s))
    last = levels.index(span.start_s + min(settings.opening_latest_s, 0.5 * length))
    at = np.arange(max(first, half), min(last, len(levels.vowel_db) - half - 1) + 1)
    if not len(at):
        return span.start_s, 0.0
    rise = levels.vowel_db[at + half] - levels.vowel_db[at - half]
    away_s = at * levels.step_s - span.start_s
    best = int(np.argmax(rise * np.exp(-0.5 * (away_s / settings.opening_spread_s) ** 2)))
    return float(at[best] * levels.step_s + settings.opening_late_s), float(rise[best])


def _arrival(span: Span, contour: Contour, latest: float, *, settings: EdgeSettings) -> float:
    """The first moment from which the pitch stays near the note's, looking from the end back."""
    a, b = contour.frame(span.start_s), contour.frame(latest)
    line = contour.flat[a : b + 1]
    away = np.flatnonzero(~(np.abs(line - span.midi) <= settings.onset_near))
    if not len(away):
        return span.start_s
    return min(contour.time(a + int(away[-1]) + 0.5), latest)


def fall_before(before: Span, start_s: float, levels: Levels, *, settings: EdgeSettings) -> float:
    """When a note ends that runs into another at `start_s`: where a voiced consonant between
    them closes the vowel, else at `start_s` itself."""
    first_s = max(before.start_s + settings.shortest_s, start_s - settings.consonant_s)
    a, b = levels.index(first_s), levels.index(start_s)
    body = levels.vowel_db[levels.index(before.start_s) : a + 1]
    if b - a < 4 or not len(body):
        return start_s
    open_db = float(np.percentile(body, 70)) - settings.dip_db
    stretch = levels.vowel_db[a : b + 1]
    lowest = int(np.argmin(stretch))
    sounding = np.flatnonzero(stretch[: lowest + 1] >= open_db)
    if stretch[lowest] > open_db or not len(sounding):
        return start_s
    return (a + int(sounding[-1]) + 1) * levels.step_s


def place_offset(span: Span, contour: Contour, levels: Levels, *, settings: EdgeSettings) -> float:
    """When the note ends: voicing over, or its level far below its body; seconds."""
    a, b = levels.index(span.start_s), levels.index(span.end_s)
    body = levels.full_db[a : b + 1]
    if len(body) < 4:
        return span.end_s
    floor = float(np.percentile(body, 80)) - settings.offset_below_db
    sounding = np.flatnonzero(body >= floor)
    end_s = (a + int(sounding[-1]) + 1) * levels.step_s
    return min(span.end_s, max(end_s, span.start_s + settings.shortest_s))
