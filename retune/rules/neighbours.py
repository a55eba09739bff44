"""Notes by what stands beside them in the phrase: how they are reached or left, what they are
longer than, whether they repeat a pitch, and where a rest is."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable

from retune.carriers.barlines import Meter, written_beats
from retune.carriers.errors import InputError
from retune.carriers.heard import Analysis, Note, StemAnalysis
from retune.rules.scopes import After, BesideRest, Compared, Lasting, Width
from retune.song.bartime import beat_length_s
from retune.song.moved import has_beats
from retune.theory.noteroles import STEP
from retune.theory.pitchnames import letter_steps

LONGER = 1.15
"""A sung note is longer than a length if it exceeds it by this, as no two beats are sung alike."""
SMALL_REST_BEATS = 0.3
"""A rest as short as this is a breath or the end of a syllable, and counts as the note's."""
SMALL_REST_S = 0.2
"""The same where a song has no beats (a breath at a moderate tempo; from memory)."""


def next_to(note: Note, side: str, stem: StemAnalysis) -> Note | None:
    """The note "before" or "after" a note in its phrase."""
    index = note.index + (1 if side == "after" else -1)
    if not 1 <= index <= len(stem.notes):
        return None
    other = stem.note(index)
    return other if other.phrase == note.phrase else None


def is_reached(note: Note, scope: After, stem: StemAnalysis) -> bool:
    """Whether a note comes after (or before) a step, a leap, a rise or a fall in its phrase."""
    other = next_to(note, "before" if scope.side == "after" else "after", stem)
    if other is None or other.midi_name == note.midi_name:
        return False
    first, second = (other, note) if scope.side == "after" else (note, other)
    far = second.midi_name - first.midi_name
    size = "step" if abs(far) <= STEP else "leap"
    way = "up" if far > 0 else "down"
    is_so = scope.size in ("", size) and scope.way in ("", way)
    return is_so and (scope.width is None or _is_as_wide(first, second, scope.width))


def _is_as_wide(first: Note, second: Note, width: Width) -> bool:
    """Whether two notes lie as far apart as is asked: by their letters, or by semitones."""
    if width.unit == "scale step":
        far = abs(letter_steps(second.name) - letter_steps(first.name))
    else:
        far = abs(second.midi_name - first.midi_name)
    asked = width.amount * (12 if width.unit == "octave" else 1)
    return {"more": far >= asked, "less": far <= asked}.get(width.bound, far == asked)


def is_repeated(note: Note, stem: StemAnalysis) -> bool:
    """Whether a note has the pitch of the one before it in its phrase."""
    before = next_to(note, "before", stem)
    return before is not None and before.midi_name == note.midi_name


def compares(note: Note, scope: Compared, stem: StemAnalysis, analysis: Analysis) -> bool:
    """Whether a note is higher, lower, longer or shorter than the one beside it."""
    other = next_to(note, scope.than, stem)
    if other is None:
        return False
    if scope.way in ("higher", "lower"):
        return (note.midi_name - other.midi_name) * (1 if scope.way == "higher" else -1) > 0
    unit = "beat" if has_beats(analysis.bars) else "second"
    written = _written(unit, stem, analysis)
    ratio = written(note) / written(other)
    return ratio > LONGER if scope.way == "longer" else ratio < 1 / LONGER


def lasting(scope: Lasting, stem: StemAnalysis, analysis: Analysis) -> Callable[[Note], bool]:
    """The test whether a note is longer or shorter than a length, or of that length."""
    unit = "second" if scope.unit == "second" else "beat"

    def asked(note: Note) -> float:
        if scope.unit != "note":
            return scope.amount
        return scope.amount / _beat_value(analysis.bars.meter_of(note.bar or 0))

    written = _written(unit, stem, analysis)

    def lasts(note: Note) -> bool:
        length = written(note) / asked(note)
        is_longer, is_shorter = length > LONGER, length < 1 / LONGER
        return {"longer": is_longer, "shorter": is_shorter}.get(
            scope.way, not (is_longer or is_shorter)
        )

    return lasts


def _beat_value(meter: Meter) -> float:
    """A beat in whole notes: a dotted quarter in 6/8."""
    return meter[0] / written_beats(meter) / meter[1]


def _written(unit: str, stem: StemAnalysis, analysis: Analysis) -> Callable[[Note], float]:
    """The length of a note as it would be written: a short breath after it belongs to it."""
    onsets = [note.start_s for note in stem.notes]

    def length(note: Note) -> float:
        beat_s = _beat_s(analysis, note.start_s) if unit == "beat" else 1.0
        after = bisect_right(onsets, note.start_s + 1e-6)
        next_s = onsets[after] if after < len(onsets) else note.end_s
        rest = (next_s - note.end_s) / beat_s
        end_s = next_s if rest <= SMALL_REST_BEATS and unit == "beat" else note.end_s
        return (end_s - note.start_s) / beat_s

    return length


def _beat_s(analysis: Analysis, at_s: float) -> float:
    if not has_beats(analysis.bars):
        raise InputError("the song has no beats; give the length in seconds, such as 0.5s")
    return beat_length_s(at_s, analysis.bars)


def beside_rest(
    scope: BesideRest, stem: StemAnalysis, analysis: Analysis
) -> Callable[[Note], bool]:
    """The test whether a rest goes before a note, or follows it; the silence around the song is
    none."""
    way = 1 if scope.side == "before" else -1

    def rests(note: Note) -> bool:
        if not 1 <= note.index + way <= len(stem.notes):
            return False
        first, second = sorted((note, stem.note(note.index + way)), key=lambda n: n.start_s)
        is_timed = has_beats(analysis.bars)
        beat_s = beat_length_s(first.end_s, analysis.bars) if is_timed else 1.0
        small_s = SMALL_REST_BEATS * beat_s if is_timed else SMALL_REST_S
        return second.start_s - first.end_s > small_s

    return rests
