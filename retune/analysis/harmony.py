"""Which chord sounds when: from the chart, a label file, or a backing stem; and on which bass."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from retune.carriers.heard import Bars, Chord, Key
from retune.carriers.songfacts import Music
from retune.carriers.text import counted
from retune.song.bartime import beat_length_s
from retune.song.chart import chart_cells, merged, read_chart, read_lab
from retune.theory.chords import is_no_chord, with_bass
from retune.theory.noteroles import Span, asked_times, spans_between

KeyAt = Callable[[float], Key | None]
# What the bass plays first in a chord weighs this much more than what it plays later.
FIRST_BASS_WEIGHT = 2.0
# A bass note belongs to a chord that starts within this of its onset.
LOOSE_S = 0.12


@dataclass(frozen=True)
class BassNote:
    """A note of a bass stem, its pitch named: seconds, MIDI number."""

    start_s: float
    end_s: float
    midi: int


def charted_chords(music: Music, *, bars: Bars, key_at: KeyAt) -> tuple[Chord, ...] | None:
    """The chords of the song file's chart or label file; None when it has neither.

    Raises
    ------
    ChordError, InputError
        The chart or file does not read.
    """
    if music.chords is not None:
        return read_chart(music.chords, bars=bars, key_at=key_at)
    if music.chords_file is not None:
        return read_lab(music.chords_file, key_at)
    return None


def chart_warnings(
    music: Music, chords: Sequence[Chord], *, duration_s: float, bars: Bars
) -> list[str]:
    """What a user should know of a chart that does not fit the song."""
    if not chords:
        return []
    late = [chord for chord in chords if chord.start_s >= duration_s]
    if late and music.chords is None and music.chords_file is not None:
        return [
            f"{music.chords_file.name}: {counted(len(late), 'chord')} from {late[0].start_s:.1f} s "
            f"on, after the song has ended ({duration_s:.1f} s): left out; is it this song's?"
        ]
    n_bars = len(bars.downbeats_s) - 1
    cells = len(chart_cells(music.chords)) if music.chords is not None else 0
    if cells > n_bars:
        return [
            f"the chart has {cells} bars, the song {n_bars}: the rest of the chart is left out; "
            "check meter, tempo and first_downbeat_s"
        ]
    end_s = max(chord.end_s for chord in chords)
    slack_s = max(0.5, beat_length_s(end_s, bars))
    if end_s < duration_s - slack_s - 2.0:
        return [
            f"the chords end at {end_s:.1f} s, the song at {duration_s:.1f} s: what follows has no "
            "chord; write the rest of the chart if there is one"
        ]
    return []


def on_their_basses(
    chords: Sequence[Chord], bass: Sequence[BassNote], *, bars: Bars, key_at: KeyAt
) -> tuple[Chord, ...]:
    """The chords with the inversion that a bass stem plays, where it plays a chord tone; a chord
    of many bars may change its bass from bar to bar."""
    result: list[Chord] = []
    for chord in (part for whole in chords for part in _by_bars(whole, bars)):
        found = None if is_no_chord(chord) else bass_under(chord, bass)
        if found is None or found == chord.bass_pc or chord.role_of(found) is None:
            result.append(chord)
        else:
            result.append(with_bass(chord, found, key_at(chord.start_s)))
    return merged(result)


def _by_bars(chord: Chord, bars: Bars) -> list[Chord]:
    """A chord cut at the barlines inside it."""
    lines = [t for t in bars.downbeats_s if chord.start_s + 1e-6 < t < chord.end_s - 1e-6]
    times = [chord.start_s, *lines, chord.end_s]
    return [replace(chord, start_s=a, end_s=b) for a, b in pairwise(times)]


def bass_under(chord: Chord, bass: Sequence[BassNote]) -> int | None:
    """The pitch class that bears a chord: what the bass plays longest in it, the note that
    starts with it counting more; None when the bass rests."""
    weights: dict[int, float] = {}
    for note in bass:
        overlap = min(note.end_s, chord.end_s) - max(note.start_s, chord.start_s)
        if overlap <= LOOSE_S / 2:
            continue
        starts = note.start_s <= chord.start_s + LOOSE_S
        weights.setdefault(note.midi % 12, 0.0)
        weights[note.midi % 12] += overlap * (FIRST_BASS_WEIGHT if starts else 1.0)
    return max(weights, key=lambda pc: weights[pc]) if weights else None


def chord_at(chords: Sequence[Chord], time_s: float) -> Chord | None:
    """The chord sounding at a time, or None."""
    for chord in chords:
        if chord.start_s - 1e-9 <= time_s < chord.end_s - 1e-9:
            return chord
    return None


@dataclass(frozen=True)
class NoteChords:
    """A note's chord at onset and at end, and its stretches over each chord under it."""

    at_onset: Chord | None
    at_end: Chord | None
    spans: tuple[Span, ...] = ()

    def judged(self, *, at_end: bool) -> int | None:
        """The place in `spans` of the chord that the note is judged by."""
        wanted = self.at_end if at_end else self.at_onset
        return next((k for k, span in enumerate(self.spans) if span.chord is wanted), None)


def chords_of(start_s: float, end_s: float, *, chords: Sequence[Chord], bars: Bars) -> NoteChords:
    """The chords of a note. See `asked_times`."""
    first_s, last_s = asked_times(start_s, end_s, beat_length_s(start_s, bars))
    at_onset, at_end = chord_at(chords, first_s), chord_at(chords, last_s)
    if at_end is None and chords and end_s > chords[-1].end_s:
        # A last note held past the end of the chart still ends over the chart's last chord.
        at_end = chord_at(chords[-1:], first_s)
    spans = spans_between(start_s, end_s, chords, asked_s=(first_s, last_s))
    return NoteChords(at_onset, at_end, spans)
