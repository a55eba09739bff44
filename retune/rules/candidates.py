"""The contrasts that `suggest` tries on a song, in words and as rules."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from retune.carriers.heard import Analysis
from retune.rules.crossings import two_by_two
from retune.rules.endings import EndingNow
from retune.rules.fitting import Accompaniment, Fit, moves_in_words, standing, state_over
from retune.rules.scene import listed
from retune.rules.suggestwords import (
    degrees_of,
    numbers_of,
    over_words,
    phrases_in_words,
    ranges,
    sentences,
    told,
    usual,
)
from retune.rules.trial import Candidate
from retune.theory.chordnames import chord_name
from retune.theory.chords import is_no_chord, is_tonic_chord
from retune.theory.keys import degree_pc
from retune.theory.roles import is_chord_tone, same_digit


def candidates(analysis: Analysis, endings: Sequence[EndingNow]) -> Iterator[Candidate]:
    """Every contrast that the endings of a song allow; whether its rules match is not asked."""
    if not endings:
        return
    song = _Song(Accompaniment.of(analysis), tuple(endings))
    waiting = [e for e in endings if not e.is_last and e.state == "open" and e.degree != "1"]
    near = [e for e in waiting if e.degree.lstrip("b#") in ("2", "7")]
    yield from _home(song, near)
    yield from _always_home(song, waiting)
    yield from _one_phrase_early(song)
    yield from _third_for_tonic(song)
    yield from two_by_two(song.band, endings)
    yield from _never_home(song)
    yield from _into_the_chord(song)
    yield from _one_step_above(song)
    yield from _tonic_over_wait(song, near)


@dataclass(frozen=True)
class _Song:
    band: Accompaniment
    endings: tuple[EndingNow, ...]

    def moved(self, fits: Sequence[Fit], degree: str) -> tuple[str, ...]:
        """Rules that bring exactly these endings to a degree, and their chords with them."""
        what, scope = self.selection([fit.ending for fit in fits])
        return (f"move {what} to degree {degree}{scope}", *self.band.rules(fits))

    def selection(self, wanted: Sequence[EndingNow]) -> tuple[str, str]:
        """The shortest words for exactly these endings: what, and the scope that follows."""
        degrees = tuple(dict.fromkeys(e.degree for e in wanted))
        same = [e for e in self.endings if any(same_digit(e.degree, d, e.key) for d in degrees)]
        what = f"phrase-ending degree {', '.join(degrees)}"
        if len(same) == len(wanted):
            return what, ""
        if [e for e in same if not e.is_last] == list(wanted):
            return what, " except in phrase last"
        return "phrase-ending note", f" in phrases {ranges(numbers_of(wanted))}"


# --- to the tonic --------------------------------------------------------------------------------


def _home(song: _Song, near: Sequence[EndingNow]) -> Iterator[Candidate]:
    """Endings that wait a step from the tonic come home, each over a chord that lets it rest; with
    them a mirror, where all are on 2."""
    fits = _fits(song, near)
    if not fits:
        return
    is_home = _all_rest(fits)
    name = "home-early" if is_home else "tonic-early"
    those = [fit.ending for fit in fits]
    each = " each time" if len(fits) > 1 else ""
    wait = "phrases wait" if len(fits) > 1 else "phrase waits"
    home = "comes home to the tonic" if is_home else "goes to the tonic"
    yield Candidate(
        name,
        "home",
        f"The {wait} on {degrees_of(those)} no more: the melody {home}{each}, {_band_words(fits)}.",
        song.moved(fits, "1"),
        sentences(f"{told(those)}.", _left(near, fits), usual(those[0], "1")),
        numbers_of(those),
        rests=numbers_of(those),
    )
    if all(e.degree == "2" for e in those):
        yield _mirror(song, fits, name)


def _mirror(song: _Song, fits: Sequence[Fit], name: str) -> Candidate:
    key = fits[0].ending.key
    partly = [fit for fit in fits if state_over("3", fit.chord, fit.ending.key) != "open"]
    at = over_words(partly[0].chord) if partly else ""
    reason = (
        f"Degree 3 rests in part{at}: what tells the two apart there is the tonic, not rest "
        "against waiting."
        if partly
        else f"What is heard in {name} and not here is due to the tonic, not to a note having been "
        "moved."
    )
    if not partly and fits[0].chord is not None and not is_no_chord(fits[0].chord):
        reason = f"Degree {standing('3', fits[0].chord, key)}. {reason}"
    also = ", and the chords go the same way" if moves_in_words(fits) else ""
    return Candidate(
        "mirror",
        "home",
        f"A control for {name}: the waiting 2 moves about as far, but up to 3 and not home{also}.",
        song.moved(fits, "3"),
        reason,
        numbers_of(fit.ending for fit in fits),
    )


def _always_home(song: _Song, waiting: Sequence[EndingNow]) -> Iterator[Candidate]:
    fits = _fits(song, waiting)
    if not fits:
        return
    is_home, is_every = _all_rest(fits), len(fits) == len(waiting)
    which = "Every ending that waits" if is_every else "Every ending that waits and can"
    home = "comes home to the tonic" if is_home else "goes to the tonic"
    those = [fit.ending for fit in fits]
    yield Candidate(
        "always-home" if is_home else "always-tonic",
        "always",
        f"{which} {home}, {_band_words(fits)}.",
        song.moved(fits, "1"),
        sentences(f"{told(those)}.", _left(waiting, fits)),
        numbers_of(those),
        rests=numbers_of(those),
    )


def _one_phrase_early(song: _Song) -> Iterator[Candidate]:
    endings = song.endings
    if len(endings) < 3 or not endings[-1].is_last or endings[-2].degree == "1":
        return
    ending = endings[-2]
    fits = _fits(song, [ending])
    if not fits:
        return
    is_home = _all_rest(fits)
    how = "comes home already" if is_home else "is on the tonic already, at rest in part"
    place = "it takes the end's place" if is_home else "it comes near to the end"
    rule = f"move phrase-ending note to degree 1 in phrase {ending.phrase}"
    yield Candidate(
        "home-one-phrase-early" if is_home else "tonic-one-phrase-early",
        "early",
        f"Phrase {ending.phrase} {how}, so that the last phrase comes as an afterthought, "
        f"{_band_words(fits)}.",
        (rule, *song.band.rules(fits)),
        f"{told([ending])}, and prepares the end; on 1{over_words(fits[0].chord)} {place}.",
        (ending.phrase,),
        rests=(ending.phrase,),
    )


def _tonic_over_wait(song: _Song, near: Sequence[EndingNow]) -> Iterator[Candidate]:
    """The tonic over chords that fight it and that no move of the band makes fit."""
    stuck = [e for e in near if song.band.home(e) is None]
    if not stuck:
        return
    chords = dict.fromkeys(e.chord for e in stuck if e.chord is not None)
    keys = [e.key for e in stuck]
    why = list(dict.fromkeys(standing("1", chord, keys[0]) for chord in chords))
    what, scope = song.selection(stuck)
    yield Candidate(
        "tonic-over-wait",
        "over-wait",
        f"The melody goes to the tonic where it waited on {degrees_of(stuck)}, and the band waits "
        "on under it: this is not home.",
        (f"move {what} to degree 1{scope}",),
        sentences(f"{told(stuck)}.", f"Degree {listed(why[:3])}."),
        numbers_of(stuck),
    )


def _fits(song: _Song, endings: Iterable[EndingNow]) -> list[Fit]:
    return [fit for ending in endings if (fit := song.band.home(ending)) is not None]


def _all_rest(fits: Iterable[Fit]) -> bool:
    return all(fit.state == "at rest" for fit in fits)


def _band_words(fits: Sequence[Fit]) -> str:
    """What the band does under moved endings."""
    moved = [fit for fit in fits if fit.semitones]
    if not moved:
        return "and the band stays as it was"
    phrases = phrases_in_words(numbers_of(fit.ending for fit in moved))
    where = "" if len(moved) == len(fits) else f" in {phrases}"
    return f"and the band goes with it{where}: {moves_in_words(moved)}"


def _left(waiting: Sequence[EndingNow], fits: Sequence[Fit]) -> str:
    """What is said of endings that are left as they are."""
    moved = {fit.ending.phrase for fit in fits}
    left = [e for e in waiting if e.phrase not in moved]
    if not left:
        return ""
    one = len(left) == 1
    return (
        f"{_capital(phrases_in_words(numbers_of(left)))} {'is' if one else 'are'} left as "
        f"{'it is' if one else 'they are'}: the tonic would fight {'its' if one else 'their'} "
        f"chord{'' if one else 's'}."
    )


# --- away from it, and within the chord ----------------------------------------------------------


def _never_home(song: _Song) -> Iterator[Candidate]:
    home = [e for e in song.endings if e.degree == "1"]
    if not home:
        return
    fits = [song.band.away(ending, "2") for ending in home]
    last = fits[-1]
    also = ", the last one too" if last.ending.is_last else ""
    if also and not last.semitones and is_tonic_chord(last.chord, last.ending.key):
        also += f", a ninth{over_words(last.chord)} that nothing resolves"
    yield Candidate(
        "never-home",
        "never",
        f"No phrase comes home: each ending on the tonic is moved up to degree 2{also}; "
        f"{_band_words(fits).removeprefix('and ')}.",
        song.moved(fits, "2"),
        sentences(f"{told(home)}.", usual(home[-1], "2") if last.ending.is_last else ""),
        numbers_of(home),
    )


def _third_for_tonic(song: _Song) -> Iterator[Candidate]:
    last = song.endings[-1]
    if not last.is_last or last.degree != "1":
        return
    chord = last.chord
    if chord is not None and not is_no_chord(chord):
        third = chord.role_of(degree_pc("3", last.key))
        if third is None or not is_tonic_chord(chord, last.key):
            return
    yield Candidate(
        "third-for-tonic",
        "third",
        "The last phrase ends on the third degree in place of the tonic: stable, yet not closed.",
        ("move phrase-ending note to degree 3 above in phrase last",),
        sentences(
            "It tells rest from closure: the third belongs to the tonic chord and is no way home.",
            usual(last, "3"),
        ),
        (last.phrase,),
    )


def _one_step_above(song: _Song) -> Iterator[Candidate]:
    """All endings but the last, which would be left on a ninth."""
    inner = [e for e in song.endings if not e.is_last]
    if len(inner) < 2:
        return
    but = " except in phrase last" if len(inner) < len(song.endings) else ""
    yield Candidate(
        "one-step-above",
        "step",
        f"Every phrase{' but the last' if but else ''} ends one scale step higher, and the band "
        "stays as it was.",
        (f"shift phrase-ending note up 1 scale step{but}",),
        f"These endings change by the same step, whatever their degree. {told(inner)}.",
        numbers_of(inner),
    )


def _into_the_chord(song: _Song) -> Iterator[Candidate]:
    outside = [
        e
        for e in song.endings
        if e.chord is not None
        and not is_no_chord(e.chord)
        and not is_chord_tone(e.note.midi_name, e.chord, e.key)
    ]
    if not outside:
        return
    fights = " and ".join(dict.fromkeys(chord_name(e.chord) for e in outside[:2] if e.chord))
    yield Candidate(
        "into-the-chord",
        "chord",
        "Every ending that is no chord tone goes to the nearest one.",
        ("move phrase-ending note to nearest chord tone where it is not a chord tone",),
        f"{told(outside)}, outside the chord: the dissonance with {fights} goes, and with it a "
        "reason to go on; others may stay.",
        numbers_of(outside),
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
