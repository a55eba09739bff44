"""What a rule that matches nothing could have matched."""

from __future__ import annotations

from retune.carriers.heard import Analysis, Note, StemAnalysis
from retune.rules.inside import seconds_of
from retune.rules.model import NoteAt, Rule, Selector


def matches_nothing(rule: Rule, stem: StemAnalysis, analysis: Analysis) -> str:
    """A warning that shows what there is to match.

    Phrase endings for a rule on them, degrees for other notes, the nearest note for a time,
    names for a name.
    """
    if not stem.notes:
        return f'rule "{rule}" matches nothing: no notes were heard in stem {stem.name}'
    bars = max((note.bar for note in stem.notes if note.bar is not None), default=None)
    extent = f"{len(stem.phrases)} phrases" + ("" if bars is None else f", bars to {bars}")
    return f'rule "{rule}" matches nothing; {_what_there_is(rule, stem, analysis)} ({extent})'


def _what_there_is(rule: Rule, stem: StemAnalysis, analysis: Analysis) -> str:
    does = "plays" if stem.role == "bass" else "sings"
    if isinstance(rule.what, NoteAt):
        return _nearest(stem, seconds_of(rule.what.time, analysis))
    if isinstance(rule.what, Selector) and rule.what.kind == "phrase-ending":
        ends = [
            f"phrase {p.index} on {p.ending_degree or '?'}{_over(p.ending_note, stem)}"
            for p in stem.phrases
            if p.ending_note is not None
        ]
        return f"phrases end: {', '.join(ends) or 'none found'}"
    if isinstance(rule.what, Selector) and rule.what.degrees:
        degrees = sorted({note.degree for note in stem.notes if note.degree}, key=_by_digit)
        return f"{stem.name} {does} degrees {', '.join(degrees) or 'unknown: give a key'}"
    ordered = sorted(stem.notes, key=lambda note: note.midi_name)
    return f"{stem.name} {does} {', '.join(dict.fromkeys(n.name for n in ordered))}"


def _over(index: int | None, stem: StemAnalysis) -> str:
    chord = stem.note(index).chord if index is not None else None
    return f" over {chord.typed or chord.label}" if chord is not None else ""


def _by_digit(degree: str) -> tuple[str, str]:
    return degree.lstrip("b#"), degree


def _nearest(stem: StemAnalysis, at_s: float) -> str:
    """The note whose sound is nearest to a moment."""

    def away_s(note: Note) -> float:
        return max(note.start_s - at_s, at_s - note.end_s, 0.0)

    note = min(stem.notes, key=away_s)
    place = "" if note.bar is None or note.beat is None else f", bar {note.bar}:{note.beat:.3g}"
    return f"the nearest to {at_s:.2f} s is {note.name} from {note.start_s:.2f} s{place}"
