"""Where things stand in a picture: lanes, systems and rows, all measured in the text size `f`."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from retune.carriers.heard import Analysis, FloatArray, Key
from retune.carriers.text import pretty
from retune.comparison.picture_style import text_width
from retune.comparison.picture_time import TimeAxis
from retune.theory.keys import scale_semitones
from retune.theory.pitchnames import pitch_class_of
from retune.theory.spelling import degree_of_name, pitch_name

_WIDE_RANGE = 18  # semitones above which lanes are drawn closer
_CLOSEST, _WIDEST = 0.45, 1.5  # f a semitone, where a height is to be filled


@dataclass(frozen=True)
class Lane:
    """One lane: a degree of the key, or a chromatic note that is sung; `degree` is "" without
    a key."""

    midi: int
    degree: str
    name: str
    is_tonic: bool
    in_scale: bool


@dataclass(frozen=True)
class Region:
    """A stretch of one system in one key, in cells."""

    first: float
    last: float
    key: Key | None
    lanes: tuple[Lane, ...]


def lanes_of(key: Key | None, *, low: int, high: int, sung: Mapping[int, str]) -> tuple[Lane, ...]:
    """The lanes from `low` to `high` (MIDI): the degrees of the key and the chromatic notes that
    are sung, as they are spelled there; every semitone without a key."""
    if key is None:
        return tuple(
            Lane(midi, "", pretty(pitch_name(midi, None)), False, midi in sung)
            for midi in range(low, high + 1)
        )
    tonic = pitch_class_of(key.tonic)
    scale = {(tonic + step) % 12 for step in scale_semitones(key)}
    found = []
    for midi in range(low, high + 1):
        in_scale = midi % 12 in scale
        if not in_scale and midi not in sung:
            continue
        name = pitch_name(midi, key) if in_scale else sung[midi] or pitch_name(midi, key)
        degree = pretty(degree_of_name(name, key))
        found.append(Lane(midi, degree, pretty(name), midi % 12 == tonic, in_scale))
    return tuple(found)


@dataclass(frozen=True)
class Layout:
    """Sizes of a whole picture. `top` rows: brackets, endings, variant, numbers."""

    f: float
    width: float
    gutter: float
    right: float
    semitone: float
    low: int
    high: int
    has_variant_row: bool
    has_chords: bool
    has_others: bool
    has_tension: bool
    has_phrases: bool
    has_endings: bool
    has_sections: bool = False
    lyric_rows: int = 0

    @property
    def rows_height(self) -> float:
        rows = 1.5 + (1.15 if self.has_phrases else 0.0) + self.sections_rows
        rows += (1.45 if self.has_endings else 0.0) + (1.3 if self.has_variant_row else 0.0)
        return rows * self.f

    @property
    def sections_rows(self) -> float:
        """Height of the names of sections, in `f`."""
        return 1.25 if self.has_sections else 0.0

    @property
    def words_height(self) -> float:
        return (1.15 * self.lyric_rows + 0.1) * self.f if self.lyric_rows else 0.0

    @property
    def lanes_height(self) -> float:
        return (self.high - self.low + 1.6) * self.semitone

    @property
    def chords_height(self) -> float:
        chords = 2.75 if self.has_chords else 0.5
        return (chords + (1.8 if self.has_others else 0.0)) * self.f

    @property
    def tension_height(self) -> float:
        return 5.0 * self.f if self.has_tension else 0.0

    @property
    def system_height(self) -> float:
        return (
            self.rows_height
            + self.lanes_height
            + self.words_height
            + self.chords_height
            + self.tension_height
            + 0.5 * self.f
        )


def layout_of(
    *,
    f: float,
    width: float,
    pitches: Iterable[float],
    lane_names: Iterable[str],
    lyric_rows: int = 0,
    height: float | None = None,
    **rows: bool,
) -> Layout:
    """The layout that holds the given pitches (MIDI) and names of lanes.

    Equal heights are equal cents: 1.15 f a semitone, 1 f where the range is wide; or as much as
    makes a system of `height` px, within bounds.
    """
    found = list(pitches) or [60.0, 72.0]
    low, high = math.floor(min(found) + 0.5), math.ceil(max(found) - 0.5)
    if high - low < 7:
        spare = 7 - (high - low)
        low, high = low - spare // 2, high + (spare + 1) // 2
    semitone = (1.15 if high - low <= _WIDE_RANGE else 1.0) * f
    names = max((text_width(name, 0.84 * f, bold=True) for name in lane_names), default=f)
    layout = Layout(
        f=f,
        width=width,
        gutter=max(names + 2.35 * f, 4.9 * f),
        right=0.9 * f,
        semitone=semitone,
        low=low,
        high=high,
        lyric_rows=lyric_rows,
        **rows,
    )
    if height is None:
        return layout
    fitting = (height - layout.system_height + layout.lanes_height) / (high - low + 1.6)
    return replace(layout, semitone=min(max(fitting, _CLOSEST * f), _WIDEST * f))


@dataclass(frozen=True)
class System:
    """One system: a stretch of the axis and its place on the paper."""

    layout: Layout
    axis: TimeAxis
    first: float
    last: float
    y: float
    cell_width: float
    is_last: bool
    index: int

    def x(self, time_s: float) -> float:
        """Horizontal place of a time."""
        return self.x_at(self.axis.position(time_s))

    def x_at(self, position: float) -> float:
        """Horizontal place of a position in cells."""
        return self.layout.gutter + (position - self.first) * self.cell_width

    def pitch_y(self, midi: float) -> float:
        """Vertical place of a pitch (MIDI)."""
        return self.lanes_top + (self.layout.high - midi + 0.8) * self.layout.semitone

    def places(self, curve: FloatArray) -> FloatArray:
        """A curve (n, 2) of seconds and MIDI numbers as x and y, kept inside the lanes."""
        x = self.layout.gutter + (self.axis.positions(curve[:, 0]) - self.first) * self.cell_width
        y = self.lanes_top + (self.layout.high - curve[:, 1] + 0.8) * self.layout.semitone
        return np.column_stack([x, np.clip(y, self.lanes_top, self.lanes_bottom)])

    @property
    def start_s(self) -> float:
        return self.axis.time_s(self.first)

    @property
    def end_s(self) -> float:
        return self.axis.time_s(self.last)

    @property
    def x_end(self) -> float:
        return self.x_at(self.last)

    @property
    def phrases_top(self) -> float:
        """Where the brackets of phrases begin, under the names of sections."""
        return self.y + self.layout.sections_rows * self.layout.f

    @property
    def lanes_top(self) -> float:
        return self.y + self.layout.rows_height

    @property
    def lanes_bottom(self) -> float:
        return self.lanes_top + self.layout.lanes_height

    @property
    def words_bottom(self) -> float:
        return self.lanes_bottom + self.layout.words_height

    @property
    def chords_bottom(self) -> float:
        return self.words_bottom + self.layout.chords_height

    @property
    def bottom(self) -> float:
        return self.chords_bottom + self.layout.tension_height

    def holds(self, time_s: float) -> bool:
        """Whether a note that starts then is drawn in this system."""
        position = self.axis.position(time_s) + 1e-6
        return self.first <= position < self.last or (self.is_end and position >= self.last)

    @property
    def is_end(self) -> bool:
        """Whether nothing sounds after this system."""
        return self.is_last and self.axis.reaches_end

    def has_end_of(self, time_s: float) -> bool:
        """Whether something that ends then is drawn to its end here."""
        return self.is_end or self.axis.position(time_s) <= self.last + 1e-6


def place_systems(layout: Layout, axis: TimeAxis, *, count: int, top: float) -> list[System]:
    """The systems of a picture, one below the other, all with cells of one width."""
    stretches = axis.systems(count)
    widest = max(last - first for first, last in stretches)
    cell = (layout.width - layout.gutter - layout.right) / widest
    step = layout.system_height + 1.3 * layout.f
    return [
        System(layout, axis, first, last, top + k * step, cell, k == len(stretches) - 1, k)
        for k, (first, last) in enumerate(stretches)
    ]


def systems_needed(axis: TimeAxis, *, width: float, f: float) -> int:
    """How many systems keep a cell at 3 f or more, with 4 to 16 cells a system."""
    room = max(math.floor((width - 6 * f) / (3 * f)), 4)
    per = min(room, 16)
    per = per - per % 4 if per >= 4 else per
    cells = math.ceil(axis.last - max(axis.first, 0.0))
    return max(math.ceil(cells / max(per, 1)), 1)


def regions_of(
    system: System, analysis: Analysis, *, sung: Mapping[int, str]
) -> tuple[Region, ...]:
    """The stretches of a system by key; one stretch without keys."""
    low, high = system.layout.low, system.layout.high
    starts = [system.axis.position(span.start_s) for span in analysis.keys[1:]]
    marks = [system.first, *(m for m in starts if system.first < m < system.last), system.last]
    regions = []
    for first, last in pairwise(marks):
        key = analysis.key_at(system.axis.time_s(first + 1e-4))
        regions.append(Region(first, last, key, lanes_of(key, low=low, high=high, sung=sung)))
    return tuple(regions)
