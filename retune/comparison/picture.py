"""The lane picture: a melody against its scale degrees, as SVG text.

Time in bars across, one lane a scale degree, the tonic between a double rule, the sung line
drawn from the measured pitch. Endings are told by sign and word, moved notes by a dashed line
and an arrow; no meaning lies in colour alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from html import escape

from retune.carriers.changes import Edit, Plan
from retune.carriers.errors import UsageError
from retune.carriers.heard import Analysis, Key
from retune.comparison.endings import PhraseEnding, phrase_endings
from retune.comparison.picture_chords import draw_chords
from retune.comparison.picture_draw import (
    draw_bars,
    draw_lanes,
    draw_notes,
    draw_slurs,
    key_name_span,
)
from retune.comparison.picture_key import KeyEntry, draw_key, key_entries, key_height
from retune.comparison.picture_layout import (
    Layout,
    System,
    lanes_of,
    layout_of,
    place_systems,
    regions_of,
    systems_needed,
)
from retune.comparison.picture_line import SungNote, sung_notes
from retune.comparison.picture_lyrics import draw_sections, draw_words, rows_of_words
from retune.comparison.picture_others import OtherLine, draw_other_lines, other_lines
from retune.comparison.picture_rows import (
    TensionPoint,
    draw_other_moves,
    draw_phrases,
    draw_tension,
)
from retune.comparison.picture_style import THEMES, font_faces, style_sheet, title_lines
from retune.comparison.picture_time import TimeAxis, around, time_axis
from retune.comparison.picture_words import alternative_text, doubt_sign
from retune.comparison.svg import Pen

_CYCLE_S = 0.18  # of a vibrato, 5 to 6 Hz; common practice, no source
_LEAST_CYCLE = 0.62  # f; a vibrato cycle narrower than this is drawn as its mean


@dataclass(frozen=True)
class View:
    """What of a song a picture shows, and how.

    Attributes
    ----------
    width, font : float
        Size in px of the picture and of its essential text; everything else follows from
        `font`. At least 14 on a page, 30 of 1080 lines on a slide.
    systems : int or None
        How many systems the bars are split into; None for as many as the width asks for.
    theme : {"light", "dark", "grey", "page"}
        "page" takes its inks from the CSS variables --paper, --ink, --ink2, --rule, --spot and
        carries no style of its own (see `picture_css`).
    bars : (int, int), optional
        First and last bar to draw, 0 for the pickup.
    phrase : int, optional
        That phrase alone: from its first note to its last, its own lanes, without brackets and
        rows of endings, for a slide that says those in words.
    height : float, optional
        Lanes are set closer or wider to make a picture this high, as far as that is legible.
    title : str, optional
        Written over the picture.
    variant_name : str, optional
        Name of the variant in key and text; the plan's own by default.
    quiz : bool
        Leaves lines to write the endings on; the plan is not shown.
    tension : sequence of (time_s, value, value of the variant or None)
        Drawn beneath, on a scale from 0 to the largest value.
    keep_row : bool
        Leaves the row of a variant's endings free where there is none, so that pictures of several
        versions lie on each other.
    embed_fonts : bool
        Whether the document carries its fonts.
    others : bool
        Whether harmonies and basses are drawn beside the melody, whole octaves nearer to it.
    key : bool
        Whether the key to lines and signs stands at the foot.
    ident : str
        Unique within one HTML document; also the class of the picture.

    Raises
    ------
    UsageError
        A theme that does not exist, or a width that leaves no room.
    """

    width: float = 1280.0
    font: float = 18.0
    systems: int | None = 1
    theme: str = "light"
    bars: tuple[int, int] | None = None
    phrase: int | None = None
    height: float | None = None
    title: str | None = None
    variant_name: str | None = None
    quiz: bool = False
    tension: Sequence[TensionPoint] = ()
    keep_row: bool = False
    others: bool = False
    embed_fonts: bool = True
    key: bool = True
    ident: str = "lane"

    def __post_init__(self) -> None:
        if self.theme not in THEMES:
            raise UsageError(
                f'theme "{self.theme}" does not exist; give one of {", ".join(THEMES)}'
            )
        if self.width < 18 * self.font:
            raise UsageError(
                f"width {self.width:g} is too narrow for text of {self.font:g}; give at least "
                f"{18 * self.font:g}"
            )


@dataclass(frozen=True, eq=False)
class _Scene:
    """Everything of one picture that does not depend on a place on paper."""

    analysis: Analysis
    plan: Plan | None
    endings: tuple[PhraseEnding, ...]
    notes: tuple[SungNote, ...]
    other_edits: tuple[Edit, ...]
    lyric_rows: int
    view: View
    lines: tuple[OtherLine, ...] = ()

    @property
    def sung(self) -> dict[int, str]:
        """The pitches that sound (MIDI), each as its first note is spelled."""
        moved = {round(n.new_pitch): n.edit.to_name for n in self.notes if n.edit is not None}
        named = {pitch: name for pitch, name in moved.items() if name}
        unnamed = {round(n.new_pitch): "" for n in self.notes}
        heard = {round(n.pitch): n.note.name for n in reversed(self.notes)}
        return {**unnamed, **named, **heard}

    def sung_in(self, system: System) -> dict[int, str]:
        """As `sung`, each pitch as its first note in a system is spelled, where it has one there:
        what is E sharp over C sharp 7 may be F over D minor."""
        here = [n for n in self.notes if system.holds(n.note.start_s)]
        moved = {round(n.new_pitch): n.edit.to_name for n in here if n.edit and n.edit.to_name}
        return {**self.sung, **moved, **{round(n.pitch): n.note.name for n in reversed(here)}}

    @property
    def ends(self) -> set[int]:
        """The pitches (MIDI) on which phrases end, as sung and moved."""
        last = {ending.note.index for ending in self.endings if ending.note is not None}
        closing = [n for n in self.notes if n.note.index in last]
        return {round(pitch) for n in closing for pitch in (n.pitch, n.new_pitch)}


def lane_svg(analysis: Analysis, plan: Plan | None = None, view: View = View()) -> str:
    """The melody of `analysis` and what `plan` moves, as a complete SVG document.

    Raises
    ------
    UsageError
        Bars or a phrase that do not exist.
    """
    width, font = view.width, view.font
    axis = time_axis(
        analysis, analysis.melody, bars=view.bars, widest_cells=int(width / (2.5 * font))
    )
    shown = None if view.quiz else plan
    if view.phrase is not None:
        axis = around(axis, *_sounds(analysis, shown, view.phrase))
    count = view.systems or systems_needed(axis, width=width, f=font)
    scene = _scene(analysis, shown, axis, count, view)
    scene = scene if view.phrase is None else _alone(scene, view.phrase, axis)
    entries = _entries(scene) if view.key else []
    lines = title_lines(view.title, width, font)
    head = (len(lines) * 1.9 + 0.5 if lines else 0.2) * font
    placed = place_systems(_layout(scene), axis, count=count, top=head)
    foot = placed[-1].bottom + 0.5 * font
    tall = foot + (key_height(entries, f=font, width=width) if entries else 0) + 0.4 * font
    pen = Pen()
    _open(pen, scene, tall)
    for row, line in enumerate(lines):
        pen.text(0.2 * font, (1.5 + 1.9 * row) * font, line, "title")
    for system in placed:
        _draw_system(pen, scene, system)
    if entries:
        draw_key(pen, entries, f=font, width=width, y=foot + 0.75 * font)
    pen.raw("</svg>")
    return str(pen)


def picture_css(font: float, *, scope: str) -> str:
    """The style of pictures with `theme="page"` below the class `scope`, for the page's CSS."""
    return style_sheet(font, theme="page", scope=scope)


def _scene(
    analysis: Analysis,
    plan: Plan | None,
    axis: TimeAxis,
    count: int,
    view: View,
) -> _Scene:
    stem = analysis.melody
    px_a_second = _px_a_second(axis, count, view.width, view.font)
    edits = plan.edits if plan is not None else ()
    notes: list[SungNote] = []
    if stem is not None:
        notes = sung_notes(
            stem,
            [edit for edit in edits if edit.stem == stem.name],
            tuning_hz=analysis.tuning_hz,
            mean_vibrato=px_a_second * _CYCLE_S < _LEAST_CYCLE * view.font,
        )
    others = tuple(edit for edit in edits if stem is None or edit.stem != stem.name)
    endings = phrase_endings(analysis, plan)
    shown = (n.note for n in notes if view.phrase in (None, n.note.phrase))
    rows = rows_of_words(shown, px_a_second=px_a_second, f=view.font)
    lines = other_lines(analysis, plan) if view.others else ()
    return _Scene(analysis, plan, endings, tuple(notes), others, rows, view, lines)


def _sounds(analysis: Analysis, plan: Plan | None, phrase: int) -> tuple[float, float]:
    """From when to when a phrase sounds, as sung and in the variant. Raises UsageError."""
    stem = analysis.melody
    notes = [note for note in stem.notes if note.phrase == phrase] if stem is not None else []
    if stem is None or not notes:
        raise UsageError(f"phrase {phrase} has no notes to draw")
    own = [edit for edit in (plan.edits if plan else ()) if edit.stem == stem.name]
    spans = [(note.start_s, note.end_s) for note in notes]
    spans += [edit.span_after for edit in own if edit.phrase == phrase]
    return min(start for start, _ in spans), max(end for _, end in spans)


def _alone(scene: _Scene, phrase: int, axis: TimeAxis) -> _Scene:
    """What a picture of one phrase shows."""
    first_s, last_s = axis.time_s(axis.first), axis.time_s(axis.last)
    others = tuple(e for e in scene.other_edits if e.start_s < last_s and e.end_s > first_s)
    notes = tuple(n for n in scene.notes if n.note.phrase == phrase)
    moved = [n.edit for n in notes if n.edit is not None]
    return replace(
        scene,
        plan=replace(scene.plan, edits=(*moved, *others)) if scene.plan is not None else None,
        endings=tuple(e for e in scene.endings if e.number == phrase),
        notes=notes,
        other_edits=others,
    )


def _px_a_second(axis: TimeAxis, count: int, width: float, font: float) -> float:
    cells_a_second = 1 / max(axis.time_s(1.0) - axis.time_s(0.0), 1e-6)
    cells = max((last - first for first, last in axis.systems(count)), default=1.0)
    return cells_a_second * (width - 6 * font) / max(cells, 1e-6)


def _layout(scene: _Scene) -> Layout:
    view = scene.view
    pitches = [pitch for n in scene.notes for pitch in (n.pitch, n.new_pitch)]
    pitches += [p for line in scene.lines for n in line.notes for p in (n.pitch, n.new_pitch)]
    low, high = (math.floor(min(pitches)), math.ceil(max(pitches))) if pitches else (60, 72)
    keys: list[Key | None] = [span.key for span in scene.analysis.keys]
    names = [
        lane.name
        for key in keys or [None]
        for lane in lanes_of(key, low=low, high=high, sung=scene.sung)
    ]
    framed = view.phrase is None
    told = any(e.state is not None or e.degree is not None for e in scene.endings)
    return layout_of(
        f=view.font,
        width=view.width,
        pitches=pitches,
        lane_names=names,
        lyric_rows=scene.lyric_rows,
        height=None if view.height is None else view.height - 1.1 * view.font,
        has_sections=framed and bool(scene.analysis.sections),
        has_variant_row=framed
        and (view.keep_row or any(ending.is_changed for ending in scene.endings)),
        has_chords=bool(scene.analysis.chords),
        has_others=bool(scene.other_edits),
        has_tension=len(view.tension) > 1,
        has_phrases=framed and bool(scene.endings),
        has_endings=framed and told,
    )


def _entries(scene: _Scene) -> list[KeyEntry]:
    name = (scene.view.variant_name or scene.plan.name) if scene.plan is not None else None
    entries = key_entries(
        variant_name=name,
        with_signs=not scene.view.quiz and any(e.state is not None for e in scene.endings),
        with_chords=bool(scene.analysis.chords),
        with_key=scene.analysis.key is not None,
        doubts={doubt_sign(sung.note) for sung in scene.notes if sung.note.is_doubtful},
    )
    return entries if len(entries) > 1 else []


def _open(pen: Pen, scene: _Scene, height: float) -> None:
    view = scene.view
    ident, width, font = view.ident, view.width, view.font
    words = alternative_text(
        scene.analysis,
        scene.endings,
        scene.plan,
        variant_name=view.variant_name or (scene.plan.name if scene.plan else ""),
        quiz=view.quiz,
        phrase=view.phrase,
    )
    pen.raw(
        f'<svg xmlns="http://www.w3.org/2000/svg" class="{ident}" role="img" '
        f'viewBox="0 0 {width:g} {height:.0f}" width="{width:g}" height="{height:.0f}" '
        f'aria-labelledby="{ident}-t {ident}-d">'
    )
    pen.raw(f'<title id="{ident}-t">{escape(words[0])}</title>')
    pen.raw(f'<desc id="{ident}-d">{escape(words[1])}</desc>')
    step = 0.3 * font
    pen.raw(
        f'<defs><pattern id="{ident}-h" width="{step:.1f}" height="{step:.1f}" '
        f'patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        f'<line class="hatch" x1="0" y1="0" x2="0" y2="{step:.1f}"/></pattern></defs>'
    )
    if view.theme != "page":
        fonts = font_faces() if view.embed_fonts else ""
        pen.raw(f"<style>{fonts}{style_sheet(font, theme=view.theme, scope=ident)}</style>")
        pen.rect(0, 0, width, height, "ground")


def _draw_system(pen: Pen, scene: _Scene, system: System) -> None:
    analysis = scene.analysis
    edges = [system.first, *_inner_edges(system), system.last]
    with pen.group(
        "system",
        times=" ".join(f"{system.axis.time_s(edge):.3f}" for edge in edges),
        xs=" ".join(f"{system.x_at(edge):.1f}" for edge in edges),
        top=f"{system.lanes_top:.1f}",
        bottom=f"{system.bottom:.1f}",
    ):
        if scene.view.phrase is None:
            draw_sections(pen, system, analysis.sections)
            draw_phrases(pen, system, scene.endings, quiz=scene.view.quiz)
        regions = regions_of(system, analysis, sung=scene.sung_in(system))
        draw_lanes(pen, system, regions, analysis.chords, ends=scene.ends)
        names = [key_name_span(system, region) for region in regions[1:]]
        draw_bars(pen, system, [ending.phrase.start_s for ending in scene.endings], names)
        draw_words(pen, system, [n.note for n in scene.notes])
        draw_other_lines(pen, system, scene.lines)
        if analysis.chords:
            draw_chords(pen, system, analysis, scene.plan, scene.other_edits)
        if scene.other_edits:
            draw_other_moves(pen, system, scene.other_edits)
        if len(scene.view.tension) > 1:
            shown = () if scene.view.quiz else scene.endings
            draw_tension(pen, system, scene.view.tension, shown, hatch=f"{scene.view.ident}-h")
        if not scene.view.quiz:
            draw_slurs(pen, system, scene.notes)
        by_note = {e.note.index: e for e in scene.endings if e.note is not None}
        draw_notes(pen, system, scene.notes, by_note, quiz=scene.view.quiz)


def _inner_edges(system: System) -> list[float]:
    start = math.floor(system.first + 1e-9) + 1
    return [float(cell) for cell in range(start, math.ceil(system.last - 1e-9))]
