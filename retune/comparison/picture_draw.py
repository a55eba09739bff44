"""Lanes, bar lines, the sung line and the key of a picture."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from itertools import pairwise

import numpy as np

from retune.carriers.heard import Chord, FloatArray
from retune.carriers.text import pretty
from retune.comparison.endings import PhraseEnding
from retune.comparison.picture_layout import Lane, Region, System
from retune.comparison.picture_line import SungNote, runs, simplified
from retune.comparison.picture_style import text_width
from retune.comparison.picture_words import degree_words, doubt_sign, note_words
from retune.comparison.svg import Pen, Point

_ROOM, _CARET_ROOM = 0.88, 1.25  # f from one name of a lane to the next, and with its caret
_PLAIN = 0.95  # f; where a semitone is as high as in most pictures, carets may touch


def draw_lanes(
    pen: Pen,
    system: System,
    regions: Sequence[Region],
    chords: Sequence[Chord],
    *,
    ends: Collection[int] = (),
) -> None:
    """Each lane solid where its degree belongs to the chord, dotted where not; the tonic a
    double rule, thin above and thick below. Lanes on which phrases end (`ends`, MIDI) are named
    before others where there is no room for all names."""
    f = system.layout.f
    for number, region in enumerate(regions):
        semitone = system.layout.semitone / f
        named = _named(region.lanes, ends, semitone)
        is_tight = _are_tight(named, semitone)
        for lane in region.lanes:
            y = system.pitch_y(lane.midi)
            x1, x2 = (system.x_at(p) for p in (region.first, region.last))
            if lane.is_tonic:
                x1 -= 0.25 * f if number == 0 else 0
                pen.line(x1, y - 0.3 * f, x2, y - 0.3 * f, "hair")
                pen.line(x1, y + 0.33 * f, x2, y + 0.33 * f, "home")
            else:
                for start, stop, inside in _stretches(system, region, lane, chords):
                    css = "lane" if inside else "lane off"
                    pen.line(system.x_at(start), y, system.x_at(stop), y, css)
            if number == 0 and lane.midi in named:
                _lane_label(pen, system, lane, y, is_tight=is_tight)
        if number:
            _key_change(pen, system, region)


def _are_tight(named: Collection[int], semitone: float) -> bool:
    """Whether any two names stand too near for carets: then none in the picture has one."""
    order = sorted(named)
    near = min((b - a for a, b in pairwise(order)), default=99)
    return semitone < min(_CARET_ROOM / near, _PLAIN)


def _named(lanes: Sequence[Lane], ends: Collection[int], semitone: float) -> set[int]:
    """The lanes whose names have room where a semitone is that high, in `f`."""
    named: set[int] = set()

    def weight(lane: Lane) -> tuple[bool, bool, bool, int]:
        return lane.midi not in ends, not lane.is_tonic, not lane.in_scale, lane.midi

    for lane in sorted(lanes, key=weight):
        if all(abs(lane.midi - other) * semitone >= _ROOM for other in named):
            named.add(lane.midi)
    return named


def _stretches(
    system: System, region: Region, lane: Lane, chords: Sequence[Chord]
) -> list[tuple[float, float, bool]]:
    """(from, to, belongs to the chord) along one lane, in cells."""
    if not chords:
        return [(region.first, region.last, lane.in_scale)]
    spans: list[tuple[float, float, bool]] = []
    here = region.first
    for chord in chords:
        start = max(system.axis.position(chord.start_s), here)
        stop = min(system.axis.position(chord.end_s), region.last)
        if stop <= start:
            continue
        pieces = [(here, start, False)] if start > here + 1e-3 else []
        pieces.append((start, stop, chord.role_of(lane.midi) is not None))
        for piece in pieces:
            if spans and spans[-1][2] == piece[2]:
                spans[-1] = (spans[-1][0], piece[1], piece[2])
            else:
                spans.append(piece)
        here = stop
    if here < region.last - 1e-3:
        spans.append((here, region.last, False))
    return spans


def _lane_label(pen: Pen, system: System, lane: Lane, y: float, *, is_tight: bool) -> None:
    """Pitch name and degree with its caret; the tonic's degree in a box. Without a caret where
    names stand near each other (`is_tight`)."""
    f, right = system.layout.f, system.layout.gutter - 0.62 * system.layout.f
    base = y + 0.34 * f
    if not lane.degree:
        pen.text(right, base, lane.name, "sk" + (" b" if lane.in_scale else ""), anchor="end")
        return
    size = f if lane.in_scale else 0.84 * f
    pen.text(right, base, lane.degree, "b" if lane.in_scale else "sk b", anchor="end")
    middle = right - text_width(lane.degree[-1], size, bold=True) / 2
    peak = base - (0.89 if lane.in_scale else 0.98) * size
    wing = 0.2 * size
    if not is_tight:
        caret = [(middle - wing, peak + 0.15 * size), (middle, peak)]
        pen.path([*caret, (middle + wing, peak + 0.15 * size)], "bracket")
    if lane.is_tonic:
        over = 0.46 if is_tight else 0.7
        pen.rect(right - 0.7 * f, y - over * f, 0.98 * f, (over + 0.44) * f, "ln end")
    left = right - 0.93 * f - (0.35 * f if len(lane.degree) > 1 else 0)
    pen.text(left, base, lane.name, "sk b" if lane.is_tonic else "sk", anchor="end")


def _key_change(pen: Pen, system: System, region: Region) -> None:
    """The name of the new key over the lanes, its degrees at its first barline."""
    f = system.layout.f
    x = system.x_at(region.first)
    pen.line(x, system.lanes_top + 0.1 * f, x, system.chords_bottom, "end")
    pen.line(x + 0.2 * f, system.lanes_top + 0.1 * f, x + 0.2 * f, system.chords_bottom, "end")
    pen.text(key_name_span(system, region)[0], system.lanes_top - 0.12 * f, _key(region), "sk i")
    for lane in region.lanes:
        y = system.pitch_y(lane.midi)
        wide = text_width(lane.degree, 0.84 * f, bold=True)
        pen.rect(x + 0.28 * f, y - 0.4 * f, wide + 0.15 * f, 0.8 * f, "ground")
        pen.text(x + 0.34 * f, y + 0.29 * f, lane.degree, "sk b")


def _key(region: Region) -> str:
    return pretty(str(region.key))


def key_name_span(system: System, region: Region) -> tuple[float, float]:
    """From where to where the name of a new key stands over the lanes, behind number and meter."""
    f = system.layout.f
    sign = system.axis.meter_sign(round(region.first)) if system.axis.in_bars else ""
    beyond = text_width(sign, 0.84 * f, bold=True) + 0.5 * f if sign else 0.0
    x = system.x_at(region.first) + 1.9 * f + beyond
    return x, x + text_width(_key(region), 0.84 * f)


def draw_bars(
    pen: Pen,
    system: System,
    phrase_starts: Sequence[float],
    taken: Sequence[tuple[float, float]] = (),
) -> None:
    """Bar lines (darker where a phrase begins near), their numbers where their room is not `taken`,
    and the closing line."""
    f, axis = system.layout.f, system.axis
    top, bottom = system.lanes_top + 0.1 * f, system.chords_bottom
    strong = {round(axis.position(time)) for time in phrase_starts}
    first = math.ceil(system.first - 1e-9)
    number_y = system.lanes_top - 0.12 * f
    if axis.in_bars and system.first < -1e-9 and system.cell_width * -system.first > 0.9 * f:
        pen.text(system.x_at(system.first) + 0.16 * f, number_y, "0", "s")
    numbered = _numbered(system, first, taken)
    for cell in range(first, math.floor(system.last + 1e-9) + 1):
        x = system.x_at(cell)
        pen.line(x, top, x, bottom, "end" if cell in strong or cell == first else "bar")
        if cell not in numbered:
            continue
        pen.text(x + 0.16 * f, number_y, axis.numbers[cell], "s")
        if sign := axis.meter_sign(cell):
            beside = x + 0.5 * f + text_width(axis.numbers[cell], 0.84 * f)
            pen.text(beside, number_y, sign, "s b")
    if system.is_end and axis.in_bars:
        x = system.x_end
        pen.line(x - 0.24 * f, top, x - 0.24 * f, bottom, "end")
        pen.line(x, top, x, bottom, "close")


def _numbered(system: System, first: int, taken: Sequence[tuple[float, float]]) -> set[int]:
    """The cells that have room for their number; one with a new meter has it in any case."""
    f, axis = system.layout.f, system.axis
    cells = range(first, math.ceil(min(system.last - 1e-9, len(axis.numbers))))
    widest = max((text_width(number, 0.84 * f) for number in axis.numbers), default=f)
    every = next(
        k for k in (1, 2, 4, 5, 8, 10, 20, 50, 1000) if k * system.cell_width > widest + f / 3
    )
    signs = {cell for cell in cells if axis.meter_sign(cell)}
    with_sign = widest + 0.7 * f + text_width("12/8", 0.84 * f, bold=True)

    def is_free(cell: int) -> bool:
        apart = ((other - cell) * system.cell_width for other in signs)
        x = system.x_at(cell)
        is_covered = any(start < x + widest and x < end for start, end in taken)
        return not is_covered and not any(-with_sign < gap < widest + f / 3 for gap in apart)

    return signs | {cell for cell in cells if (cell - first) % every == 0 and is_free(cell)}


def draw_notes(
    pen: Pen,
    system: System,
    notes: Sequence[SungNote],
    endings: Mapping[int, PhraseEnding],
    *,
    quiz: bool,
) -> None:
    """The sung line of one system, moved notes with an arrow from old to new."""
    here = [n for n in notes if _touches(system, n)]
    following = [*(n.note.start_s for n in here[1:]), math.inf][: len(here)]
    for sung, next_s in zip(here, following, strict=True):
        ending = endings.get(sung.note.index)
        moved_to = ""
        if sung.edit is not None:
            moved_to = degree_words(sung.edit.to_name, sung.edit.to_degree)
        with pen.group(
            "note",
            note=sung.note.index,
            phrase=sung.note.phrase or 0,
            start=f"{sung.note.start_s:.3f}",
            end=f"{sung.note.end_s:.3f}",
            info=note_words(sung.note, ending, moved_to=moved_to, quiz=quiz),
        ):
            _draw_note(pen, system, sung, ending if not quiz else None, next_s=next_s)
    for sung, after in zip(here, [*here[1:], None][: len(here)], strict=True):
        if sung.is_moved and system.holds(sung.note.start_s):
            _arrow(pen, system, sung)
            _time_arrow(pen, system, sung, sung.note.start_s, sung.new_span[0])
            if after is None or after.new_span[0] == after.note.start_s:
                _time_arrow(pen, system, sung, sung.note.end_s, sung.new_span[1])


def draw_slurs(pen: Pen, system: System, notes: Sequence[SungNote]) -> None:
    """A slur from where a suspension or retardation sounds dissonant to the note that resolves it,
    where the variant leaves both."""
    f, by_index = system.layout.f, {sung.note.index: sung for sung in notes}
    for sung in notes:
        for over in sung.note.over or ():
            goal = by_index.get(over.resolves_to or 0)
            if goal is None or sung.is_moved or goal.is_moved:
                continue
            ends = system.holds(over.start_s), system.holds(goal.note.start_s)
            if not any(ends):
                continue
            x1, x2 = system.x(over.start_s) + 0.22 * f, _head_place(system, goal)[0]
            y1, y2 = (system.pitch_y(n.pitch) - 0.55 * f for n in (sung, goal))
            top = min(y1, y2) - 0.9 * f
            # Broken at the end of a system: half of it there, and half where the next begins.
            if not ends[1]:
                x2, y2 = system.x_at(system.last), top
            elif not ends[0]:
                x1, y1 = system.x_at(system.first), top
            pen.shape(
                f"M{x1:.1f} {y1:.1f}Q{(x1 + x2) / 2:.1f} {top:.1f} {x2:.1f} {y2:.1f}", "ln slur"
            )


def _touches(system: System, sung: SungNote) -> bool:
    first = system.axis.position(sung.note.start_s)
    last = system.axis.position(sung.note.end_s)
    return last > system.first + 1e-6 and first < system.last - 1e-6


def _draw_note(
    pen: Pen, system: System, sung: SungNote, ending: PhraseEnding | None, *, next_s: float
) -> None:
    f = system.layout.f
    curve = _Curve(pen, system)
    if not sung.is_moved:
        curve(sung.lead, "glide")
        curve(sung.tail, "glide")
        curve(sung.body, "body")
    else:
        for part in (sung.lead, sung.body, sung.tail):
            curve(part, "was")
    if system.holds(sung.note.start_s):
        x, y = _head_place(system, sung)
        pen.head(x, y, f, "hollow" if sung.is_moved else "")
        if sung.note.is_doubtful:
            sign = doubt_sign(sung.note)
            pen.text(x - 0.38 * f, y - 0.22 * f, sign, "b doubt", anchor="end")
    if sung.new_lead is not None:
        curve(sung.new_lead, "newglide")
    if sung.is_moved and sung.new_body is not None and sung.new_tail is not None:
        curve(sung.new_body, "halo")
        curve(sung.new_tail, "newglide")
        curve(sung.new_body, "new")
        if system.holds(sung.new_span[0]):
            later = system.x(sung.new_span[0]) - system.x(sung.note.start_s)
            x_head = _head_place(system, sung)[0] + later
            pen.head(x_head, system.pitch_y(sung.new_pitch), 1.06 * f, "v")
    if ending is not None and system.has_end_of(sung.note.end_s):
        x_end = _sign_place(system, sung, next_s)
        shown = ending.state_after if ending.has_new_chord and not sung.is_moved else ending.state
        css = "v" if shown != ending.state else ""
        pen.ending(shown, x_end, system.pitch_y(sung.pitch), 0.31 * f, css)
        if sung.is_moved:
            y_new = system.pitch_y(sung.new_pitch)
            later = system.x(sung.new_span[1]) - system.x(sung.note.end_s)
            pen.ending(ending.state_after, x_end + later, y_new, 0.31 * f, "v")
    _hit(pen, system, sung)


def _sign_place(system: System, sung: SungNote, next_s: float) -> float:
    """Just after the note, or on its end where the next note or the closing line is near."""
    f = system.layout.f
    x_end = system.x(sung.note.end_s)
    bound = min(system.x(min(next_s, 1e6)) - 0.5 * f, system.x_end - 0.62 * f)
    return max(min(x_end + 0.28 * f, bound), x_end - 0.3 * f)


def _hit(pen: Pen, system: System, sung: SungNote) -> None:
    f = system.layout.f
    x1 = max(system.x(sung.note.start_s), system.x_at(system.first))
    x2 = min(system.x(sung.note.end_s), system.x_end)
    y = system.pitch_y(sung.pitch)
    pen.rect(x1, y - 0.9 * f, max(x2 - x1, 0.3 * f), 1.8 * f, "hit")


def _head_place(system: System, sung: SungNote) -> Point:
    f = system.layout.f
    x1, x2 = (system.x(time) for time in (sung.body[0, 0], sung.note.end_s))
    return x1 + min(0.22 * f, max((x2 - x1) / 2, 0)), system.pitch_y(sung.pitch)


class _Curve:
    """Draws curves of seconds and MIDI numbers in one system, cut at its borders."""

    def __init__(self, pen: Pen, system: System) -> None:
        self.pen = pen
        self.system = system

    def __call__(self, points: FloatArray, css: str) -> None:
        system, f = self.system, self.system.layout.f
        for run in runs(points):
            left, right = system.x_at(system.first) - 0.01, system.x_end + 0.01
            line = simplified(_between(system.places(run), left, right), 0.025 * f)
            self.pen.path([(float(a), float(b)) for a, b in line], css)


def _between(points: FloatArray, left: float, right: float) -> FloatArray:
    """The part of a line, rising in x, between two verticals."""
    x = points[:, 0]
    if not len(points) or x[-1] < left or x[0] > right:
        return points[:0]
    inside = points[(x > left) & (x < right)]
    ends = [[v, np.interp(v, x, points[:, 1])] for v in (max(left, x[0]), min(right, x[-1]))]
    return np.array(
        [ends[0], *inside[(inside[:, 0] > ends[0][0]) & (inside[:, 0] < ends[1][0])], ends[1]]
    )


def _time_arrow(pen: Pen, system: System, sung: SungNote, was_s: float, now_s: float) -> None:
    """From where an end of a note was to where it is now, under the new line, a stroke at the
    old place."""
    f = system.layout.f
    first, last = (
        system.x(was_s),
        min(max(system.x(now_s), system.x_at(system.first)), system.x_end),
    )
    if abs(last - first) < 0.5 * f:
        return
    y, way = system.pitch_y(sung.new_pitch) + 0.95 * f, (1 if last > first else -1)
    pen.line(first, y - 0.3 * f, first, y + 0.3 * f, "arrow")
    pen.line(first, y, last - way * 0.45 * f, y, "arrow")
    tip = last - way * 0.55 * f
    pen.shape(f"M{last:.1f} {y:.1f}L{tip:.1f} {y - 0.27 * f:.1f}V{y + 0.27 * f:.1f}Z", "tip")


def _arrow(pen: Pen, system: System, sung: SungNote) -> None:
    """From the old pitch straight to the new; the tip alone where there is little room."""
    f = system.layout.f
    x1, x2 = (system.x(time) for time in (sung.note.start_s, sung.note.end_s))
    x = x1 + 0.62 * (min(x2, system.x_end) - x1)
    old, new = (system.pitch_y(pitch) for pitch in (sung.pitch, sung.new_pitch))
    room = abs(new - old)
    if room < 0.9 * f:
        return
    way = 1 if new > old else -1
    tip_y = new - way * 0.3 * f
    tip = min(0.62 * f, room - 0.5 * f)
    start = old + way * 0.34 * f
    if abs(tip_y - start) > 0.4 * f:
        pen.line(x, start, x, tip_y - way * 0.4 * f, "arrow")
    pen.shape(
        f"M{x:.1f} {tip_y:.1f}L{x - 0.3 * f:.1f} {tip_y - way * tip:.1f}H{x + 0.3 * f:.1f}Z", "tip"
    )
