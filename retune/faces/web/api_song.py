"""Questions about the song: its facts, its picture, what rules would do, how it sounds."""

from __future__ import annotations

from dataclasses import asdict

from starlette.responses import Response

from retune.carriers.changes import Rendition, StemRendition
from retune.carriers.errors import UsageError
from retune.carriers.text import pretty
from retune.faces.web.answers import Bench, undisturbed
from retune.faces.web.asked import Asked
from retune.faces.web.desk import Desk
from retune.faces.web.overview import overview
from retune.faces.web.shown import large_view, picture_view, plan_view, song_view
from retune.faces.web.sound import packed
from retune.faces.web.stem_sound import SentStem, StemResponse
from retune.pipeline.facts import number, verdict_facts
from retune.pipeline.note_choices import choices_for
from retune.pipeline.records import Table
from retune.pipeline.renditions import CONTROL
from retune.pipeline.rule_lines import complete_rule, sung_otherwise

KINDS = ("variant", CONTROL)
BUDGET_S = 0.12


def state(bench: Bench, asked: Asked) -> Table:
    """Whether a song is open, whether it changed on disk, and how far the hearing is."""
    desk: Desk = bench.desk
    stage, fraction = desk.progress
    undo, redo = desk.steps
    return {
        "open": desk.path is not None,
        "changed_outside": desk.changed_outside,
        "other_takes": list(desk.other_takes),
        "missing_stems": list(desk.missing_stems),
        "revision": desk.revision,
        "stage": stage,
        "fraction": number(fraction, 3),
        "undo": undo,
        "redo": redo,
    }


@undisturbed
def song(bench: Bench, asked: Asked) -> Table:
    """The song on the desk; what its first rule needs is then made ready."""
    view = song_view(bench.desk)
    bench.desk.warm()
    return view


def plan(bench: Bench, asked: Asked) -> Table:
    """What rules would move, line by line."""
    desk: Desk = bench.desk
    rules = asked.lines("rules")
    made = desk.plan(rules, name=asked.line("name", "rules"))
    return plan_view(desk.analysis, made, desk.read(rules))


def seen_whole(bench: Bench, asked: Asked) -> Table:
    """The whole recording at a glance."""
    return overview(bench.desk)


def choices(bench: Bench, asked: Asked) -> Table:
    """The pitches that a note of the melody may take."""
    found = choices_for(bench.desk.analysis, asked.whole("note"))
    view = asdict(found)
    for pitch in view["pitches"]:
        pitch["shown"] = pretty(pitch["name"])
        pitch["degree_shown"] = pretty(pitch["degree"] or "")
    return view | {"chord": pretty(found.chord)}


def manner(bench: Bench, asked: Asked) -> Table:
    """A rule with how the notes that it moves are sung."""
    roles = {name: stem.role for name, stem in bench.desk.opened.parts.items()}
    told = sung_otherwise(
        asked.line("rule"),
        roles=roles,
        cents=asked.number("cents", 0.0),
        glide=asked.line("glide", ""),
        vibrato=asked.number("vibrato", 1.0),
        formants=asked.line("formants", ""),
        tail=asked.line("tail", ""),
    )
    return {"rule": told}


def complete(bench: Bench, asked: Asked) -> Table:
    """Words that may stand at a place in a rule."""
    stems = list(bench.desk.opened.parts)
    text = asked.text("text")
    return {"words": list(complete_rule(text, asked.whole("cursor", len(text)), stems=stems))}


def suggest(bench: Bench, asked: Asked) -> Table:
    """Variants that the song offers, with what each lets one hear."""
    desk: Desk = bench.desk
    _ = desk.analysis
    found = desk.handle.suggest()
    return {
        "variants": [
            {
                "name": item.variant.name,
                "about": pretty(item.variant.about),
                "rules": list(item.variant.rules),
                "reason": pretty(item.reason),
            }
            for item in found.variants
        ]
    }


def picture(bench: Bench, asked: Asked) -> Table:
    """The picture of the song, and of a plan where rules are given."""
    desk: Desk = bench.desk
    rules = asked.lines("rules")
    made = desk.plan(rules, name=asked.line("name", "rules")) if rules else None
    font = min(max(asked.number("font", 16.0), 10.0), 40.0)
    return picture_view(
        desk.analysis,
        made,
        width=min(max(asked.number("width", 1200.0), 18 * font), 40_000.0),
        font=font,
        bars=asked.span("bars"),
        is_split=asked.flag("split"),
        with_others=asked.flag("others"),
    )


def large(bench: Bench, asked: Asked) -> Table:
    """One phrase drawn for a hall, as sung or with what rules change in it."""
    desk: Desk = bench.desk
    rules = asked.lines("rules")
    made = desk.plan(rules) if rules else None
    return large_view(desk.analysis, made, asked.whole("phrase"))


def _kind(asked: Asked) -> str:
    kind = asked.line("kind", "variant")
    if kind not in KINDS:
        raise UsageError(f"kind must be one of {', '.join(KINDS)}")
    return kind


def sound(bench: Bench, asked: Asked) -> Response:
    """The changed spans of the rules, those from `from_s` on first; those the page has (`known`
    keys) come without samples. What takes long comes with the next question (`whole` false)."""
    desk: Desk = bench.desk
    made = desk.plan(asked.lines("rules"))
    pieces, whole = desk.pieces(
        made, kind=_kind(asked), from_s=asked.number("from_s", 0.0), budget_s=BUDGET_S
    )
    facts = {
        "edits": len(made.edits),
        "whole": whole,
        "warnings": [line for piece in pieces for line in piece.warnings],
        "verdicts": verdict_facts([v for piece in pieces for v in piece.verdicts]),
    }
    body = packed(pieces, known=set(asked.lines("known")), facts=facts)
    return Response(body, media_type="application/octet-stream")


def levels(bench: Bench, asked: Asked) -> Table:
    """Gains that match the original and the version of the rules to one loudness."""
    desk: Desk = bench.desk
    kind = _kind(asked)
    made = desk.plan(asked.lines("rules"))
    pieces, _ = desk.pieces(made, kind=kind)
    stems = {
        name: StemRendition(
            name,
            "",
            "",
            tuple(patch for piece in pieces if piece.stem == name for patch in piece.patches),
        )
        for name in dict.fromkeys(piece.stem for piece in pieces)
    }
    original = desk.levels()
    version = desk.levels(Rendition(made.name, made, stems, kind)) if stems else original
    return {
        "original_db": number(original.gain_db, 3),
        "version_db": number(version.gain_db, 3),
        "loudness_lufs": number(version.loudness_after, 2),
        "short_by_db": number(version.short_by_db, 3),
    }


def stem(bench: Bench, asked: Asked) -> Response:
    """The sound of one stem, sample for sample, or the part of it that is asked for."""
    desk: Desk = bench.desk
    name = asked.line("name")
    audio = desk.opened.audio.get(name)
    if audio is None:
        raise UsageError(f'no stem is called "{name}"')
    return StemResponse(SentStem(audio, desk.opened.reads["stems"][name]))
