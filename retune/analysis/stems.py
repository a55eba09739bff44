"""From named notes to a stem's analysis: bars, degrees, chords, roles, phrases and endings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from retune.analysis.bars import bar_and_beat
from retune.analysis.corrections import Draft
from retune.analysis.harmony import LOOSE_S, NoteChords, chords_of
from retune.analysis.naming import Tuned
from retune.analysis.phrases import EARLY_S, PhraseSpan
from retune.analysis.structure import PhraseEnd, Sung, phrase_end
from retune.carriers.heard import (
    SECOND_VOICE,
    Bars,
    Cadence,
    Chord,
    Key,
    KeySpan,
    Note,
    Over,
    Phrase,
    PitchTrack,
    Role,
    StemAnalysis,
)
from retune.carriers.text import counted
from retune.song.bartime import beat_length_s
from retune.theory.cadences import cadence_of
from retune.theory.chords import is_no_chord
from retune.theory.keys import degree_of, home_at, nearest_midi_of_degree, spell_degree
from retune.theory.noteroles import (
    Placed,
    Reading,
    chord_judged,
    chord_roles,
    is_chord,
    readings,
    suspension_figure,
)
from retune.theory.pitchnames import pitch_class_of
from retune.theory.roles import how_it_ends, is_blue, melodic_ending
from retune.theory.spelling import degree_of_name, pitch_name, with_octave
from retune.theory.tensionmodels import stability, tension_terms

DOUBTFUL = 0.5
NAMED_AT_MOST = 5
# Share of doubtful notes over which a recording hardly holds one voice: sung clips have up to .12,
# the demo as a finished mix .35.
MANY = 0.25


@dataclass(frozen=True, eq=False)
class StemFacts:
    """All that is known of a stem before its notes are built; `joined` holds the onsets of notes
    that the note before runs into."""

    name: str
    role: Role
    track: PitchTrack | None
    drafts: tuple[Draft, ...]
    tuned: Tuned
    joined: frozenset[float]
    spans: tuple[PhraseSpan, ...]
    bars: Bars
    keys: tuple[KeySpan, ...]
    chords: tuple[Chord, ...]

    @property
    def reads(self) -> tuple[object, ...]:
        """All that the notes are built of, to compare; the track goes along as it is."""
        tuned = (tuple(self.tuned.midi), self.tuned.names)
        return (self.drafts, tuned, self.joined, self.spans, self.bars, self.keys, self.chords)

    def key_at(self, time_s: float) -> Key | None:
        found = self.keys[0].key if self.keys else None
        for span in self.keys:
            if span.start_s <= time_s + 1e-9:
                found = span.key
        return found


def shared_phrases(spans: Sequence[PhraseSpan], onsets: Sequence[float]) -> tuple[PhraseSpan, ...]:
    """The phrases of the lead as another stem fills them: its notes from one phrase's start to
    the next one's, positions of its own; phrases in which it rests keep their place, empty."""
    shared = []
    for k, span in enumerate(spans):
        until = spans[k + 1].start_s if k + 1 < len(spans) else float("inf")
        since = span.start_s if k else float("-inf")
        inside = [i for i, t in enumerate(onsets) if since - EARLY_S <= t < until - EARLY_S]
        first, last = (inside[0], inside[-1]) if inside else (0, -1)
        shared.append(PhraseSpan(first, last, span.start_s, span.end_s))
    return tuple(shared)


def build_stem(facts: StemFacts) -> tuple[StemAnalysis, list[str]]:
    """The stem's notes and phrases, and what a user should know of them."""
    names, told = _settled_names(facts)
    ends = _ends(facts, names)
    chords = [
        chords_of(d.start_s, d.end_s, chords=facts.chords, bars=facts.bars) for d in facts.drafts
    ]
    placed = _placed(facts, names, ends, chords)
    found = readings(placed)
    notes = [
        replace(
            _note(facts, k, placed[k], chords[k]),
            chord=chord_judged(placed[k]),
            chord_role=role,
            over=_over(facts, placed, found[k], k),
        )
        for k, role in enumerate(chord_roles(placed))
    ]
    notes = _with_phrases(notes, facts.spans, ends)
    phrases = [
        _phrase(facts, index, span, end, notes)
        for index, (span, end) in enumerate(zip(facts.spans, ends, strict=True), start=1)
    ]
    told += _doubts(facts.name, notes, role=facts.role)
    stem = StemAnalysis(facts.name, facts.role, tuple(notes), tuple(phrases), facts.track)
    return stem, told


def _spelled(draft: Draft, note: Placed, key: Key | None) -> str:
    """The name of a note: as a person typed it, else by the chord it is judged by."""
    typed = draft.typed.rstrip("-0123456789")
    if typed and pitch_class_of(typed) == note.midi % 12:
        return with_octave(typed, note.midi)
    if draft.degree is not None and key is not None:
        return with_octave(spell_degree(draft.degree, key), note.midi)
    return pitch_name(note.midi, key, chord_judged(note))


def _settled_names(facts: StemFacts) -> tuple[list[int], list[str]]:
    """MIDI numbers of the notes, those given a degree by hand moved to it."""
    names, told = list(facts.tuned.names), []
    for k, draft in enumerate(facts.drafts):
        if draft.degree is None:
            continue
        key = facts.key_at(draft.start_s)
        if key is None:
            told.append(
                f'correction "degree {draft.degree}" at {draft.start_s:.2f} s of stem '
                f"{facts.name} was left out: there is no key; give it"
            )
        else:
            names[k] = nearest_midi_of_degree(draft.degree, key, names[k])
    return names, told


def _ends(facts: StemFacts, names: Sequence[int]) -> list[PhraseEnd | None]:
    sung = [
        Sung(d.start_s, d.end_s, name, d.start_s in facts.joined, d.ending)
        for d, name in zip(facts.drafts, names, strict=True)
    ]
    return [
        phrase_end(sung, span.first, span.last, bars=facts.bars)
        if span.last >= span.first
        else None
        for span in facts.spans
    ]


def _placed(
    facts: StemFacts,
    names: Sequence[int],
    ends: Sequence[PhraseEnd | None],
    chords: Sequence[NoteChords],
) -> list[Placed]:
    endings = {end.ending for end in ends if end is not None}
    phrase_of = {
        k: index
        for index, span in enumerate(facts.spans, start=1)
        for k in range(span.first, span.last + 1)
    }
    placed = []
    for k, (draft, name) in enumerate(zip(facts.drafts, names, strict=True)):
        key = facts.key_at(draft.start_s)
        placed.append(
            Placed(
                draft.start_s,
                draft.end_s,
                name,
                chords[k].spans,
                chords[k].judged(at_end=k in endings),
                beat_length_s(draft.start_s, facts.bars),
                phrase_of.get(k, 0),
                key is not None and degree_of(name, key) in ("1", "5"),
                is_blue(name, key),
                key,
            )
        )
    return placed


def _note(facts: StemFacts, k: int, placed: Placed, chords: NoteChords) -> Note:
    draft, key, midi = facts.drafts[k], facts.key_at(facts.drafts[k].start_s), placed.midi
    name = _spelled(draft, placed, key)
    cents = 100 * (float(facts.tuned.midi[k]) - facts.tuned.names[k])
    bar, beat = bar_and_beat(draft.start_s, facts.bars)
    return Note(
        index=k + 1,
        start_s=round(draft.start_s, 4),
        end_s=round(draft.end_s, 4),
        pitch_midi=round(midi + cents / 100, 4),
        name=name,
        cents_from_name=round(cents, 2),
        degree=None if key is None else degree_of_name(name, key),
        bar=bar,
        beat=beat,
        chord_at_onset=chords.at_onset,
        chord_at_end=chords.at_end,
        stability=None if key is None else round(stability(midi, key), 4),
        confidence=draft.confidence,
        doubt=draft.doubt,
        singer=draft.singer,
    )


def _over(
    facts: StemFacts, placed: Sequence[Placed], found: Sequence[Reading], k: int
) -> tuple[Over, ...] | None:
    """The note over each chord that sounds under it; None where no chord does."""
    note, over = placed[k], []
    for span, reading in zip(note.spans, found, strict=True):
        if span.chord is None or not is_chord(span.chord):
            continue
        key, home = facts.key_at(span.chord.start_s), home_at(facts.keys, span.start_s)
        at = reading.resolves_to
        terms = tension_terms(note.midi, span.chord, key, home) if key and home else ()
        over.append(
            Over(
                span.start_s,
                span.end_s,
                span.chord,
                reading.role,
                sum(number for _, number in terms) if terms else None,
                _figure(facts, note.midi, placed[at].midi, span.chord) if at is not None else "",
                None if at is None else at + 1,
                terms,
            )
        )
    return tuple(over) or None


def _figure(facts: StemFacts, midi: int, goes_to: int, chord: Chord) -> str:
    key = facts.key_at(chord.start_s)
    return suspension_figure((midi, goes_to), chord, key, in_bass=facts.role == "bass")


def _with_phrases(
    notes: list[Note], spans: Sequence[PhraseSpan], ends: Sequence[PhraseEnd | None]
) -> list[Note]:
    result = list(notes)
    for index, (span, end) in enumerate(zip(spans, ends, strict=True), start=1):
        for k in range(span.first, span.last + 1):
            result[k] = replace(result[k], phrase=index)
        if end is None:
            continue
        at = end.ending
        result[at] = replace(result[at], is_phrase_ending=True)
        for k in end.restruck:
            result[k] = replace(result[k], ending_of=at + 1)
        for k in end.tail:
            result[k] = replace(result[k], tail_of=at + 1)
    return result


def _phrase(
    facts: StemFacts, index: int, span: PhraseSpan, end: PhraseEnd | None, notes: Sequence[Note]
) -> Phrase:
    if end is None:
        return Phrase(index, round(span.start_s, 4), round(span.end_s, 4))
    note = notes[end.ending]
    key = facts.key_at(note.start_s)
    return Phrase(
        index=index,
        start_s=round(span.start_s, 4),
        end_s=round(span.end_s, 4),
        ending_note=note.index,
        ending_degree=note.degree,
        ending_chord_role=note.chord_role,
        ending=how_it_ends(note.midi_name, note.chord, key),
        ending_melodic=melodic_ending(note.degree),
        cadence=_cadence(facts, span, note, key),
    )


def _cadence(facts: StemFacts, span: PhraseSpan, note: Note, key: Key | None) -> Cadence | None:
    """The cadence of a phrase, from the chords that sound in it up to the one of its ending."""
    last = note.chord
    if key is None or last is None or is_no_chord(last):
        return None
    heard = [c for c in facts.chords if span.start_s + LOOSE_S < c.end_s <= last.start_s + LOOSE_S]
    return cadence_of([*heard, last], note.midi_name, key)


def shared_cadences(stems: Mapping[str, StemAnalysis], lead: str | None) -> dict[str, StemAnalysis]:
    """The stems with the cadences of the lead: a cadence is the song's, not that of one line."""
    if lead is None:
        return dict(stems)
    named = {phrase.index: phrase.cadence for phrase in stems[lead].phrases}
    return {
        name: replace(
            stem,
            phrases=tuple(replace(p, cadence=named.get(p.index)) for p in stem.phrases),
        )
        for name, stem in stems.items()
    }


def _doubts(name: str, notes: Sequence[Note], *, role: Role) -> list[str]:
    """One line on the notes that are not to be trusted; where they are too many for one voice, with
    what to do if it is none."""
    beside = _beside(name, notes)
    doubtful = [note for note in notes if note.is_doubtful and note.doubt != SECOND_VOICE]
    if not doubtful:
        return beside
    shown = "; ".join(
        f"{note.start_s:.2f} s {note.name} ({note.doubt_words})"
        for note in doubtful[:NAMED_AT_MOST]
    )
    more = len(doubtful) - NAMED_AT_MOST
    rest = f"; and {more} more" if more > 0 else ""
    count = "1 note is" if len(doubtful) == 1 else f"{len(doubtful)} notes are"
    told = f"stem {name}: {count} in doubt: {shown}{rest}"
    if role == "melody" and len(doubtful) > MANY * len(notes):
        told += (
            '. So many speak for more than one voice: if this is a finished mix, give role = "mix" '
            "in the song file, or --guide with its melody (see retune help stems)"
        )
    return [told, *beside]


def _beside(name: str, notes: Sequence[Note]) -> list[str]:
    """One line on where a second voice sings along: the notes beside it, those of one phrase as one
    stretch."""
    stretches: dict[int | None, list[Note]] = {}
    for note in notes:
        if note.doubt == SECOND_VOICE:
            stretches.setdefault(note.phrase, []).append(note)
    if not stretches:
        return []
    spans = [f"{group[0].start_s:.1f}-{group[-1].end_s:.1f} s" for group in stretches.values()]
    more = len(spans) - NAMED_AT_MOST
    where = ", ".join(spans[:NAMED_AT_MOST]) + (f" and {more} more stretches" if more > 0 else "")
    count = counted(sum(map(len, stretches.values())), "note")
    return [
        f"stem {name}: a second voice sings along at {where} ({count} in doubt for it): listen "
        "which of the two is followed; moved alone, a note may take some of the other along"
    ]
