"""The form of a song: which phrases are alike, and the sections it falls into."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
from types import MappingProxyType

from retune.carriers.errors import InputError, SongFileError
from retune.carriers.heard import Analysis, Bars, Note, Phrase, Section, StemAnalysis
from retune.carriers.songfacts import Music
from retune.song.bartime import bar_time, beat_length_s, beats_at
from retune.song.lyriclines import LyricLine
from retune.theory.noteroles import STEP

SAME = 0.95
ALIKE = 0.6
ALIKE_OPENING = 0.8
_LOOSE_BEATS = 0.25
_LOOSE_S = 0.5
_LEAST_REPEATED = 2


@dataclass(frozen=True)
class _Tone:
    midi: int
    beats: float  # to the next tone, or to its own end


Tones = tuple[_Tone, ...]


def with_form(
    analysis: Analysis,
    music: Music,
    lines: Sequence[LyricLine] = (),
    *,
    is_part: bool = False,
) -> Analysis:
    """The analysis with its sections, and on each phrase its section and its letter of form.

    Of a song of which only a part is worked on, sections that begin after it are left out.

    Raises
    ------
    InputError
        A section is given at a bar that is not in the song.
    """
    melody = analysis.melody
    if melody is None:
        return replace(analysis, sections=_given(analysis, music, (), is_part))
    letters = letters_of(melody, analysis.bars)
    sections = (
        _given(analysis, music, melody.phrases, is_part)
        or _headed(analysis, lines, melody)
        or _repeated(melody.phrases, letters, analysis.duration_s)
    )
    stems = {name: _named(stem, letters, sections) for name, stem in analysis.stems.items()}
    return replace(analysis, stems=MappingProxyType(stems), sections=sections)


def _named(
    stem: StemAnalysis, letters: Mapping[int, str], sections: Sequence[Section]
) -> StemAnalysis:
    def section(phrase: Phrase) -> str | None:
        middle_s = phrase.start_s + 1e-3
        inside = [s.name for s in sections if s.start_s <= middle_s < s.end_s]
        return inside[0] if inside else None

    phrases = tuple(
        replace(p, section=section(p), alike=letters.get(p.index, "")) for p in stem.phrases
    )
    return replace(stem, phrases=phrases)


# --- phrases that are alike ------------------------------------------------------------------


def letters_of(stem: StemAnalysis, bars: Bars) -> dict[int, str]:
    """The letter of every phrase with notes, by index: "a", "b"; "a'", "a''" for variations."""
    kinds: list[list[Tones]] = []  # of each letter, its forms in order of their marks
    found = {}
    for phrase in stem.phrases:
        tones = _tones([n for n in stem.notes if n.phrase == phrase.index], bars)
        if not tones:
            continue
        near = [max(nearness(tones, form) for form in forms) for forms in kinds]
        best = max(range(len(kinds)), key=lambda k: near[k], default=None)
        if best is None or near[best] < 1:
            kinds.append([tones])
            found[phrase.index] = _letter(len(kinds) - 1)
            continue
        forms = kinds[best]
        same = [k for k, form in enumerate(forms) if likeness(tones, form) >= SAME]
        if not same:
            forms.append(tones)
        found[phrase.index] = _letter(best) + "'" * (same[0] if same else len(forms) - 1)
    return found


def _letter(index: int) -> str:
    """a to z, then aa, ab ..."""
    head, tail = divmod(index, 26)
    return (_letter(head - 1) if head else "") + chr(ord("a") + tail)


def _tones(notes: Sequence[Note], bars: Bars) -> Tones:
    if not notes:
        return ()
    at = [n.start_s for n in notes] + [notes[-1].end_s]
    if len(bars.downbeats_s) >= 2:
        at = [float(beats_at(time_s, bars)) for time_s in at]
    else:
        lengths = sorted(b - a for a, b in pairwise(at))
        beat_s = max(lengths[len(lengths) // 2], 1e-6)
        at = [time_s / beat_s for time_s in at]
    return tuple(_Tone(n.midi_name, at[k + 1] - at[k]) for k, n in enumerate(notes))


def nearness(first: Tones, second: Tones) -> float:
    """1 or more where two phrases are of one letter: alike as a whole, or, as the two halves of a
    period are, in their openings."""
    openings = max(_begins_alike(first, second), _begins_alike(second, first))
    return max(likeness(first, second) / ALIKE, openings / ALIKE_OPENING)


def _begins_alike(first: Tones, second: Tones) -> float:
    """How alike the first half of one melody is to the beginning, of any length, of another."""
    half, at, opening = sum(tone.beats for tone in first) / 2, 0.0, []
    for tone in first:
        if at < half - _LOOSE_BEATS:
            opening.append(tone)
        at += tone.beats
    length = sum(tone.beats for tone in opening)
    return max(0.0, 1.0 - min(_costs(tuple(opening), second)) / max(length, 1e-9))


def likeness(first: Tones, second: Tones) -> float:
    """How alike two melodies are, 0 to 1, in pitch and rhythm.

    One less the cost of changing the one into the other by the fewest beats, over the mean of
    their lengths: an edit distance of notes weighted by length (after Mongeau and Sankoff 1990,
    Computers and the Humanities 24). A note left out or put in costs its length; one in place of
    another the difference of their lengths over a quarter of a beat, and for another pitch half
    the shorter length (a step) or all of it.
    """
    length = (sum(t.beats for t in first) + sum(t.beats for t in second)) / 2
    return max(0.0, 1.0 - _costs(first, second)[-1] / max(length, 1e-9))


@lru_cache(maxsize=8192)  # a correction changes one phrase: the others are weighed once
def _costs(first: Tones, second: Tones) -> tuple[float, ...]:
    """What it costs to change `first` into each beginning of `second`, the empty one first."""
    before = [0.0]
    for tone in second:
        before.append(before[-1] + tone.beats)
    for one in first:
        row = [before[0] + one.beats]
        for k, other in enumerate(second):
            row.append(
                min(
                    before[k] + _changed(one, other),
                    before[k + 1] + one.beats,
                    row[k] + other.beats,
                )
            )
        before = row
    return tuple(before)


def _changed(one: _Tone, other: _Tone) -> float:
    apart = abs(one.midi - other.midi)
    share = 0.0 if apart == 0 else 0.5 if apart <= STEP else 1.0
    longer = abs(one.beats - other.beats)
    return share * min(one.beats, other.beats) + (longer if longer > _LOOSE_BEATS else 0.0)


# --- sections ---------------------------------------------------------------------------------


def _between(starts: Sequence[tuple[float, str]], end_s: float, source: str) -> tuple[Section, ...]:
    ends = [*(start_s for start_s, _ in starts[1:]), end_s]
    return tuple(
        Section(round(start_s, 4), round(until_s, 4), name, source)
        for (start_s, name), until_s in zip(starts, ends, strict=True)
        if until_s > start_s
    )


def _given(
    analysis: Analysis, music: Music, phrases: Sequence[Phrase], is_part: bool
) -> tuple[Section, ...]:
    """Sections of the song file; one begins with the pickup of the phrase that leads into it."""
    if not music.sections:
        return ()
    bars = analysis.bars
    if len(bars.downbeats_s) < 2:
        raise InputError("sections need bars: give tempo_bpm and first_downbeat_s")
    starts = []
    for place, name in music.sections:
        bar, _, beat = place.partition(":")
        try:
            at_s = bar_time(bars, int(bar), float(beat))
        except InputError as error:
            if is_part:
                continue
            raise SongFileError(f'sections: "{name}": {error}') from error
        loose_s = beat_length_s(at_s, bars) / 2
        bar_s = 2 * loose_s * bars.beats_in(int(bar))
        near = [p.start_s for p in phrases if at_s - bar_s < p.start_s <= at_s + loose_s]
        starts.append((max(near[-1] if near else at_s, 0.0), name))
    return _between(starts, analysis.duration_s, "given")


def _headed(
    analysis: Analysis, lines: Sequence[LyricLine], melody: StemAnalysis
) -> tuple[Section, ...]:
    """Sections by the headings of the lyrics, where lines are phrases."""
    if not any(line.heading for line in lines):
        return ()
    phrases = [p for p in melody.phrases if p.ending_note is not None]
    if all(line.start_s is not None for line in lines):
        starts = [
            (_begun_by(phrases, line.start_s or 0.0), line.heading)
            for line in lines
            if line.heading
        ]
    elif len(lines) == len(phrases):
        pairs = zip(lines, phrases, strict=True)
        starts = [(phrase.start_s, line.heading) for line, phrase in pairs if line.heading]
    else:
        return ()
    return _between(starts, analysis.duration_s, "lyrics")


def _begun_by(phrases: Sequence[Phrase], at_s: float) -> float:
    """The start of the phrase that is under way, or about to begin, at a time."""
    return max((p.start_s for p in phrases if p.start_s <= at_s + _LOOSE_S), default=at_s)


def _repeated(
    phrases: Sequence[Phrase], letters: Mapping[int, str], duration_s: float
) -> tuple[Section, ...]:
    """Sections by repetition: the longest run of two phrases or more that comes again is one, and
    so on with what is left; what never comes again lies between. () where nothing comes again."""
    sung = [p for p in phrases if p.index in letters]
    form = [letters[p.index].rstrip("'") for p in sung]
    owner: list[tuple[int, int] | None] = [None] * len(form)  # (kind, which of its repeats)
    kind = 0
    while (run := _longest_run(form, owner)) is not None:
        for turn, at in enumerate(run[1]):
            owner[at : at + run[0]] = [(kind, turn)] * run[0]
        kind += 1
    if kind == 0:
        return ()
    starts: list[tuple[float, str]] = []
    names: dict[object, str] = {}
    for k, phrase in enumerate(sung):
        if k and owner[k] == owner[k - 1]:
            continue
        held = owner[k]
        identity: object = held[0] if held else ("between", k)
        name = names.setdefault(identity, _letter(len(names)).upper())
        starts.append((phrase.start_s, name))
    return _between(starts, duration_s, "found by repetition")


def _longest_run(
    form: Sequence[str], owner: Sequence[tuple[int, int] | None]
) -> tuple[int, list[int]] | None:
    """Length and places of the longest run, free of others, that comes again without overlap."""
    for length in range(len(form) // 2, _LEAST_REPEATED - 1, -1):
        places: dict[tuple[str, ...], list[int]] = {}
        for at in range(len(form) - length + 1):
            if any(owner[at : at + length]):
                continue
            held = places.setdefault(tuple(form[at : at + length]), [])
            if not held or at >= held[-1] + length:
                held.append(at)
        again = [held for held in places.values() if len(held) > 1]
        if again:
            return length, max(again, key=len)
    return None
