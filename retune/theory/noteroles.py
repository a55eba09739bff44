"""What a note is over each chord under it: a chord tone, or which kind of non-chord tone.

The kinds follow textbook harmony (common practice, no source). A note lives over every chord that
sounds under it, so each stretch is judged on its own; what is held or struck again at one pitch
is one tone:

- a suspension is prepared by the chord before, dissonant now, and resolves down by step (also by
  way of one other note); a retardation resolves up;
- a pedal stays while chords change around it, a chord tone before and after; the tonic and the
  dominant also where they only began as one;
- an anticipation is held, or struck again, into the chord that it belongs to;
- a passing tone is reached and left by step in one direction, a neighbour by step and back;
  changing tones are both neighbours, one after the other (C D B C);
- a blue note (b3, b7 and b5 of a major key, b5 of a minor one) is one where no other kind fits;
- an appoggiatura is leapt to (or starts out of nothing) and moves by step, an escape tone is
  reached by step and left by leap; what finds no way on is unresolved.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from retune.carriers.heard import Chord, Key
from retune.theory.chords import sus_pitch_class, third_pitch_class
from retune.theory.pitchnames import LETTERS
from retune.theory.roles import member_over
from retune.theory.spelling import spell_pitch_class

STEP = 2
"""The most semitones of a step; more is a leap."""
# Silence longer than this many beats parts a note from the next.
PART_BEATS = 1.0
# Over so many chords a held tonic or dominant is a pedal, even where it ends outside the chord.
PEDAL_CHORDS = 3


@dataclass(frozen=True)
class Span:
    """A stretch of a note over one chord (None where no chord is known)."""

    start_s: float
    end_s: float
    chord: Chord | None


@dataclass(frozen=True)
class Placed:
    """A named note with its chords: `midi` a whole number, `judged` the place in `spans` of the
    chord it is judged by (None without one), `beat_s` how long a beat lasts there, `may_stay`
    for a tonic or dominant, `may_be_blue` for a pitch that the key has as a blue note, `key` the
    one in force (None: chords stand for no dominant but their own)."""

    start_s: float
    end_s: float
    midi: int
    spans: tuple[Span, ...] = ()
    judged: int | None = 0
    beat_s: float = 0.5
    phrase: int = 0
    may_stay: bool = False
    may_be_blue: bool = False
    key: Key | None = None


@dataclass(frozen=True)
class Reading:
    """A role (None without a chord); `resolves_to` is the place of the note in which a suspension
    or retardation finds its way on."""

    role: str | None
    resolves_to: int | None = None


@dataclass(frozen=True)
class _Tone:
    """Notes held or struck again at one pitch: `stretches` are (note, span, chord)."""

    midi: int
    first: int
    last: int
    stretches: tuple[tuple[int, int, Chord | None], ...]
    key: Key | None

    @property
    def opens_on(self) -> Chord | None:
        return self.stretches[0][2]

    def member_of(self, chord: Chord | None) -> str | None:
        return member_over(self.midi, chord, self.key)


def asked_times(start_s: float, end_s: float, beat_s: float) -> tuple[float, float]:
    """When it is asked which chords lie under a note. Singers come a little early and hold a
    little long: an eighth of a beat after the onset, a quarter before the end (common practice,
    no source)."""
    loose_s = min(beat_s / 8, (end_s - start_s) / 4)
    return start_s + loose_s, max(end_s - 2 * loose_s, start_s + loose_s)


def spans_between(
    start_s: float, end_s: float, chords: Sequence[Chord], *, asked_s: tuple[float, float]
) -> tuple[Span, ...]:
    """A note cut at the changes of the chords that sound between the `asked_s`; the first stretch
    and the last reach to its ends."""
    under = [c for c in chords if c.start_s <= asked_s[1] + 1e-9 and c.end_s > asked_s[0] + 1e-9]
    if not under:
        return ()
    edges = [max(chord.start_s, start_s) for chord in under[1:]]
    starts, ends = [start_s, *edges], [*edges, end_s]
    if under[0].start_s > asked_s[0]:
        starts[0] = under[0].start_s
    return tuple(
        Span(round(a, 4), round(b, 4), chord)
        for a, b, chord in zip(starts, ends, under, strict=True)
    )


def is_chord(chord: Chord | None) -> bool:
    """True for a chord that has tones (not None, not N.C.)."""
    return chord is not None and bool(chord.tones)


def readings(notes: Sequence[Placed]) -> list[tuple[Reading, ...]]:
    """For each note its reading over each of its spans."""
    tones = _tones(notes)
    found: dict[tuple[int, int], Reading] = {}
    for place, tone in enumerate(tones):
        line = _Line(notes, tones, place)
        for k, (note, span, chord) in enumerate(tone.stretches):
            if is_chord(chord):
                found[note, span] = _reading(line, k)
    return [
        tuple(found.get((k, s), Reading(None)) for s in range(len(note.spans)))
        for k, note in enumerate(notes)
    ]


def chord_roles(notes: Sequence[Placed]) -> list[str | None]:
    """The role of every note over the chord it is judged by, None where no chord is known."""
    return [
        None if note.judged is None or not found else found[note.judged].role
        for note, found in zip(notes, readings(notes), strict=True)
    ]


def chord_judged(note: Placed) -> Chord | None:
    """The chord that a note is judged by."""
    return None if note.judged is None else note.spans[note.judged].chord


def suspension_figure(
    resolving: tuple[int, int], chord: Chord, key: Key | None, *, in_bass: bool = False
) -> str:
    """The figure of a suspension or retardation ("4-3", "7-8"): intervals over the bass, by the
    letters that the key writes; "2-3" where the bass itself is suspended.

    `resolving` are the MIDI numbers of the dissonance and of its resolution.
    """
    if in_bass:
        return "2-3"
    above, bass = (spell_pitch_class(pc % 12, key)[0] for pc in (resolving[0], chord.bass_pc))
    number = (LETTERS.index(above) - LETTERS.index(bass)) % 7 + 1
    if resolving[1] > resolving[0]:
        return f"{number}-{number + 1}"
    number += 7 if number <= 2 else 0
    return f"{number}-{number - 1}"


def _tones(notes: Sequence[Placed]) -> list[_Tone]:
    tones: list[_Tone] = []
    for k, note in enumerate(notes):
        stretches = tuple((k, s, span.chord) for s, span in enumerate(note.spans))
        stretches = stretches or ((k, 0, None),)
        if tones and tones[-1].midi == note.midi and _joined(notes[k - 1], note):
            last = tones[-1]
            tones[-1] = _Tone(note.midi, last.first, k, (*last.stretches, *stretches), last.key)
        else:
            tones.append(_Tone(note.midi, k, k, stretches, note.key))
    return tones


@dataclass(frozen=True)
class _Line:
    """A tone among its neighbours."""

    notes: Sequence[Placed]
    tones: Sequence[_Tone]
    place: int

    @property
    def tone(self) -> _Tone:
        return self.tones[self.place]

    def beside(self, steps: int) -> _Tone | None:
        """The tone so many places on (or back), where nothing parts the line on the way."""
        way = 1 if steps > 0 else -1
        for k in range(self.place, self.place + steps, way):
            left, right = min(k, k + way), max(k, k + way)
            if left < 0 or right >= len(self.tones):
                return None
            if not _joined(self.notes[self.tones[left].last], self.notes[self.tones[right].first]):
                return None
        return self.tones[self.place + steps]


def _reading(line: _Line, k: int) -> Reading:
    """What the tone is over its k-th stretch."""
    tone = line.tone
    chord = tone.stretches[k][2]
    member = tone.member_of(chord)
    if member is not None:
        return _own_suspension(line, chord) or Reading(member)
    earlier = any(_consonant(tone, other) for other in tone.stretches[:k])
    later = any(_consonant(tone, other) for other in tone.stretches[k + 1 :])
    if earlier and later:
        return Reading("pedal")
    if later:
        return Reading("anticipation")
    return _prepared(line) if earlier else Reading(_by_motion(line))


def _consonant(tone: _Tone, stretch: tuple[int, int, Chord | None]) -> bool:
    return tone.member_of(stretch[2]) is not None


def _own_suspension(line: _Line, chord: Chord | None) -> Reading | None:
    """The fourth or second of a sus chord that goes to the third of its root: the chord's own
    suspension."""
    following = line.beside(1)
    if chord is None or following is None or line.tone.midi % 12 != sus_pitch_class(chord):
        return None
    coming = following.opens_on
    if coming is None or coming.root_pc != chord.root_pc:
        return None
    if following.midi % 12 != third_pitch_class(coming) or not _is_step(line.tone, following):
        return None
    down = following.midi < line.tone.midi
    return Reading("suspension" if down else "retardation", following.first)


def _prepared(line: _Line) -> Reading:
    """A dissonance that the chord before prepared."""
    tone, following, second = line.tone, line.beside(1), line.beside(2)
    if following is not None and 0 < tone.midi - following.midi <= STEP:
        return Reading("suspension", following.first)
    if second is not None and 0 < tone.midi - second.midi <= STEP and _opens_as_member(second):
        return Reading("suspension", second.first)
    if following is not None and _is_step(tone, following) and _opens_as_member(following):
        return Reading("retardation", following.first)
    chords = [label for label, _ in groupby(c.label for _, _, c in tone.stretches if c is not None)]
    if line.notes[tone.first].may_stay and len(chords) >= PEDAL_CHORDS:
        return Reading("pedal")
    return Reading(_without_way(line))


def _opens_as_member(tone: _Tone) -> bool:
    return tone.member_of(tone.opens_on) is not None


def _by_motion(line: _Line) -> str:
    """Which kind of unprepared non-chord tone, by how it is reached and left."""
    if _is_changing(line):
        return "changing tone"
    tone, before, after = line.tone, line.beside(-1), line.beside(1)
    steps_on = after is not None and _is_step(tone, after)
    stepped_in = before is not None and _is_step(before, tone)
    if before is not None and after is not None and steps_on and stepped_in:
        same_way = (after.midi > tone.midi) == (tone.midi > before.midi)
        return "passing" if same_way else "neighbour"
    if steps_on:
        return "appoggiatura"
    return "escape" if stepped_in and after is not None else _without_way(line)


def _without_way(line: _Line) -> str:
    return "blue" if line.notes[line.tone.first].may_be_blue else "unresolved"


def _is_changing(line: _Line) -> bool:
    """Whether the tone is the first or the second of two changing tones."""
    return any(
        _changing(*(line.beside(step) for step in range(back, back + 4))) for back in (-1, -2)
    )


def _changing(*four: _Tone | None) -> bool:
    start, first, second, end = four
    if start is None or first is None or second is None or end is None:
        return False
    up, down = first.midi - start.midi, second.midi - start.midi
    around = up * down < 0 and max(abs(up), abs(down)) <= STEP
    outside = not _opens_as_member(first) and not _opens_as_member(second)
    return end.midi == start.midi and around and outside


def _is_step(first: _Tone, second: _Tone) -> bool:
    return 0 < abs(second.midi - first.midi) <= STEP


def _joined(before: Placed, after: Placed) -> bool:
    """True when one leads to the other: within a phrase, without a long silence."""
    silence = after.start_s - before.end_s
    return before.phrase == after.phrase and silence <= PART_BEATS * before.beat_s
