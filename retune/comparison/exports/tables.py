"""CSV tables: notes, f0, phrases, chords and edits, for a spreadsheet or a script."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from retune.carriers.changes import Edit
from retune.carriers.heard import StemAnalysis
from retune.comparison.exports.material import Material, provenance, version_notes
from retune.song.csvtext import table
from retune.theory.spelling import pitch_name

NOTE_COLUMNS = (
    *("version", "stem", "note", "start_s", "end_s", "midi", "name", "pitch_midi", "degree"),
    *("bar", "beat", "phrase", "phrase_ending", "chord", "chord_role", "stability"),
    *("confidence", "doubt", "moved_by_cents", "lyric"),
)
PHRASE_COLUMNS = (
    *("stem", "phrase", "start_s", "end_s", "ending_note", "ending_degree", "ending_chord_role"),
    *("ending", "ending_melodic", "cadence", "section", "alike"),
)
OVER_COLUMNS = (
    *("stem", "note", "name", "start_s", "end_s", "chord", "roman", "role", "figure"),
    *("resolves_to", "tension"),
)
SECTION_COLUMNS = ("start_s", "end_s", "name", "source")
CHORD_COLUMNS = ("start_s", "end_s", "label", "typed", "roman", "estimated", "confidence")
EDIT_COLUMNS = (
    *("variant", "stem", "note", "start_s", "end_s", "from", "to", "from_degree", "to_degree"),
    *("shift_cents", "bar", "phrase", "chord", "role_before", "role_after"),
    *("stability_before", "stability_after", "rule", "start_to_s", "end_to_s"),
)
F0_COLUMNS = ("time_s", "f0_hz", "voiced_prob", "energy_db")


def csv_tables(material: Material) -> dict[str, str]:
    """The text of every table by the end of its file name, such as "notes.csv"."""
    analysis = material.analysis
    tables = {
        "notes.csv": table(NOTE_COLUMNS, _notes(material)),
        "over.csv": table(OVER_COLUMNS, _over(material)),
        "phrases.csv": table(PHRASE_COLUMNS, _phrases(material)),
        "chords.csv": table(
            CHORD_COLUMNS,
            (
                (c.start_s, c.end_s, c.label, c.typed, c.roman, c.estimated, c.confidence)
                for c in analysis.chords
            ),
        ),
        "sections.csv": table(
            SECTION_COLUMNS, ((s.start_s, s.end_s, s.name, s.source) for s in analysis.sections)
        ),
        "edits.csv": table(
            EDIT_COLUMNS,
            (_edit(plan.name, edit) for plan in material.plans for edit in plan.edits),
        ),
        "about.csv": table(("about",), [(provenance(material, *_plans(material)),)]),
    }
    for stem in analysis.stems.values():
        if stem.track is not None:
            tables[f"f0-{stem.name}.csv"] = table(F0_COLUMNS, _f0(stem))
    return tables


def _plans(material: Material) -> tuple[Any, ...]:
    return (None, *material.plans)


def _notes(material: Material) -> Iterable[Sequence[Any]]:
    for version, plan in material.versions:
        for stem in material.analysis.stems.values():
            for played in version_notes(stem, plan, material.analysis):
                note, edit = played.note, played.edit
                key = material.analysis.key_at(note.start_s)
                yield (
                    *(version, stem.name, note.index, note.start_s, note.end_s, played.midi),
                    *(
                        (edit.to_name or pitch_name(played.midi, key)) if edit else note.name,
                        played.pitch_midi,
                    ),
                    edit.to_degree if edit else note.degree,
                    *(note.bar, note.beat, note.phrase, note.is_phrase_ending),
                    note.chord.label if note.chord else None,
                    edit.role_after if edit else note.chord_role,
                    edit.stability_after if edit else note.stability,
                    *(
                        note.confidence,
                        note.doubt_words,
                        edit.shift_cents if edit else 0,
                        note.lyric,
                    ),
                )


def _phrases(material: Material) -> Iterable[Sequence[Any]]:
    for stem in material.analysis.stems.values():
        for p in stem.phrases:
            yield (
                *(stem.name, p.index, p.start_s, p.end_s, p.ending_note, p.ending_degree),
                *(p.ending_chord_role, p.ending, p.ending_melodic, p.cadence, p.section, p.alike),
            )


def _over(material: Material) -> Iterable[Sequence[Any]]:
    """Each note of the original over each chord that sounds under it."""
    for stem in material.analysis.stems.values():
        for note in stem.notes:
            for o in note.over or ():
                yield (
                    *(stem.name, note.index, note.name, o.start_s, o.end_s, o.chord.label),
                    *(o.chord.roman, o.role, o.figure, o.resolves_to, o.tension),
                )


def _edit(variant: str, e: Edit) -> Sequence[Any]:
    return (
        *(variant, e.stem, e.note, e.start_s, e.end_s, e.from_name, e.to_name, e.from_degree),
        *(e.to_degree, e.shift_cents, e.bar, e.phrase, e.chord, e.role_before, e.role_after),
        *(e.stability_before, e.stability_after, e.rule, e.start_to_s, e.end_to_s),
    )


def _f0(stem: StemAnalysis) -> Iterable[Sequence[Any]]:
    track = stem.track
    if track is None:
        return ()
    columns = (track.time_s, track.f0_hz, track.voiced_prob, track.energy_db)
    return zip(*(column.tolist() for column in columns), strict=True)
