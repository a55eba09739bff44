"""What the page is told: songs, plans and pictures as plain JSON values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from zlib import crc32

from retune.carriers.barlines import meter_words, tempo_words
from retune.carriers.changes import Edit, Plan
from retune.carriers.errors import RuleError
from retune.carriers.heard import SECOND_VOICE, Analysis, Chord
from retune.carriers.text import counted, pretty, pretty_numeral
from retune.comparison.consequence_words import told
from retune.comparison.endings import phrase_endings
from retune.comparison.estimated import bars_told, chords_told, key_told, rival_keys
from retune.comparison.exports.deck import DRAWN_FONT
from retune.comparison.page_stage import LARGE, large_drawings
from retune.comparison.picture import View, lane_svg, picture_css
from retune.comparison.picture_time import bars_sung
from retune.comparison.picture_words import chord_name
from retune.faces.web.desk import Desk
from retune.faces.web.given import song_given
from retune.faces.web.stem_sound import head_of
from retune.pipeline.facts import analysis_facts, number, plan_facts
from retune.pipeline.mix_residual import is_summed
from retune.pipeline.records import Table
from retune.pipeline.rule_lines import RuleLine
from retune.pipeline.tension_curves import tension_curves, tension_words
from retune.song.moved import move_words

PICTURE_IDENT = "lane"


def song_view(desk: Desk) -> Table:
    """Everything the page shows of the song on the desk."""
    opened, analysis = desk.opened, desk.analysis
    undo, redo = desk.steps
    song = opened.song
    facts = analysis_facts(analysis, song=song.path.name)
    return {
        **facts,
        "ident": desk.ident,
        "second_voice": SECOND_VOICE,
        "rights": song.rights,
        "tension": tension_words(analysis, [Plan(())]),
        "n_samples": opened.n_samples,
        "n_bars": bars_sung(analysis),
        "meter_words": meter_words(analysis.bars),
        "tempo_words": tempo_words(analysis.bars, "a minute") if analysis.bars.tempo_bpm else "",
        "key_name": pretty(str(analysis.key)) if analysis.key else None,
        "key_rivals": [
            {"name": name, "key": str(key), "shown": pretty(str(key))}
            for name, key in rival_keys(analysis)
        ],
        "told": {
            "key": key_told(analysis),
            "bars": bars_told(analysis),
            "chords": chords_told(analysis),
        },
        "chord_names": {chord.label: chord_name(chord) for chord in analysis.chords},
        "melody": analysis.melody.name if analysis.melody else None,
        "sound": [
            {
                "name": name,
                "file": stem.path.name,
                "role": stem.role,
                "gain_db": stem.gain_db,
                "summed": is_summed(opened, name),
                "channels": opened.audio[name].n_channels,
                "n_samples": opened.audio[name].n_samples,
                "head_bytes": len(head_of(opened.audio[name])),
            }
            for name, stem in song.stems.items()
        ],
        "variants": [
            {"name": v.name, "about": v.about, "rules": list(v.rules)}
            for v in song.variants.values()
        ],
        "drafts": [asdict(draft) for draft in desk.drafts],
        "corrections": [asdict(correction) for correction in song.corrections],
        "given": song_given(song),
        "revision": desk.revision,
        "undo": undo,
        "redo": redo,
        "is_song_file": desk.is_song_file,
    }


def plan_view(analysis: Analysis, plan: Plan, lines: Sequence[RuleLine]) -> Table:
    """A plan line by line, as a table, and with what it does to the endings."""
    facts = plan_facts(plan)
    consequences = [
        {"kind": "clash" if one.is_clash else "", "at_s": one.at_s, "text": one.text}
        for one in told(plan.consequences)
    ]
    return {
        **facts,
        "consequences": consequences,
        "caveat": plan.caveat,
        "lines": [_line(line, plan) for line in lines],
        "rows": _rows(analysis, plan),
    }


def _line(line: RuleLine, plan: Plan) -> Table:
    own = [edit for edit in plan.edits if edit.rule in line.rules]
    return {
        "canonical": line.canonical,
        "effect": _effect(own, is_kept=_is_kept(line)) if line.canonical else "",
        "fault": _fault(line.fault),
    }


def _is_kept(line: RuleLine) -> bool:
    return all(rule.startswith("keep ") for rule in line.rules)


def _effect(edits: Sequence[Edit], *, is_kept: bool = False) -> str:
    if is_kept:
        return "Keeps these notes as sung."
    if not edits:
        return "Moves nothing."
    bars = list(dict.fromkeys(edit.bar for edit in edits if edit.bar is not None))
    notes = sum(edit.note is not None for edit in edits)
    spans = len(edits) - notes
    what = [counted(notes, "note")] if notes else []
    what += [counted(spans, "passage")] if spans else []
    where = ""
    if bars:
        shown = ", ".join(map(str, bars[:8])) + (" …" if len(bars) > 8 else "")
        where = f": {'bar' if len(bars) == 1 else 'bars'} {shown}"
    return f"Moves {' and '.join(what)}{where}."


def _fault(fault: RuleError | None) -> Table | None:
    if fault is None:
        return None
    return {
        "column": fault.column,
        "length": fault.length,
        "problem": fault.problem,
        "expected": fault.expected,
        "nearest": fault.nearest,
        "readings": list(fault.readings),
    }


def _rows(analysis: Analysis, plan: Plan) -> list[Table]:
    """One row an edit, with the ending before and after where it moves one; then the endings
    that change because of what sounds beneath."""
    endings = {(e.note.start_s, e.note.index): e for e in phrase_endings(analysis, plan) if e.note}
    melody = analysis.melody.name if analysis.melody else ""
    rows: list[Table] = []
    for edit in plan.edits:
        ending = endings.get((edit.start_s, edit.note or 0)) if edit.stem == melody else None
        if ending is None and edit.stem == melody:
            ending = next((e for e in endings.values() if e.edit is edit), None)
        chord = analysis.chord_at(max(edit.start_s, edit.end_s - 0.05))
        rows.append(
            {
                "stem": edit.stem,
                "note": edit.note,
                "bar": edit.bar,
                "at_s": number(edit.start_s),
                "doubt": _doubt(analysis, edit),
                "from": pretty(edit.from_name or edit.stem),
                "to": pretty(edit.to_name or ""),
                "how": _how(edit, analysis),
                "over": _over(ending.chord if ending else chord),
                "before": ending.state if ending else None,
                "after": ending.state_after if ending else None,
                "words": ending.words_after if ending else "",
            }
        )
    return rows


def _doubt(analysis: Analysis, edit: Edit) -> str:
    """Why the note that moves is itself in doubt, "" where it is not."""
    stem = analysis.stems[edit.stem]
    return stem.note(edit.note).doubt_words if edit.note is not None else ""


def _how(edit: Edit, analysis: Analysis) -> str:
    """ "2 → 1, 2 semitones down, begins 1 beat later"."""
    moved = move_words(edit, analysis.bars)
    if moved and not edit.shift_cents:
        return moved
    cents = abs(edit.shift_cents)
    way = "down" if edit.shift_cents < 0 else "up"
    steps = cents / 100
    if abs(steps - round(steps)) < 0.005:
        size = counted(round(steps), "semitone")
    else:
        size = f"{cents:.0f} cents"
    degrees = ""
    if edit.from_degree and edit.to_degree:
        degrees = f"{pretty(edit.from_degree)} → {pretty(edit.to_degree)}, "
    glide = f"{edit.glide} glide" if edit.glide else ""
    vibrato = "" if edit.vibrato == 1 else f"{100 * edit.vibrato:.0f} % of its vibrato"
    formants = "formants moved" if edit.formants else ""
    tail = "with its tail" if edit.tail else ""
    told = (f"{degrees}{size} {way}", moved, glide, vibrato, formants, tail)
    return ", ".join(filter(None, told))


def _over(chord: Chord | None) -> dict[str, str] | None:
    if chord is None:
        return None
    return {"roman": pretty_numeral(chord.roman), "name": pretty(chord.typed or chord.label)}


def large_view(analysis: Analysis, plan: Plan | None, number: int) -> Table:
    """One phrase for the presentation view: its drawing, what is told of its ending, its style. No
    drawing where the plan changes nothing in it."""
    css = picture_css(DRAWN_FONT, scope=LARGE)
    mark = crc32("\n".join(plan.rules if plan else ()).encode())  # no two drawings share a name
    drawings = large_drawings(analysis, plan, {number}, ident=f"s{mark:x}")
    _, svg, told = next(drawings, (number, "", ""))
    return {"svg": svg, "told": told, "css": css}


def picture_view(
    analysis: Analysis,
    plan: Plan | None,
    *,
    width: float,
    font: float,
    bars: tuple[int, int] | None,
    is_split: bool,
    with_others: bool,
) -> Table:
    """The lane picture for a place of this width, its style apart (the page allows none inside)."""
    weighed = plan or Plan(())
    svg = lane_svg(
        analysis,
        plan if plan is not None and plan.edits else None,
        View(
            tension=tension_curves(analysis, [weighed])[weighed.name],
            width=width,
            font=font,
            systems=None if is_split else 1,
            theme="page",
            bars=bars,
            others=with_others,
            embed_fonts=False,
            ident=PICTURE_IDENT,
        ),
    )
    return {"svg": svg, "css": picture_css(font, scope=PICTURE_IDENT)}
