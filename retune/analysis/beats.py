"""Tempo, meter and downbeats found by ear, where the song file does not give them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from retune.analysis.bars import bars_from_downbeats
from retune.analysis.meter import Heard, Reading, odds, readings
from retune.analysis.meter_weights import METERS
from retune.analysis.onset_curve import HOP_S
from retune.analysis.pulse import beat_rows, tempogram
from retune.carriers.heard import BarRival, Bars, FloatArray
from retune.carriers.songfacts import Music

# Below this the bars are a guess.
SURE = 0.5
# Nothing that is heard is surer than this.
SUREST = 0.99
# Long songs are heard from their first minutes: memory is bounded.
LONGEST_S = 600.0
# A pulse is not told from fewer onsets than these, each at least this share of the strongest.
FEWEST_ONSETS, STRONG, ONSETS_APART_S = 6, 0.15, 0.1
# Two readings with this share of downbeats in common are one.
SAME, NEAR_S = 0.7, 0.07
RIVALS_TOLD, UNLIKELY = 3, 0.03
# The curve of an onset rises before its peak; the later, the softer the attack. Lateness in
# seconds by the width of the mean rise in frames, fitted on half of tests/bench/bench_time.py.
LATE_S, LATE_BY_WIDTH_S, LATEST_S = -0.021, 0.0122, 0.035
PROFILE_FRAMES = 10


def find_bars(music: Music, heard: Heard, *, duration_s: float) -> Bars | None:
    """Bars as a listener hears them, with their rivals; None when nothing pulses.

    A meter, a first downbeat that the song file does give is kept.
    """
    curve = heard.curves.all
    if _count_onsets(curve) < FEWEST_ONSETS:
        return None
    rows = rows_of_beats(curve)
    if not rows:
        return None
    meters = (music.meter,) if music.meter_given else METERS
    found, evidence = readings(rows, heard, meters)
    chance = odds(found, evidence)
    if music.first_downbeat_s is not None:
        found, chance = _through(music.first_downbeat_s, found, chance)
    best = int(np.argmax(chance))
    is_placed = music.first_downbeat_s is not None
    late_s = 0.0 if is_placed else _lateness_s(curve, found[best].beats_s / HOP_S)
    bars = _bars(found[best], late_s, duration_s)
    confidence = round(min(float(chance[best]), SUREST), 3)
    rivals = _rivals(found, chance, best, late_s, duration_s)
    return replace(bars, confidence=confidence, rivals=rivals)


def _count_onsets(curve: FloatArray) -> int:
    """Peaks of at least STRONG of the strongest; of near ones the higher counts (as scipy's
    `find_peaks` has it, whose package takes a second to import)."""
    strongest = float(curve.max(initial=0.0))
    if strongest <= 0:
        return 0
    inner = curve[1:-1]
    is_peak = (inner > curve[:-2]) & (inner >= curve[2:]) & (inner >= STRONG * strongest)
    places = np.flatnonzero(is_peak) + 1
    apart = round(ONSETS_APART_S / HOP_S)
    free, count = np.ones(len(places), dtype=bool), 0
    for k in np.argsort(curve[places], kind="stable")[::-1]:
        if free[k]:
            count += 1
            near = np.searchsorted(places, [places[k] - apart + 1, places[k] + apart])
            free[near[0] : near[1]] = False
    return count


def rows_of_beats(curve: FloatArray) -> list[FloatArray]:
    """Rows of beats, in frames, that may be the beat of an onset curve."""
    return _apart(beat_rows(curve, tempogram(curve)))


def _apart(rows: Sequence[FloatArray]) -> list[FloatArray]:
    """The rows without those that are nearly another over again."""
    kept: list[FloatArray] = []
    for row in rows:
        if not any(_alike(row * HOP_S, other * HOP_S) for other in kept):
            kept.append(row)
    return kept


def _alike(a: FloatArray, b: FloatArray) -> bool:
    """Whether most times of each have one of the other near."""
    apart = np.abs(a[:, None] - b)
    return bool(min((apart.min(axis=k) < NEAR_S).mean() for k in (0, 1)) > SAME)


def _through(
    downbeat_s: float, found: Sequence[Reading], chance: FloatArray
) -> tuple[list[Reading], FloatArray]:
    """The readings with a downbeat near a given one, moved onto it; where there is none, the
    likeliest tempo from there on."""
    kept, odds_kept = [], []
    for reading, odd in zip(found, chance, strict=True):
        beats = reading.beats_s
        k = int(np.argmin(np.abs(beats - downbeat_s)))
        period = float(np.median(np.diff(beats)))
        if (k - reading.first) % reading.per_bar == 0 and abs(beats[k] - downbeat_s) < period / 4:
            moved = beats[k:] + (downbeat_s - beats[k])
            kept.append(Reading(moved, reading.meter, 0))
            odds_kept.append(odd)
    if not kept:
        best = found[int(np.argmax(chance))]
        period = float(np.median(np.diff(best.beats_s)))
        count = max(best.per_bar + 1, len(best.beats_s))
        even: FloatArray = downbeat_s + period * np.arange(float(count))
        return [Reading(even, best.meter, 0)], np.array([float(chance.max())])
    total = np.array(odds_kept)
    return kept, total / max(float(total.sum()), 1e-12)


def _lateness_s(curve: FloatArray, row: FloatArray) -> float:
    """How much later than the attack the curve has its peak, by the width of its mean rise."""
    around = np.arange(-PROFILE_FRAMES, PROFILE_FRAMES + 1)
    rises = [np.interp(k + around, np.arange(len(curve)), curve) for k in row]
    mean = np.mean(rises, axis=0)
    mean = (mean - mean.min()) / max(float(np.ptp(mean)), 1e-9)
    half = PROFILE_FRAMES // 2
    width = float(mean[half : half + PROFILE_FRAMES + 1].sum())
    return float(np.clip(LATE_S + LATE_BY_WIDTH_S * width, 0.0, LATEST_S))


def _bars(reading: Reading, late_s: float, duration_s: float) -> Bars:
    downbeats = [
        max(0.0, float(t) - late_s) for t in reading.beats_s[reading.first :: reading.per_bar]
    ]
    if len(downbeats) < 2:
        period = float(np.median(np.diff(reading.beats_s)))
        downbeats = [downbeats[0], downbeats[0] + reading.per_bar * period]
    return bars_from_downbeats(
        downbeats, meter=reading.meter, duration_s=duration_s, source="estimated"
    )


def _rivals(
    found: Sequence[Reading], chance: FloatArray, best: int, late_s: float, duration_s: float
) -> tuple[BarRival, ...]:
    """The likeliest other readings, each by what it is called beside the best."""
    rivals: dict[str, BarRival] = {}
    for k in np.argsort(-chance, kind="stable"):
        name = _name(found[int(k)], found[best]) if k != best else ""
        if not name or name in rivals or chance[k] < UNLIKELY or len(rivals) == RIVALS_TOLD:
            continue
        bars = _bars(found[int(k)], late_s, duration_s)
        rivals[name] = BarRival(
            name, bars.meter, bars.tempo_bpm, bars.downbeats_s, round(float(chance[k]), 3)
        )
    return tuple(rivals.values())


NUMBERS = {2: "in two", 3: "in three", 4: "in four"}


def _name(reading: Reading, best: Reading) -> str:
    """How a reading differs from the best: in tempo, else in meter, else in where bars begin."""
    ratio = reading.tempo_bpm / best.tempo_bpm
    if abs(np.log2(ratio)) > 0.06:
        for factor, name in ((2.0, "twice as fast"), (0.5, "half as fast")):
            if abs(np.log2(ratio / factor)) < 0.06:
                return name
        return f"at {reading.tempo_bpm:.0f} beats a minute"
    if not _alike(reading.beats_s, best.beats_s):
        return "begins half a beat later"
    if reading.meter != best.meter:
        top, bottom = reading.meter
        return f"in {top}/{bottom}" if bottom == 8 else NUMBERS.get(top, f"in {top}/{bottom}")
    beats = (
        round(
            (reading.beats_s[reading.first] - best.beats_s[best.first])
            / float(np.median(np.diff(best.beats_s)))
        )
        % best.per_bar
    )
    counted = {1: "one beat", 2: "two beats", 3: "three beats"}
    return f"begins {counted[beats]} later" if beats in counted else ""
