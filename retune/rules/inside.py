"""Whether a note lies where the scope of a rule says, and the spans of time of such places."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence

from retune.carriers.errors import ChordError, InputError
from retune.carriers.heard import Analysis, Chord, Key, Note, Phrase, StemAnalysis
from retune.rules.lyrics import notes_of_words, spans_from_word
from retune.rules.neighbours import beside_rest, compares, is_reached, is_repeated, lasting
from retune.rules.scopes import (
    LAST,
    After,
    AtCadences,
    Beside,
    BesideRest,
    Compared,
    Except,
    FromTo,
    FromWord,
    In,
    InClosing,
    InHalf,
    InSection,
    Lasting,
    OnBeats,
    OnStrength,
    OnWord,
    Over,
    Pitched,
    Repeated,
    Scope,
    Span,
    Time,
    Where,
)
from retune.song.bartime import bar_time, beat_length_s
from retune.theory.chords import chord_matches, is_no_chord, is_tonic_chord, triad_quality
from retune.theory.keys import in_scale
from retune.theory.pitchnames import parse_pitch_name
from retune.theory.roles import is_chord_tone
from retune.theory.roman import is_numeral

ON_THE_BEAT = 0.13
"""How far from a downbeat, in beats, an onset still counts as on it: about 85 ms at 92 bpm,
within the looseness of human timing (common practice, no source)."""
Spans = list[tuple[float, float]]
# Chords named by letters mean the same in every key.
_ANY_KEY = Key("C", "major")


def seconds_of(time: Time | InSection, analysis: Analysis) -> float:
    """A moment of a rule in seconds; raises InputError when the song has no such place."""
    if isinstance(time, InSection):
        return section_spans(time, analysis)[0][0]
    if time.seconds is not None:
        return time.seconds
    return bar_time(analysis.bars, time.bar, time.beat)


def is_on_beat(note: Note, beat: float) -> bool:
    """Whether a note begins on a beat of its bar, a little early or late."""
    return note.beat is not None and abs(note.beat - beat) <= ON_THE_BEAT


Inside = Callable[[Note], bool]


def inside(scope: Scope, stem: StemAnalysis, analysis: Analysis) -> Inside:
    """The test whether a note of a stem lies where a scope says.

    Raises
    ------
    InputError
        The song has no such place.
    """
    if isinstance(scope, Except):
        within = inside(scope.scope, stem, analysis)
        return lambda note: not within(note)
    assert not isinstance(scope, Beside), "matched with its neighbour by rules.match"
    if isinstance(scope, Where):
        return lambda note: _belongs(note, scope.of, analysis) is scope.is_so
    if isinstance(scope, After | Repeated | Compared | Lasting | BesideRest):
        return _by_neighbours(scope, stem, analysis)
    if isinstance(scope, OnBeats):
        return lambda note: any(is_on_beat(note, beat) for beat in scope.beats)
    if isinstance(scope, OnStrength):
        return _on_strength(scope.way, analysis)
    if isinstance(scope, OnWord):
        sung = notes_of_words(stem, scope.word)
        return lambda note: note.index in sung
    if isinstance(scope, FromWord):
        return _within_spans(word_spans(scope, stem, analysis))
    if isinstance(scope, Pitched):
        midi, sign = parse_pitch_name(scope.name), 1 if scope.way == "higher" else -1
        return lambda note: sign * (note.midi_name - midi) > 0
    if isinstance(scope, Over):
        return lambda note: over_chord(note.chord, scope, analysis, note.start_s)
    return _in_place(scope, stem, analysis)


def _within_spans(spans: Spans) -> Inside:
    return lambda note: any(start <= note.start_s + 1e-6 < end for start, end in spans)


def word_spans(scope: FromWord, stem: StemAnalysis | None, analysis: Analysis) -> Spans:
    """The stretches from word to word as a stem sings them, as the melody does for one without
    words."""
    sings = stem is not None and any(note.lyric for note in stem.notes)
    source = stem if sings else analysis.melody
    return spans_from_word(source, scope.first, scope.last) if source is not None else []


def _belongs(note: Note, of: str, analysis: Analysis) -> bool | None:
    """Whether a note is a tone of its chord, or of the scale; None where none is known."""
    key = analysis.key_at(note.start_s)
    if of == "scale":
        return None if key is None else in_scale(note.midi_name, key)
    if is_no_chord(note.chord):
        return None
    return is_chord_tone(note.midi_name, note.chord, key)


def _by_neighbours(
    scope: After | Repeated | Compared | Lasting | BesideRest,
    stem: StemAnalysis,
    analysis: Analysis,
) -> Inside:
    if isinstance(scope, After):
        return lambda note: is_reached(note, scope, stem)
    if isinstance(scope, Repeated):
        return lambda note: is_repeated(note, stem) is scope.is_so
    if isinstance(scope, Compared):
        return lambda note: compares(note, scope, stem, analysis)
    if isinstance(scope, Lasting):
        return lasting(scope, stem, analysis)
    return beside_rest(scope, stem, analysis)


def _in_place(
    scope: In | InHalf | InSection | InClosing | AtCadences | FromTo,
    stem: StemAnalysis,
    analysis: Analysis,
) -> Inside:
    if isinstance(scope, In):
        last = last_number(scope, stem, analysis)
        if scope.what == "phrase":
            return lambda note: listed(note.phrase, scope.spans, last)
        return lambda note: listed(note.bar, scope.spans, last)
    if isinstance(scope, InHalf):
        return _in_half(scope, stem, analysis)
    if isinstance(scope, FromTo):
        before_start = None if scope.start is None else _before(scope.start, analysis)
        before_end = None if scope.end is None else _before(scope.end, analysis)
        return lambda note: (
            (before_start is None or not before_start(note))
            and (before_end is None or before_end(note))
        )
    if isinstance(scope, InSection):
        return _within_spans(section_spans(scope, analysis))
    phrases = _phrases(stem, analysis)
    if isinstance(scope, InClosing):
        ends = {"open": "open", "closed": "at rest"}[scope.way]
        closing = {phrase.index for phrase in phrases if phrase.ending == ends}
    else:
        closing = _closing_so(scope, phrases)
    return lambda note: note.phrase in closing


def _phrases(stem: StemAnalysis | None, analysis: Analysis) -> tuple[Phrase, ...]:
    """The phrases of a stem, those of the melody for stems without."""
    source = stem if stem is not None and stem.phrases else analysis.melody
    return source.phrases if source is not None else ()


def _closing_so(scope: AtCadences, phrases: Sequence[Phrase]) -> set[int]:
    """The phrases that close with a cadence."""
    wanted = {"authentic": ("perfect authentic", "imperfect authentic")}
    wanted["half"] = ("half", "phrygian half")
    named = {name for kind in scope.cadences for name in wanted.get(kind, (kind,))}
    return {phrase.index for phrase in phrases if phrase.cadence in named}


# --- beats and lengths ---------------------------------------------------------------------------

_STRONG = {4: (1, 3), 6: (1, 4)}


def _on_strength(way: str, analysis: Analysis) -> Inside:
    """The test whether a note begins on a strong or weak beat of its bar, or ("off") on none."""

    def is_so(note: Note) -> bool:
        beats = _beats_of(way, analysis.bars.beats_in(note.bar or 0))
        on_one = any(is_on_beat(note, beat) for beat in beats)
        return note.beat is not None and on_one == (way != "off")

    return is_so


def _beats_of(way: str, count: int) -> tuple[float, ...]:
    """The strong or weak beats of a bar of `count`, or ("off") all beats: the first and, in bars
    of four and six, the middle one are strong (common practice, no source)."""
    strong = _STRONG.get(count, (1,))
    return tuple(
        float(beat)
        for beat in range(1, count + 1)
        if way == "off" or (beat in strong) == (way == "strong")
    )


# --- halves --------------------------------------------------------------------------------------


def _in_half(scope: InHalf, stem: StemAnalysis, analysis: Analysis) -> Inside:
    first = scope.half == 1
    if scope.of == "song":
        middle_s = middle_of_song(analysis)
        return lambda note: (note.start_s < middle_s - 1e-6) == first
    middles = {p.index: _middle_bar(p.start_s, p.end_s, analysis) for p in _phrases(stem, analysis)}
    return lambda note: (
        note.phrase in middles and (note.start_s < middles[note.phrase] - 1e-6) == first
    )


def middle_of_song(analysis: Analysis) -> float:
    """Where the second half begins: with a phrase where their number is even, else in the middle
    of the bars that the melody has."""
    melody = analysis.melody
    phrases = melody.phrases if melody else ()
    if phrases and len(phrases) % 2 == 0:
        return phrases[len(phrases) // 2].start_s
    start_s = phrases[0].start_s if phrases else 0.0
    end_s = phrases[-1].end_s if phrases else analysis.duration_s
    return _middle_bar(start_s, end_s, analysis)


def _middle_bar(start_s: float, end_s: float, analysis: Analysis) -> float:
    """The middle of the bars that a stretch fills: a pickup before them does not count. Less than
    the looseness of a beat earlier, as onsets are."""
    downbeats = analysis.bars.downbeats_s
    if len(downbeats) < 2:
        return (start_s + end_s) / 2
    beat_s = beat_length_s(start_s, analysis.bars)
    half_bar_s = beat_s * analysis.bars.beats_in(bisect_right(downbeats, start_s)) / 2
    first = bisect_left(downbeats, start_s - ON_THE_BEAT * beat_s)
    first -= 1 if first and downbeats[min(first, len(downbeats) - 1)] - start_s > half_bar_s else 0
    last = min(max(bisect_left(downbeats, end_s - beat_s / 4), first + 1), len(downbeats) - 1)
    middle = (first + last) / 2
    whole = int(middle)
    more = downbeats[whole + 1] - downbeats[whole] if whole + 1 < len(downbeats) else 0.0
    return downbeats[whole] + (middle - whole) * more - ON_THE_BEAT * beat_s


# --- sections, times, phrases and bars -----------------------------------------------------------


def section_spans(scope: InSection, analysis: Analysis) -> Spans:
    """The sections that a name means, as time; raises InputError when the song has none such."""
    sections = analysis.sections
    same = [s for s in sections if s.name.casefold() == scope.name.casefold()]
    whole = f"{scope.name} {scope.which}".strip().casefold()
    named = [s for s in sections if s.name.casefold() == whole]
    if scope.which and not named and same:
        place = len(same) if scope.which == LAST else int(scope.which)
        named = same[place - 1 : place]
    if not named:
        known = ", ".join(dict.fromkeys(s.name for s in sections))
        has = (
            f"it has {known}"
            if known
            else 'name them in the song file, under [music]: sections = [["1:1", "verse"]]'
        )
        raise InputError(f'section "{whole}" is not in the song; {has}')
    return [(s.start_s, s.end_s) for s in named]


def _before(moment: Time | InSection, analysis: Analysis) -> Inside:
    """The test whether a note begins before a moment; at a beat by its place in the bar, which
    bears with onsets a little early."""
    at_s = seconds_of(moment, analysis) - 1e-9
    if isinstance(moment, InSection) or moment.seconds is not None:
        return lambda note: note.start_s < at_s
    place = moment.bar, moment.beat
    return lambda note: (
        note.start_s < at_s if note.bar is None else (note.bar, (note.beat or 1.0) + 1e-6) < place
    )


def last_number(scope: In, stem: StemAnalysis | None, analysis: Analysis) -> int:
    """What "last" means: the last phrase, or the last bar in which the stem (for a stem without
    notes of its own, the melody) begins a note: bars that only ring out do not count."""
    if scope.what == "phrase":
        return max((phrase.index for phrase in _phrases(stem, analysis)), default=0)
    source = stem if stem is not None and stem.notes else analysis.melody
    if source is not None and source.notes:
        return max((note.bar for note in source.notes if note.bar is not None), default=0)
    return max(len(analysis.bars.downbeats_s) - 1, 0)


def bounds(span: Span, last: int) -> list[tuple[int, int]]:
    """The runs of numbers that a list item means, each by its first and last."""
    if span.step == 1:
        return [(_number_of(span.low, last), _number_of(span.high, last))]
    return [(number, number) for number in _numbers_of(span, last)]


def _numbers_of(span: Span, last: int) -> range:
    return range(_number_of(span.low, last), _number_of(span.high, last) + 1, span.step)


def _number_of(end: int | str, last: int) -> int:
    if end == LAST:
        return last
    number = int(end)
    return max(last + 1 + number, 1) if number < 0 else number


def listed(number: int | None, spans: Sequence[Span], last: int) -> bool:
    """Whether a list names a number."""
    return number is not None and any(number in _numbers_of(span, last) for span in spans)


def over_chord(chord: Chord | None, scope: Over, analysis: Analysis, at_s: float) -> bool:
    """Whether a chord is what an "over ..." means, in the key of the moment."""
    key = analysis.key_at(at_s)
    if chord is None:
        return False
    if scope.quality:
        return not is_no_chord(chord) and triad_quality(chord) == scope.quality
    if not scope.chords:
        if key is None or is_no_chord(chord):
            return False
        return is_tonic_chord(chord, key) != scope.other_than_tonic
    try:
        return any(_matches(chord, label, key) for label in scope.chords)
    except ChordError as error:
        raise InputError(f'"over {" or ".join(scope.chords)}": {error}') from error


def _matches(chord: Chord, label: str, key: Key | None) -> bool:
    """Whether a chord is what a label names; without a key no numeral names any."""
    if key is None and is_numeral(label):
        return False
    return chord_matches(chord, label, key or _ANY_KEY)
