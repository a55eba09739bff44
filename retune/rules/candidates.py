"""The contrasts that `suggest` tries on a song, in words and as rules."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from retune.carriers.heard import Analysis, Bars, Chord, Key
from retune.rules.endings import EndingNow
from retune.rules.scene import listed
from retune.rules.sounding import transposed
from retune.theory.chordnames import chord_name
from retune.theory.chords import (
    is_no_chord,
    is_root_position,
    is_tonic_chord,
    third_semitone,
)
from retune.theory.endingstats import COLLECTION, ending_share
from retune.theory.keys import degree_pc, scale_semitones, tonic_pc
from retune.theory.roles import same_digit

NAMED_AT_MOST = 6
"""More phrases than this are told as ranges."""
FOURTH = 5
"""Semitones from a dominant up to its tonic: the shorter way (down would be 7)."""


@dataclass(frozen=True)
class Candidate:
    """A variant to try; `group` names those that belong together, `phrases` what must move."""

    name: str
    group: str
    about: str
    rules: tuple[str, ...]
    reason: str
    phrases: tuple[int, ...] = ()


def candidates(analysis: Analysis, endings: Sequence[EndingNow]) -> Iterator[Candidate]:
    """Every contrast that the endings of a song allow; whether its rules match is not asked."""
    if not endings:
        return
    yield from _home(endings)
    yield from _all_home(endings)
    yield from _never_home(endings)
    yield from _one_phrase_early(endings)
    yield from _third_for_tonic(endings)
    yield from _one_step_above(endings)
    yield from _into_the_chord(endings)
    yield from _two_by_two(analysis, endings)


# --- the melody alone ----------------------------------------------------------------------------


def _waiting(endings: Iterable[EndingNow]) -> list[EndingNow]:
    """Inner endings that are open, on another degree than the tonic."""
    return [e for e in endings if not e.is_last and e.state == "open" and e.degree != "1"]


def _home(endings: Sequence[EndingNow]) -> Iterator[Candidate]:
    """Endings that wait a step from the tonic come home; with them a mirror, where all are on 2."""
    near = [e for e in _waiting(endings) if e.degree.lstrip("b#") in ("2", "7")]
    if not near:
        return
    what, scope = _selection(near, endings)
    wait = "phrases wait" if len(near) > 1 else "phrase waits"
    yield Candidate(
        "home-early",
        "home",
        f"The {wait} on {_degrees(near)} no more: the melody comes home to the tonic"
        f"{' each time' if len(near) > 1 else ''}, and the band stays as it was.",
        (f"move {what} to degree 1{scope}",),
        _sentences(f"{_told(near)}.", _usual(near[0], "1")),
        _numbers(near),
    )
    if all(e.degree == "2" for e in near):
        yield Candidate(
            "mirror",
            "home",
            "A control for home-early: the waiting 2 moves about as far, but up to 3 and not home.",
            (f"move {what} to degree 3{scope}",),
            "What is heard in home-early and not here is due to coming home, not to a note having "
            "been moved.",
            _numbers(near),
        )


def _all_home(endings: Sequence[EndingNow]) -> Iterator[Candidate]:
    waiting = _waiting(endings)
    if not waiting:
        return
    what, scope = _selection(waiting, endings)
    yield Candidate(
        "always-home",
        "always",
        "Every ending that waits comes home to the tonic.",
        (f"move {what} to degree 1{scope}",),
        f"{_told(waiting)}; brought to 1, none of them waits.",
        _numbers(waiting),
    )


def _never_home(endings: Sequence[EndingNow]) -> Iterator[Candidate]:
    home = [e for e in endings if e.degree == "1"]
    if not home:
        return
    what, scope = _selection(home, endings)
    last = home[-1]
    yield Candidate(
        "never-home",
        "never",
        "No phrase comes home: each ending on the tonic is moved up to the waiting degree 2"
        f"{', the last one too' if last.is_last else ''}.",
        (f"move {what} to degree 2{scope}",),
        _sentences(f"{_told(home)}.", _usual(last, "2") if last.is_last else ""),
        _numbers(home),
    )


def _one_phrase_early(endings: Sequence[EndingNow]) -> Iterator[Candidate]:
    if len(endings) < 3 or not endings[-1].is_last or endings[-2].degree == "1":
        return
    ending = endings[-2]
    yield Candidate(
        "home-one-phrase-early",
        "early",
        f"Phrase {ending.phrase} comes home already, so that the last phrase comes as an "
        "afterthought.",
        (f"move phrase-ending note to degree 1 in phrase {ending.phrase}",),
        f"{_told([ending])}, and prepares the end; on 1 it takes the end's place.",
        (ending.phrase,),
    )


def _third_for_tonic(endings: Sequence[EndingNow]) -> Iterator[Candidate]:
    last = endings[-1]
    if not last.is_last or last.degree != "1":
        return
    if last.chord is not None and last.chord.role_of(degree_pc("3", last.key)) is None:
        return
    yield Candidate(
        "third-for-tonic",
        "third",
        "The last phrase ends on the third degree in place of the tonic: stable, yet not closed.",
        ("move phrase-ending note to degree 3 above in phrase last",),
        _sentences(
            "It tells rest from closure: the third belongs to the tonic chord and is no way home.",
            _usual(last, "3"),
        ),
        (last.phrase,),
    )


def _one_step_above(endings: Sequence[EndingNow]) -> Iterator[Candidate]:
    yield Candidate(
        "one-step-above",
        "step",
        "Every phrase ends one scale step higher.",
        ("shift phrase-ending note up 1 scale step",),
        "All endings change by the same step, whatever their degree: some lose their rest, others "
        f"may find it. {_told(endings)}.",
        _numbers(endings),
    )


def _into_the_chord(endings: Sequence[EndingNow]) -> Iterator[Candidate]:
    outside = [
        e
        for e in endings
        if e.chord is not None
        and not is_no_chord(e.chord)
        and e.chord.role_of(e.note.midi_name) is None
    ]
    if not outside:
        return
    yield Candidate(
        "into-the-chord",
        "chord",
        "Every ending that is no chord tone goes to the nearest one.",
        ("move phrase-ending note to nearest chord tone where it is not a chord tone",),
        f"{_told(outside)}, outside the chord: the dissonance goes, the wait for home may not.",
        _numbers(outside),
    )


def _selection(wanted: Sequence[EndingNow], endings: Sequence[EndingNow]) -> tuple[str, str]:
    """The shortest words for exactly these endings: what, and the scope that follows."""
    degrees = tuple(dict.fromkeys(e.degree for e in wanted))
    same = [e for e in endings if any(same_digit(e.degree, d, e.key) for d in degrees)]
    what = f"phrase-ending degree {', '.join(degrees)}"
    if len(same) == len(wanted):
        return what, ""
    if [e for e in same if not e.is_last] == list(wanted):
        return what, " except in phrase last"
    return "phrase-ending note", f" in phrases {ranges([e.phrase for e in wanted])}"


def ranges(numbers: Sequence[int]) -> str:
    """ "1-3, 5"."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and runs[-1][-1] == number - 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{run[0]}-{run[-1]}" if len(run) > 1 else str(run[0]) for run in runs)


# --- melody by harmony ---------------------------------------------------------------------------


def _two_by_two(analysis: Analysis, endings: Sequence[EndingNow]) -> Iterator[Candidate]:
    """Melody (2 or 1) by harmony (dominant or tonic), band and bass moved together; with a mirror,
    and the bass moved alone."""
    backing = [s.name for s in analysis.stems.values() if s.role == "backing"]
    bass = [s.name for s in analysis.stems.values() if s.role == "bass" and s.notes]
    found = next(_ends_on_two(endings), None)
    if found is None or not backing or len(analysis.bars.downbeats_s) < 2:
        return
    ending, semitones = found
    chord = ending.chord
    assert chord is not None
    at = f"in phrase {ending.phrase}"
    melody = f"move phrase-ending note to degree 1 {at}"
    way = f"{'up' if semitones > 0 else 'down'} {abs(semitones)} semitones"
    span = _span_words(chord, ending, analysis.bars)
    harmony = f"shift {', '.join([*bass, *backing])} {way} {span}"
    before = chord_name(chord)
    after = chord_name(transposed(chord, semitones, ending.key))
    both = f"phrase {ending.phrase}, which ends on 2 over {before}"
    told = "One of a set that tells what makes an ending rest, the melody or the harmony:"
    group, phrases = "two-by-two", (ending.phrase,)
    yield Candidate(
        "cause-melody",
        group,
        f"In {both}, the melody alone comes home; the {before} stays under it.",
        (melody,),
        f"{told} melody 1, harmony as it was.",
        phrases,
    )
    yield Candidate(
        "cause-harmony",
        group,
        f"In {both}, bass and backing alone move, to {after}; the melody stays on 2.",
        (harmony,),
        f"{told} melody 2, harmony moved.",
    )
    yield Candidate(
        "cause-both",
        group,
        f"In {both}, melody and harmony both move: 1 over {after}.",
        (melody, harmony),
        f"{told} both moved. The original is the fourth of the set.",
        phrases,
    )
    yield Candidate(
        "cause-mirror",
        group,
        f"A control for cause-melody: in {both}, the 2 moves about as far, but up to 3 and not "
        "home.",
        (f"move phrase-ending note to degree 3 {at}",),
        "It changes as much as cause-melody without coming home.",
        phrases,
    )
    if bass and semitones > 0:
        yield Candidate(
            "cause-bass-alone",
            group,
            f"In {both}, only the bass moves, to the tonic; the {before} above it stays, so that "
            "this is not the tonic chord.",
            (f"shift {', '.join(bass)} {way} {span}",),
            "It tells whether the bass alone makes an ending rest.",
        )


def _ends_on_two(endings: Sequence[EndingNow]) -> Iterator[tuple[EndingNow, int]]:
    """Inner endings on 2 whose chord a fourth takes from dominant to tonic, or back; the first
    kind first."""
    on_two = [e for e in endings if e.degree == "2" and not e.is_last and not is_no_chord(e.chord)]
    for ending in on_two:
        if _is_dominant(ending.chord, ending.key):
            yield ending, FOURTH
    for ending in on_two:
        chord, key = ending.chord, ending.key
        if chord is None or not is_tonic_chord(chord, key):
            continue
        if _is_dominant(transposed(chord, -FOURTH, key), key):
            yield ending, -FOURTH


def _is_dominant(chord: Chord | None, key: Key) -> bool:
    """Whether a chord in root position would be the key's own tonic chord a fourth higher (no
    Picardy third), and leads there by its major third."""
    if chord is None or third_semitone(chord) != 4 or not is_root_position(chord):
        return False
    home = transposed(chord, FOURTH, key)
    scale = {(tonic_pc(key) + semitone) % 12 for semitone in scale_semitones(key)}
    return is_tonic_chord(home, key) and {pc for pc, _ in home.tones} <= scale


def _span_words(chord: Chord, ending: EndingNow, bars: Bars) -> str:
    """The stretch to move, in bars where it begins and ends with one: as much of the ending's chord
    as lies in the bars in which the ending sounds, so that its neighbours keep their harmony."""
    downbeats, note = bars.downbeats_s, ending.note
    start_s = max(chord.start_s, downbeats[max((note.bar or 1) - 1, 0)])
    # A note held a little over a barline has ended with the bar.
    loose_s = (downbeats[1] - downbeats[0]) / bars.beats_per_bar / 4
    next_bar = bisect_left(downbeats, max(note.end_s - loose_s, start_s + loose_s))
    end_s = min(chord.end_s, downbeats[min(next_bar, len(downbeats) - 1)])
    (first, first_beat), (stop, stop_beat) = (
        _bar_and_beat(start_s, bars),
        _bar_and_beat(end_s, bars),
    )
    if first_beat == stop_beat == 1.0:
        return f"in bar {first}" if stop - first <= 1 else f"in bars {first}-{stop - 1}"
    return f"from {first}:{first_beat:g} to {stop}:{stop_beat:g}"


def _bar_and_beat(time_s: float, bars: Bars) -> tuple[int, float]:
    """Bar and beat of a moment, beats to the hundredth; never before bar 1."""
    downbeats = bars.downbeats_s
    index = min(max(bisect_right(downbeats, time_s + 1e-3) - 1, 0), len(downbeats) - 1)
    last = index == len(downbeats) - 1
    length_s = (
        downbeats[index] - downbeats[index - 1]
        if last
        else (downbeats[index + 1] - downbeats[index])
    )
    part = max(time_s - downbeats[index], 0.0) / length_s
    return index + 1, round(1 + part * bars.beats_per_bar, 2)


# --- words ---------------------------------------------------------------------------------------


def _numbers(endings: Iterable[EndingNow]) -> tuple[int, ...]:
    return tuple(e.phrase for e in endings)


def _degrees(endings: Iterable[EndingNow]) -> str:
    return listed(list(dict.fromkeys(e.degree for e in endings)))


def _told(endings: Sequence[EndingNow]) -> str:
    """ "Phrase 2 ends on 2 over Bb and phrase 4 on 2 over F"; of many, "phrases 1-9 end on 2"."""
    if len(endings) > NAMED_AT_MOST:
        return f"Phrases {ranges(_numbers(endings))} end on {_degrees(endings)}"
    words: list[str] = []
    for ending in endings:
        over = (
            ""
            if ending.chord is None or is_no_chord(ending.chord)
            else (f" over {chord_name(ending.chord)}")
        )
        ends = "Phrase {} ends on" if not words else "phrase {} on"
        words.append(f"{ends.format(ending.phrase)} {ending.degree}{over}")
    return listed(words)


def _sentences(*sentences: str) -> str:
    return " ".join(filter(None, sentences))


def _usual(ending: EndingNow, other: str) -> str:
    """How usual the ending's degree and another are there, in a collection that was counted."""
    shares = [
        ending_share(degree, ending.key.mode, last=ending.is_last)
        for degree in (ending.degree, other)
    ]
    if None in shares:
        return ""
    which = "last" if ending.is_last else "inner"
    return (
        f"In {COLLECTION} in {ending.key.mode}, {shares[0]:.1f} % of {which} phrases end on "
        f"{ending.degree} and {shares[1]:.1f} % on {other}."
    )
