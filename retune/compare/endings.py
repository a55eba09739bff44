"""How each phrase ends, in the original and in a variant, side by side."""

from __future__ import annotations

import re
from dataclasses import dataclass

from retune.compare.picture_line import edit_of_note
from retune.core.carriers import Analysis, Chord, Edit, Ending, Note, Phrase, Plan, StemAnalysis

_TONIC = re.compile(r"^(I|i)(?![IVviv])")
_RELATED = re.compile(r"^(IV|iv|VI|vi|bVI|III|iii|bIII)(?![IVviv])")
_INVERTED = re.compile(r"(6|65|43|42|64|2)$")


@dataclass(frozen=True)
class PhraseEnding:
    """The end of one phrase before and after a plan.

    `degree_after`, `state_after` and `name_after` are None where the plan leaves the ending
    note alone. A state is None where it is unknown (no chords); `chord` is None likewise.
    """

    phrase: Phrase
    note: Note | None
    chord: Chord | None
    degree: str | None
    state: Ending | None
    edit: Edit | None = None
    name_after: str | None = None
    degree_after: str | None = None
    state_after: Ending | None = None

    @property
    def is_moved(self) -> bool:
        return self.edit is not None

    @property
    def number(self) -> int:
        return self.phrase.index

    @property
    def words_after(self) -> str:
        """ "at rest", "still open"; what the variant makes of it ("" when it is not moved)."""
        if not self.is_moved:
            return ""
        if self.state_after is None:
            return "moved"
        return f"still {self.state_after}" if self.state_after == self.state else self.state_after


def phrase_endings(analysis: Analysis, plan: Plan | None = None) -> tuple[PhraseEnding, ...]:
    """The endings of the melody's phrases, each with what `plan` makes of it."""
    stem = analysis.melody
    if stem is None:
        return ()
    edits = plan.of_stem(stem.name) if plan is not None else ()
    return tuple(_ending(phrase, stem, edits) for phrase in stem.phrases)


def _ending(phrase: Phrase, stem: StemAnalysis, edits: tuple[Edit, ...]) -> PhraseEnding:
    note = stem.note(phrase.ending_note) if phrase.ending_note is not None else None
    chord = note.chord_at_end or note.chord if note is not None else None
    state = phrase.ending or phrase.ending_melodic
    plain = PhraseEnding(phrase, note, chord, phrase.ending_degree, state)
    edit = edit_of_note(note, edits) if note is not None else None
    if note is None or edit is None:
        return plain
    pitch = note.midi_name + round(edit.shift_cents / 100)
    has_chord = phrase.ending is not None
    return PhraseEnding(
        phrase,
        note,
        chord,
        phrase.ending_degree,
        state,
        edit=edit,
        name_after=edit.to_name,
        degree_after=edit.to_degree,
        state_after=state_of(edit.to_degree, chord if has_chord else None, pitch_class=pitch % 12),
    )


def state_of(degree: str | None, chord: Chord | None, *, pitch_class: int) -> Ending | None:
    """How a phrase ends on a degree over a chord; by the degree alone without a chord.

    At rest is 1 over a root-position tonic chord; partly at rest are 3 and 5 over the tonic
    chord, 1 over its inversion, and 1, 3 and 5 as tones of IV, vi and iii (in minor iv, VI and
    III); all else is open.
    """
    if degree is None:
        return None
    if chord is None:
        return {"1": "at rest", "3": "partly at rest", "5": "partly at rest"}.get(degree, "open")  # type: ignore[return-value]
    if degree not in ("1", "3", "5") or chord.role_of(pitch_class) is None:
        return "open"
    inverted = chord.bass_pc not in (-1, chord.root_pc) or bool(_INVERTED.search(chord.roman))
    if _TONIC.match(chord.roman) and "/" not in chord.roman:
        return "at rest" if degree == "1" and not inverted else "partly at rest"
    related = _RELATED.match(chord.roman) and "/" not in chord.roman
    return "partly at rest" if related else "open"
