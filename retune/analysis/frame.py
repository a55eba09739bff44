"""The frame that notes stand in: bars, keys and chords, as given or as heard."""

from __future__ import annotations

from retune.analysis.bars import given_bars
from retune.analysis.beats import SURE
from retune.analysis.harmony import BassNote, chart_warnings, charted_chords, on_their_basses
from retune.analysis.key import FoundKey, KeyAt, find_key, in_mode
from retune.analysis.other_keys import begun_in, halves_at_home
from retune.analysis.work import Work
from retune.carriers.errors import InputError, SongFileError
from retune.carriers.heard import Bars, Chord, KeySpan
from retune.carriers.songfacts import Song
from retune.carriers.text import estimated_text
from retune.song.bartime import bar_time
from retune.song.songfile import place_of
from retune.theory.blues import with_tonic_sevenths
from retune.theory.keys import parse_key

# A mode is not told from fewer notes than these.
FEWEST_FOR_A_MODE = 16


def hear_bars(work: Work) -> Bars:
    """The bars as given, else as heard in all that sounds."""
    music = work.song.music
    bars = given_bars(music, duration_s=work.listened.duration_s)
    if bars is not None:
        _check_changes(work.song, bars)
        return bars
    found = work.listened.bars
    if found is None:
        work.warnings.append(
            "no beat was found, so bars and beats are unknown: give tempo_bpm and first_downbeat_s"
        )
        return Bars((), music.meter, 0.0, "unknown")
    work.warnings.append(_bars_told(found))
    return found


def _check_changes(song: Song, bars: Bars) -> None:
    """Refuse a change of meter or tempo behind the last bar, where it would be passed over."""
    last = len(bars.downbeats_s) - 1
    for name, changes in (("meters", song.music.meters), ("tempos", song.music.tempos)):
        for index, (place, _) in enumerate(changes):
            if song.passage is None and int(place.partition(":")[0]) > last:
                raise SongFileError(
                    f"{place_of(song, 'music', name, index)}: bar {place.partition(':')[0]} is "
                    f"past the end of the song, which has {last} bars"
                )


def _bars_told(bars: Bars) -> str:
    """What a user should know of bars that were estimated."""
    rivals = "; ".join(f"{r.name} {r.confidence:.2f}" for r in bars.rivals)
    return (
        f"tempo ({bars.tempo_bpm:.1f} bpm), meter ({bars.meter[0]}/{bars.meter[1]}) and bars are "
        f"{estimated_text(bars.confidence)}, from all that sounds"
        + (f" (or {rivals})" if rivals else "")
        + ": give tempo_bpm, meter and first_downbeat_s to settle them"
    )


def hear_keys(work: Work, bars: Bars) -> tuple[tuple[KeySpan, ...], FoundKey]:
    """The keys as given, else as heard, and how sure that is."""
    found = FoundKey(None, 0.0)
    key = work.given_key
    if key is None:
        found = _found_key(work)
        key = found.key
    spans = [] if key is None else [KeySpan(0.0, key)]
    for index, (at, text) in enumerate(work.song.music.keys):
        try:
            start_s = _moment(at, bars)
        except InputError as error:
            if work.song.passage is not None:  # it lies behind the part that is worked on
                continue
            place = place_of(work.song, "music", "keys", index)
            raise SongFileError(f"{place}: {error}") from error
        spans.append(KeySpan(start_s, parse_key(text)))
    return tuple(sorted(spans, key=lambda span: span.start_s)), found


def _found_key(work: Work) -> FoundKey:
    lead, notes = work.lead(), work.named_notes()
    last = work.tuned[lead].names[-1] if lead is not None else None
    harmony = work.listened.harmony() if work.listened.is_accompanied else None
    if harmony is not None and not work.is_guided and _is_mix(work, lead):
        notes, last = [], None  # where nobody sings, a mix's melody is not the song's
    midi, weights = [n for n, _ in notes], [w for _, w in notes]
    found = begun_in(work, find_key(midi, weights, last=last, harmony=harmony))
    if found.key is not None and len(midi) >= FEWEST_FOR_A_MODE:
        halves = halves_at_home(work, found.key)
        found = in_mode(found, halves, is_sure=found.confidence >= SURE)
    if found.key is None:
        work.warnings.append('no key could be found: give it, such as key = "Bb major"')
    else:
        doubt = "" if found.confidence >= SURE else " and in doubt"
        other = f"; next best {found.second}" if found.second is not None else ""
        work.warnings.append(
            f"the key ({found.key}) is estimated{doubt} (confidence {found.confidence:.2f}{other})"
        )
    return found


def _is_mix(work: Work, stem: str | None) -> bool:
    return stem is not None and work.song.stems[stem].role == "mix"


def _moment(at: str, bars: Bars) -> float:
    """Seconds of "bar:beat"."""
    if len(bars.downbeats_s) < 2:
        raise SongFileError(f'"{at}" needs bars: give tempo_bpm and first_downbeat_s')
    bar, _, beat = at.partition(":")
    return max(0.0, bar_time(bars, int(bar), float(beat)))


def hear_chords(work: Work, bars: Bars, keys: tuple[KeySpan, ...]) -> tuple[Chord, ...]:
    """The chords of the chart on the bars, else as heard."""
    if work.song.music.chords is not None and len(bars.downbeats_s) < 2:
        work.warnings.append(
            "the chart has no place, since bars are unknown: give tempo_bpm and first_downbeat_s"
        )
        return ()
    key_at = KeyAt(keys)
    chords = charted_chords(work.song.music, bars=bars, key_at=key_at)
    if chords is None:
        chords = _heard_chords(work, bars, keys)
    duration_s = work.listened.duration_s
    work.warnings += chart_warnings(work.song.music, chords, duration_s=duration_s, bars=bars)
    if work.song.passage is None:
        chords = tuple(chord for chord in chords if chord.start_s < duration_s)
    bass = [
        BassNote(d.start_s, d.end_s, name)
        for stem in work.stems_of("bass")
        for name, d in zip(work.tuned[stem].names, work.drafts[stem], strict=True)
    ]
    chords = on_their_basses(chords, bass, bars=bars, key_at=key_at)
    return with_tonic_sevenths(chords, key_at)


def _heard_chords(work: Work, bars: Bars, keys: tuple[KeySpan, ...]) -> tuple[Chord, ...]:
    """Chords by ear from all that has a pitch, with a warning; () where a melody is alone."""
    heard_in = list(work.listened.pitched)
    if not work.listened.is_accompanied or len(bars.downbeats_s) < 2:
        return ()
    chords = work.listened.chords(bars, keys)
    if chords:
        work.warnings.append(
            f"the chords are estimated from {', '.join(heard_in)} and will hold errors, as will "
            "chord roles and endings judged by them: write a chart to settle them"
        )
    return chords
