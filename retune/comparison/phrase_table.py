"""One row a phrase: how it ends as sung and in every variant, side by side, for statistics."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from retune.carriers.changes import Plan
from retune.carriers.heard import Analysis, Note, StemAnalysis
from retune.comparison.endings import PhraseEnding, phrase_endings

COLUMNS = (
    *("song", "phrase", "phrases", "position", "bar", "start_s", "end_s", "ending_s", "note"),
    *("degree", "ending", "ending_melodic", "chord", "roman", "chord_role", "cadence", "key"),
    *("section", "certainty", "words"),
)
AFTER = ("note", "degree", "ending", "chord", "chord_role", "cadence")
"""What a variant may change: columns "VARIANT.note" and so on."""
Row = dict[str, Any]


def columns_of(variants: Sequence[str]) -> tuple[str, ...]:
    """The columns of a table with these variants, theirs last."""
    return COLUMNS + tuple(f"{name}.{column}" for name in variants for column in AFTER)


def phrase_rows(analysis: Analysis, plans: Sequence[Plan] = (), *, song: str) -> list[Row]:
    """A row for each phrase of the melody; the columns of a variant repeat the original's where
    it changes nothing, so that two columns can be compared."""
    stem = analysis.melody
    if stem is None:
        return []
    rows = [_as_sung(analysis, stem, end, song=song) for end in phrase_endings(analysis)]
    for plan in plans:
        for row, end in zip(rows, phrase_endings(analysis, plan), strict=True):
            row |= {f"{plan.name}.{name}": value for name, value in _after(row, end).items()}
    return rows


def _as_sung(analysis: Analysis, stem: StemAnalysis, end: PhraseEnding, *, song: str) -> Row:
    phrase, note, n_phrases = end.phrase, end.note, len(stem.phrases)
    sung = [note for note in stem.notes if note.phrase == phrase.index]
    key = analysis.key_at(note.start_s if note is not None else phrase.start_s)
    return {
        "song": song,
        "phrase": phrase.index,
        "phrases": n_phrases,
        "position": position_of(phrase.index, n_phrases),
        "bar": note.bar if note is not None else None,
        "start_s": round(phrase.start_s, 3),
        "end_s": round(phrase.end_s, 3),
        "ending_s": round(note.start_s, 3) if note is not None else None,
        "note": note.name if note is not None else None,
        "degree": phrase.ending_degree,
        "ending": phrase.ending,
        "ending_melodic": phrase.ending_melodic,
        "chord": end.chord.label if end.chord is not None else None,
        "roman": end.chord.roman if end.chord is not None else None,
        "chord_role": phrase.ending_chord_role,
        "cadence": phrase.cadence,
        "key": str(key) if key is not None else None,
        "section": getattr(phrase, "section", None),
        "certainty": round(note.confidence, 3) if note is not None else None,
        "words": _words(sung),
    }


def position_of(number: int, count: int) -> str:
    """Where a phrase stands in its song: "first", "inner" or "last" (of one phrase: "last")."""
    if number == count:
        return "last"
    return "first" if number == 1 else "inner"


def _words(notes: Sequence[Note]) -> str | None:
    """The syllables of a phrase as words; None where no lyrics are known."""
    syllables = [text for note in notes if (text := getattr(note, "lyric", None))]
    return " ".join(syllables).replace("- ", "") or None


def _after(row: Mapping[str, Any], end: PhraseEnding) -> Row:
    if not end.is_changed:
        return {name: row[name] for name in AFTER}
    role = row["chord_role"]
    if end.edit is not None:
        role = end.edit.role_after
    elif end.chord_after is not None and end.note is not None:
        role = end.chord_after.role_of(end.note.midi_name % 12)
    return {
        "note": end.name_after if end.is_moved else row["note"],
        "degree": end.degree_after,
        "ending": end.state_after,
        "chord": end.chord_after.label if end.chord_after is not None else None,
        "chord_role": role,
        "cadence": end.cadence_after,
    }
