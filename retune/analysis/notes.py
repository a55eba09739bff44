"""From a pitch track to notes."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from retune.analysis.contour import Contour, make_contour
from retune.analysis.note_edges import (
    EdgeSettings,
    Span,
    fall_before,
    opening,
    place_offset,
    place_onset,
    split_struck,
    stands_still,
)
from retune.analysis.note_hmm import HmmSettings, decode_notes
from retune.analysis.note_trust import Heard, core_pitch, judged
from retune.analysis.sonority import Levels, levels_of_track, measure_levels
from retune.carriers.heard import AudioLike, FloatArray, PitchTrack

# Silence this long cuts the song into stretches that are decoded apart: memory stays bounded.
CUT_S = 0.6
LONGEST_S = 120.0
# A break in voicing shorter than this, at one pitch and without a dip in level, is the tracker's.
HOLE_S = 0.06
HOLE_DIP_DB = 4.0
SAME_PITCH = 0.55
# What a pitch must do to count as one of several in a legato: stay this long, this share of the
# time this near (semitones), this far from the next.
PLATEAU_S = 0.12
PLATEAU_WITHIN = 0.25
PLATEAU_SHARE = 0.7
PLATEAU_APART = 0.75
CLOSER = HmmSettings(stable_width=0.35, legato_log=-5.0)
# Spans this close run into each other.
TOUCH_S = 0.04


def find_notes(
    track: PitchTrack,
    audio: AudioLike | None = None,
    *,
    levels: Levels | None = None,
    is_bass: bool = False,
    hmm: HmmSettings | None = None,
    edges: EdgeSettings | None = None,
) -> tuple[Heard, ...]:
    """The notes of a monophonic stem, in order of time.

    Parameters
    ----------
    track : PitchTrack
        f0 of the stem.
    audio : AudioLike, optional
        The stem itself: boundaries are finer with it than with the track's levels alone.
    levels : Levels, optional
        What boundaries are read from where the stem's own sound does not tell, as in a mix.
    is_bass : bool
        Judge struck notes by the whole band instead of the vowel band.

    Returns
    -------
    tuple of Heard
        Not overlapping; a note that runs into the next ends where that one starts.
    """
    edges = edges or EdgeSettings()
    if len(track.time_s) < 2 or not np.isfinite(track.f0_hz).any():
        return ()
    if levels is None:
        levels = levels_of_track(track) if audio is None else measure_levels(audio)
    upper_db = levels.vowel_db
    if is_bass:
        levels = replace(levels, vowel_db=levels.full_db)
    contour = make_contour(track, levels)
    spans = _decoded(contour, hmm)
    spans = _mend_holes(spans, levels)
    is_struck = is_bass and audio is not None and stands_still(spans, contour, settings=edges)
    spans = [
        part
        for span in spans
        for part in split_struck(
            span, contour, levels, settings=edges, upper_db=upper_db if is_struck else None
        )
    ]
    spans = _absorb(spans, contour, levels, settings=edges)
    spans = _place(spans, contour, levels, settings=edges)
    spans = _absorb(spans, contour, levels, settings=edges)
    return judged(spans, contour, levels, is_bass=is_bass, by_onset=audio is not None)


def _decoded(contour: Contour, hmm: HmmSettings | None) -> list[Span]:
    spans: list[Span] = []
    for a, b in stretches(contour.flat, hop_s=contour.hop_s):
        found = decode_notes(
            contour.flat[a:b], contour.prob[a:b] ** 0.25, hop_s=contour.hop_s, settings=hmm
        )
        for start, _stable, stop, midi in found:
            start_s, end_s = contour.time(a + start - 0.5), contour.time(a + stop - 0.5)
            joined = bool(spans) and start_s - spans[-1].end_s < 1.5 * contour.hop_s
            spans.append(Span(max(start_s, 0.0), end_s, midi, joined))
    spans = [part for span in spans for part in _plateaus(span, contour)]
    return [replace(span, midi=core_pitch(span, contour)) for span in spans]


def _plateaus(span: Span, contour: Contour) -> list[Span]:
    """Cut a note that rests on several pitches in turn: legato semitones, say. The decoder is
    made to bear with wavering singers; a closer look counts only if every part stands still."""
    a, b = contour.frame(span.start_s), contour.frame(span.end_s) + 1
    if (b - a) * contour.hop_s < 2 * PLATEAU_S:
        return [span]
    line = contour.flat[a:b]
    found = decode_notes(line, contour.prob[a:b] ** 0.25, hop_s=contour.hop_s, settings=CLOSER)
    levels = []
    for start, _stable, stop, _midi in found:
        part = line[start:stop]
        part = part[np.isfinite(part)]
        if not len(part) or (stop - start) * contour.hop_s < PLATEAU_S:
            return [span]
        level = float(np.median(part))
        if np.mean(np.abs(part - level) <= PLATEAU_WITHIN) < PLATEAU_SHARE:
            return [span]
        levels.append(level)
    if len(found) < 2 or np.min(np.abs(np.diff(levels))) < PLATEAU_APART:
        return [span]
    cuts = [contour.time(a + start - 0.5) for start, *_ in found[1:]]
    times = [span.start_s, *cuts, span.end_s]
    return [
        Span(t0, t1, level, span.joined if k == 0 else True)
        for k, (t0, t1, level) in enumerate(zip(times[:-1], times[1:], levels, strict=True))
    ]


def stretches(midi: FloatArray, *, hop_s: float) -> list[tuple[int, int]]:
    """[start, stop) of stretches of frames parted by long silence, with a little of it kept; what
    is longer than LONGEST_S is parted at its own longest silence."""
    voiced = np.flatnonzero(np.isfinite(midi))
    if not len(voiced):
        return []
    cut, longest = max(2, round(CUT_S / hop_s)), round(LONGEST_S / hop_s)
    breaks = set(np.flatnonzero(np.diff(voiced) > cut).tolist())
    todo = [(0, len(voiced) - 1)]
    while todo:
        a, b = todo.pop()
        inside = [k for k in sorted(breaks) if a <= k < b]
        for first, last in pairwise([a - 1, *inside, b]):
            gaps = np.diff(voiced[first + 1 : last + 1])
            if voiced[last] - voiced[first + 1] > longest and len(gaps) and gaps.max() > 1:
                wide = np.flatnonzero(gaps >= max(2, gaps.max() / 2))
                breaks.add(first + 1 + int(wide[np.argmin(np.abs(wide - len(gaps) / 2))]))
                todo.append((first + 1, last))
    ends = sorted(breaks)
    firsts = [int(voiced[0]), *(int(voiced[k + 1]) for k in ends)]
    stops = [*(int(voiced[k]) + 1 for k in ends), int(voiced[-1]) + 1]
    return [
        (max(a - 2, before), min(b + 2, after))
        for a, b, before, after in zip(
            firsts, stops, [0, *stops[:-1]], [*firsts[1:], len(midi)], strict=True
        )
    ]


def _mend_holes(spans: list[Span], levels: Levels) -> list[Span]:
    """Join what a hole in the track tore apart."""
    mended: list[Span] = []
    for span in spans:
        last = mended[-1] if mended else None
        if (
            last is not None
            and span.start_s - last.end_s < HOLE_S
            and abs(span.midi - last.midi) < SAME_PITCH
            and not _dips_between(last, span, levels)
        ):
            share = (last.end_s - last.start_s) / (span.end_s - last.start_s)
            midi = last.midi * share + span.midi * (1 - share)
            mended[-1] = replace(last, end_s=span.end_s, midi=midi)
        else:
            mended.append(span)
    return mended


def _dips_between(last: Span, span: Span, levels: Levels, *, by_db: float = HOLE_DIP_DB) -> bool:
    """True when the level falls between two spans below both of them."""
    middle = levels.vowel_db[
        levels.index(last.end_s - 0.02) : levels.index(span.start_s + 0.02) + 1
    ]
    before = levels.vowel_db[levels.index(last.end_s - 0.12) : levels.index(last.end_s) + 1]
    after = levels.vowel_db[levels.index(span.start_s) : levels.index(span.start_s + 0.12) + 1]
    if not (len(middle) and len(before) and len(after)):
        return False
    return bool(min(before.max(), after.max()) - middle.min() > by_db)


def is_passing_glide(span: Span, contour: Contour, *, settings: EdgeSettings) -> bool:
    """True for what is too short for a note, or short and never settled on a pitch."""
    length = span.end_s - span.start_s
    if length < settings.shortest_s:
        return True
    if length >= settings.glide_s:
        return False
    line = contour.flat[contour.frame(span.start_s) : contour.frame(span.end_s) + 1]
    line = line[np.isfinite(line)]
    if not len(line):
        return True
    settled = np.mean(np.abs(line - np.median(line)) <= settings.settled_within)
    return bool(settled < settings.settled_share)


def is_weak(span: Span, beside: Span, levels: Levels, *, settings: EdgeSettings) -> bool:
    """True for what is short and well below the note it touches: a consonant, a scoop, a fall."""
    if span.end_s - span.start_s >= settings.weak_s:
        return False
    own = levels.vowel_db[levels.index(span.start_s) : levels.index(span.end_s) + 1]
    body = levels.vowel_db[levels.index(beside.start_s) : levels.index(beside.end_s) + 1]
    # What was struck lies between two dips: its own middle hump speaks for it.
    strength = own.max() if span.struck else np.median(own)
    return bool(strength < np.percentile(body, 70) - settings.weak_db)


def _absorb(
    spans: list[Span], contour: Contour, levels: Levels, *, settings: EdgeSettings
) -> list[Span]:
    """Give scoops, glides, consonants and falls to the neighbour they run into or come from."""
    kept = list(spans)
    k = 0
    while k < len(kept):
        span = kept[k]
        after = (
            kept[k + 1]
            if k + 1 < len(kept) and _touch(span, kept[k + 1], span, levels, settings=settings)
            else None
        )
        before = (
            kept[k - 1]
            if k > 0 and _touch(kept[k - 1], span, span, levels, settings=settings)
            else None
        )
        weak_after = after is not None and is_weak(span, after, levels, settings=settings)
        weak_before = before is not None and is_weak(span, before, levels, settings=settings)
        glides = is_passing_glide(span, contour, settings=settings)
        scoops = (
            before is None
            and after is not None
            and is_scoop(span, after, contour, settings=settings)
        )
        if not (glides or scoops or weak_before or (weak_after and before is None)):
            k += 1
        elif after is not None and not (before is not None and _belongs_before(kept, k)):
            start_s = span.start_s if before is not None or span.struck else after.start_s
            struck = span.struck or after.struck
            kept[k + 1] = replace(after, start_s=start_s, joined=span.joined, struck=struck)
            del kept[k]
        elif before is not None:
            kept[k - 1] = replace(before, end_s=span.end_s)
            del kept[k]
        elif span.end_s - span.start_s < 0.6 * settings.shortest_s:
            del kept[k]
        else:
            k += 1
    return kept


def _touch(
    first: Span, second: Span, short: Span, levels: Levels, *, settings: EdgeSettings
) -> bool:
    """True when `short`, one of two neighbours, may belong to the other: they join, and if it is
    long enough for a syllable no deep dip in level parts them."""
    if not second.joined and second.start_s - first.end_s >= TOUCH_S:
        return False
    if short.end_s - short.start_s < settings.shortest_s:
        return True
    return second.joined and not _dips_between(first, second, levels, by_db=settings.deep_db)


def is_scoop(span: Span, after: Span, contour: Contour, *, settings: EdgeSettings) -> bool:
    """True for a short beginning that bends towards the note it runs into."""
    distance = after.midi - span.midi
    if span.end_s - span.start_s >= settings.glide_s or not 0.2 < abs(distance) < settings.scoop:
        return False
    line = contour.midi[contour.frame(span.start_s) : contour.frame(span.end_s) + 1]
    line = line[np.isfinite(line)]
    third = len(line) // 3
    if not third:
        return True
    bend = float(np.median(line[-third:]) - np.median(line[:third]))
    return bool(bend * np.sign(distance) > settings.bend)


def _belongs_before(spans: list[Span], k: int) -> bool:
    """Of two neighbours a short span goes to the one it joins, else to the nearer in pitch."""
    span, before, after = spans[k], spans[k - 1], spans[k + 1]
    if span.joined != after.joined:
        return span.joined
    return abs(span.midi - before.midi) < abs(span.midi - after.midi)


def _place(
    spans: list[Span], contour: Contour, levels: Levels, *, settings: EdgeSettings
) -> list[Span]:
    """Move boundaries to where a listener hears them."""
    placed: list[Span] = []
    for span in spans:
        earliest = placed[-1].start_s + 0.03 if placed else 0.0
        if placed and not span.joined:
            earliest = max(earliest, placed[-1].end_s)
        start_s = place_onset(span, contour, levels, earliest_s=earliest, settings=settings)
        if placed and (placed[-1].end_s > start_s or span.joined):
            end_s = fall_before(placed[-1], start_s, levels, settings=settings)
            placed[-1] = replace(placed[-1], end_s=end_s)
        opens_s, rise_db = opening(span, levels, earliest_s=earliest, settings=settings)
        if span.joined and rise_db >= settings.opening_db:
            start_s = opens_s
            if placed:
                placed[-1] = replace(placed[-1], end_s=min(placed[-1].end_s, start_s))
        placed.append(replace(span, start_s=start_s))
    return [replace(s, end_s=place_offset(s, contour, levels, settings=settings)) for s in placed]
