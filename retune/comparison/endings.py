"""How each phrase ends, in the original and in a variant, side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from retune.carriers.changes import Edit, Plan
from retune.carriers.heard import Analysis, Cadence, Chord, Ending, Key, Note, Phrase, StemAnalysis
from retune.comparison.picture_line import edit_of_note
from retune.song.lifted import keys_after
from retune.song.moved import note_after
from retune.theory.cadences import cadence_of
from retune.theory.chords import chord_of, chord_parts, is_no_chord, roman_of, with_bass
from retune.theory.roles import how_it_ends, melodic_ending
from retune.theory.spelling import spell_pitch_class

_HARMONIC_ROLES = ("bass", "harmony", "backing")
_LOOSE_S = 0.12  # a chord that ends so soon after a phrase begins is none of the phrase's
_NEAR_END_S = 0.05  # where before its end a note's chord is looked up


@dataclass(frozen=True)
class PhraseEnding:
    """The end of one phrase before and after a plan.

    `edit` moves the ending note itself; `chord_after` differs from `chord` where the plan moves
    what sounds beneath, and is None when that makes a sonority without a name. States are None
    where unknown.
    """

    phrase: Phrase
    note: Note | None
    chord: Chord | None
    degree: str | None
    state: Ending | None
    edit: Edit | None = None
    chord_after: Chord | None = None
    degree_after: str | None = None
    state_after: Ending | None = None
    cadence_after: Cadence | None = None

    @property
    def is_moved(self) -> bool:
        """Whether the note itself moves."""
        return self.edit is not None

    @property
    def has_new_chord(self) -> bool:
        return self.chord_after != self.chord

    @property
    def is_changed(self) -> bool:
        """Whether the plan touches this ending, the note or what sounds beneath it."""
        return self.is_moved or self.has_new_chord

    @property
    def name_after(self) -> str | None:
        return self.edit.to_name if self.edit is not None else None

    @property
    def number(self) -> int:
        return self.phrase.index

    @property
    def words_after(self) -> str:
        """ "at rest", "still open"; what the variant makes of it ("" when it is not changed)."""
        if not self.is_changed:
            return ""
        if self.state_after is None:
            return "over a new sonority" if self.has_new_chord else "moved"
        same = self.state_after == self.state
        words = f"still {self.state_after}" if same else str(self.state_after)
        return ", ".join(filter(None, (self._in_time, words)))

    @property
    def _in_time(self) -> str:
        """ "later", "held": how the note moves in time, "" where it does not."""
        if self.edit is None or not self.edit.moves_in_time:
            return ""
        start_s, end_s = self.edit.span_after
        if start_s != self.edit.start_s:
            return "later" if start_s > self.edit.start_s else "earlier"
        return "held" if end_s > self.edit.end_s else "shorter"

    @property
    def move_words(self) -> str:
        """ "2 → 1", or the one degree of a note that moves in time alone."""
        if self.edit is not None and not self.edit.shift_cents:
            return self.degree or ""
        return f"{self.degree or ''} → {self.degree_after or ''}".strip(" →")


def phrase_endings(analysis: Analysis, plan: Plan | None = None) -> tuple[PhraseEnding, ...]:
    """The endings of the melody's phrases, each with what `plan` makes of it."""
    stem = analysis.melody
    if stem is None:
        return ()
    edits = plan.edits if plan is not None else ()
    lifted = replace(analysis, keys=keys_after(analysis, edits))
    return tuple(_ending(analysis, phrase, stem, edits, lifted) for phrase in stem.phrases)


def is_touched(ending: PhraseEnding, plan: Plan) -> bool:
    """Whether a plan changes anything in a phrase or how it ends."""
    return ending.is_changed or any(edit.phrase == ending.number for edit in plan.edits)


def _ending(
    analysis: Analysis,
    phrase: Phrase,
    stem: StemAnalysis,
    edits: Sequence[Edit],
    lifted: Analysis,
) -> PhraseEnding:
    note = stem.note(phrase.ending_note) if phrase.ending_note is not None else None
    chord = (note.chord_at_end or note.chord) if note is not None else None
    plain = PhraseEnding(
        phrase,
        note,
        chord,
        phrase.ending_degree,
        phrase.ending or phrase.ending_melodic,
        chord_after=chord,
    )
    if note is None:
        return plain
    edit = edit_of_note(note, [e for e in edits if e.stem == stem.name])
    key = lifted.key_at(note.start_s)
    later = note_after(note, edit, analysis)
    if later is not note:
        chord = later.chord_at_end or later.chord
    at_s = max(later.start_s, later.end_s - _NEAR_END_S)
    chord_after = _chord_after(analysis, chord, _shifts_at(at_s, edits, stem), key)
    if edit is None and chord_after == chord:
        return replace(plain, cadence_after=phrase.cadence)
    degree = edit.to_degree if edit is not None else phrase.ending_degree
    midi = note.midi_name + (round(edit.shift_cents / 100) if edit is not None else 0)
    after = how_it_ends(midi, chord_after, key)
    if phrase.ending is None:
        after = melodic_ending(degree)
    return replace(
        plain,
        edit=edit,
        chord_after=chord_after,
        degree_after=degree,
        state_after=after,
        cadence_after=_cadence_after(analysis, phrase, chord_after, edits, midi, key),
    )


def _cadence_after(
    analysis: Analysis,
    phrase: Phrase,
    last: Chord | None,
    edits: Sequence[Edit],
    midi: int,
    key: Key | None,
) -> Cadence | None:
    """The cadence that the moved chords and the moved ending make; None where a chord that it
    rests on has no name."""
    if key is None or last is None or is_no_chord(last) or phrase.cadence is None:
        return None
    under = [c for c in analysis.chords if c.end_s > phrase.start_s + _LOOSE_S]
    chords = []
    for chord in (c for c in under if c.start_s < last.start_s - 1e-6):
        at_s = (max(chord.start_s, phrase.start_s) + chord.end_s) / 2
        shifts = _shifts_at(at_s, edits, analysis.melody)
        chords.append(_chord_after(analysis, chord, shifts, key))
    if None in chords[-2:]:
        return None
    return cadence_of([c for c in chords if c is not None] + [last], midi, key)


def chord_after(analysis: Analysis, plan: Plan, at_s: float) -> Chord | None:
    """The chord that sounds at a time once a plan has moved what it moves there; None for none, and
    for a sonority without a name."""
    key = replace(analysis, keys=keys_after(analysis, plan.edits)).key_at(at_s)
    shifts = _shifts_at(at_s, plan.edits, analysis.melody)
    return _chord_after(analysis, analysis.chord_at(at_s), shifts, key)


def _shifts_at(at_s: float, edits: Sequence[Edit], melody: StemAnalysis | None) -> dict[str, float]:
    """Semitones by which each stem but the melody is moved at a time."""
    return {
        edit.stem: edit.shift_cents / 100
        for edit in edits
        if edit.start_s <= at_s < edit.end_s and (melody is None or edit.stem != melody.name)
    }


def _chord_after(
    analysis: Analysis, chord: Chord | None, shifts: dict[str, float], key: Key | None
) -> Chord | None:
    """The chord when stems are moved: moved whole, or with another bass; None for what has no
    name."""
    roles = {name: stem.role for name, stem in analysis.stems.items()}
    harmonic = {name for name, role in roles.items() if role in _HARMONIC_ROLES}
    moved = {name: shift for name, shift in shifts.items() if name in harmonic}
    if chord is None or is_no_chord(chord) or not moved:
        return chord
    amounts = set(moved.values())
    if len(amounts) > 1 or amounts.pop() % 1:
        return None
    shift = round(next(iter(moved.values())))
    if set(moved) == harmonic:
        return _transposed(chord, shift, key)
    bass_pc = (chord.bass_pc + shift) % 12
    only_bass = all(roles[name] == "bass" for name in moved)
    if only_bass and chord.role_of(bass_pc) is not None:
        return with_bass(chord, bass_pc, key)
    return None


def _transposed(chord: Chord, semitones: int, key: Key | None) -> Chord:
    parts = chord_parts(chord)
    root = spell_pitch_class((chord.root_pc + semitones) % 12, key)
    moved = replace(chord_of(replace(parts, root=root)), start_s=chord.start_s, end_s=chord.end_s)
    return replace(moved, roman=roman_of(moved, key))
