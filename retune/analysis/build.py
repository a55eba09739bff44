"""The room's one door: a song, its sound and its pitch tracks in, an Analysis out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np

from retune.analysis.bars import given_bars
from retune.analysis.beats import SURE, find_bars
from retune.analysis.chord_listen import listen_for_chords
from retune.analysis.corrections import Draft, apply_corrections
from retune.analysis.guided import drafts_of, found_again, guided_notes, mix_notes
from retune.analysis.harmony import BassNote, chart_warnings, charted_chords, on_their_basses
from retune.analysis.key import FoundKey, KeyAt, find_key
from retune.analysis.naming import APART_CENTS, Tuned, note_weight, song_tuning, tune_stem
from retune.analysis.note_trust import Heard
from retune.analysis.notes import find_notes
from retune.analysis.phrases import PhraseSpan, find_phrases
from retune.analysis.stems import StemFacts, build_stem, shared_cadences, shared_phrases
from retune.carriers.errors import InputError, SongFileError
from retune.carriers.heard import (
    Analysis,
    AudioLike,
    Bars,
    Chord,
    Key,
    KeySpan,
    PitchTrack,
    Singing,
    StemAnalysis,
)
from retune.carriers.songfacts import Song
from retune.carriers.text import FROM_MIX
from retune.song.bartime import bar_time
from retune.song.guide import GuideNote
from retune.song.songfile import place_of
from retune.theory.keys import parse_key

LATE_START_S = 8.0
KEY_SURE = 0.25
DRIFT_TOLD_CENTS = 25.0
NO_GUIDE = (
    "without a guide some notes may be wrong or missing: check them, the doubtful ones first, or "
    "give guide = a CSV (start_s,end_s,pitch), a MIDI file or a recording of the melody hummed or "
    "played"
)


@dataclass
class _Work:
    """What is known so far."""

    song: Song
    audio: Mapping[str, AudioLike]
    tracks: Mapping[str, PitchTrack]
    duration_s: float
    guide: Sequence[GuideNote] = ()
    corrected: Sequence[Draft] | None = None
    singing: Mapping[str, Singing] = field(default_factory=dict)
    band: Mapping[str, AudioLike] = field(default_factory=dict)
    drafts: dict[str, list[Draft]] = field(default_factory=dict)
    joined: dict[str, frozenset[float]] = field(default_factory=dict)
    tuned: dict[str, Tuned] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)

    def stems_of(self, *roles: str) -> list[str]:
        """Stems of these roles in which notes were heard. A part inside a mix does not count: it
        is too little sure to name chords or a key by."""
        stems = self.song.stems
        return [n for n in self.drafts if stems[n].role in roles and not stems[n].inside]

    @property
    def is_guided(self) -> bool:
        """Whether a person gave the melody of the mix, roughly or note by note."""
        return bool(self.guide) or self.corrected is not None

    def lead(self) -> str | None:
        """The stem whose melody decides phrases and key: the one that rules mean."""
        for roles in (("melody",), ("mix",), ("harmony", "double"), ("bass",)):
            names = [n for n in self.stems_of(*roles) if self.drafts[n]]
            if names:
                return names[0]
        return None


def analyze_song(
    song: Song,
    audio: Mapping[str, AudioLike],
    tracks: Mapping[str, PitchTrack],
    *,
    guide: Sequence[GuideNote] = (),
    corrected: Sequence[Draft] | None = None,
    singing: Mapping[str, Singing] | None = None,
    band: Mapping[str, AudioLike] | None = None,
) -> Analysis:
    """Hear a song: notes, tuning, key, bars, chords, phrases and how they end.

    Parameters
    ----------
    song : Song
        The song file, read.
    audio : mapping of stem name to AudioLike
        The sound of every stem.
    tracks : mapping of stem name to PitchTrack
        f0 of the monophonic stems, and of the melody inside a mix.
    guide : sequence of GuideNote
        The melody of a mix, roughly; its notes are then those of the guide.
    corrected : sequence of Draft, optional
        The notes of the mix as put right by hand (`corrected_guide`), by which its track was made;
        in place of `guide`.
    singing : mapping of stem name to Singing, optional
        Where somebody sings in a mix.
    band : mapping of stem name to AudioLike, optional
        What plays in a mix without its voice, as estimated.

    Returns
    -------
    Analysis
        What is given in the song file wins; what was found or estimated is said in `warnings`.

    Raises
    ------
    SongFileError, ChordError
        Something in the song file does not read.
    """
    rate_hz = next(iter(audio.values())).rate_hz if audio else 44100
    duration_s = max((a.n_samples / a.rate_hz for a in audio.values()), default=0.0)
    work = _Work(song, audio, tracks, duration_s, guide, corrected, singing or {}, band or {})
    _hear_notes(work)
    bars = _bars(work)
    given_key = None if song.music.key == "auto" else parse_key(song.music.key)
    _tune(work, given_key)
    keys, found = _keys(work, given_key, bars)
    key_at = KeyAt(keys)
    chords = _chords(work, bars, key_at)
    stems = _stems(work, bars, keys, chords)
    tuning_hz = song.music.tuning_hz or song_tuning(work.tuned, _weights(work))
    _tell_tuning(work, tuning_hz)
    return Analysis(
        title=song.title,
        rate_hz=rate_hz,
        duration_s=duration_s,
        tuning_hz=tuning_hz,
        keys=keys,
        key_source="given" if given_key is not None else "found",
        key_confidence=1.0 if given_key is not None else found.confidence,
        bars=bars,
        chords=chords,
        stems=MappingProxyType(stems),
        warnings=tuple(dict.fromkeys(work.warnings)),
    )


def _hear_notes(work: _Work) -> None:
    for name in work.song.stems:
        if name not in work.tracks:
            continue
        heard = _heard(work, name)
        drafts = drafts_of(heard)
        if work.song.stems[name].role == "mix" and work.corrected is not None:
            drafts = found_again(work.corrected, heard)
        else:
            drafts, told = apply_corrections(drafts, work.song.corrections, stem=name)
            work.warnings += told
        work.drafts[name] = drafts
        work.joined[name] = frozenset(n.start_s for n in heard if n.joined)
        if not drafts and not work.song.stems[name].inside:
            work.warnings.append(f"stem {name}: no note was heard in it")
    for correction in work.song.corrections:
        if correction.stem not in work.drafts:
            work.warnings.append(
                f'correction "{correction.set}" at {correction.at_s:.2f} s was left out: stem '
                f"{correction.stem} is not read for notes"
            )
    _tell_late_starts(work)


def _heard(work: _Work, name: str) -> tuple[Heard, ...]:
    """Notes of one stem; of a mix those of its melody."""
    role, track = work.song.stems[name].role, work.tracks[name]
    if role != "mix":
        return find_notes(track, work.audio.get(name), is_bass=role == "bass")
    work.warnings.append(f"stem {name}: {FROM_MIX}" + ("" if work.is_guided else f"; {NO_GUIDE}"))
    if work.corrected is not None:
        return guided_notes(track, work.corrected)
    return mix_notes(track, work.guide, work.singing.get(name))


def _tell_late_starts(work: _Work) -> None:
    firsts = {name: drafts[0].start_s for name, drafts in work.drafts.items() if drafts}
    earliest = min(firsts.values(), default=0.0)
    for name, first in firsts.items():
        if first - earliest > LATE_START_S and not work.song.stems[name].inside:
            work.warnings.append(
                f"stem {name} starts at {first:.1f} s, {first - earliest:.0f} s after the others: "
                "check that all stems begin at the same moment"
            )


def _bars(work: _Work) -> Bars:
    music = work.song.music
    bars = given_bars(music, duration_s=work.duration_s)
    if bars is not None:
        return bars
    lead = work.lead()
    onsets = [d.start_s for d in work.drafts.get(lead or "", [])]
    bass = [d.start_s for n in work.stems_of("bass") for d in work.drafts[n]]
    found = find_bars(work.song, work.audio, onsets, bass, duration_s=work.duration_s)
    meter = "" if music.meter_given else f", meter taken as {music.meter[0]}/{music.meter[1]}"
    if found is None:
        work.warnings.append(
            "no beat was found, so bars and beats are unknown: give tempo_bpm and first_downbeat_s"
        )
        return Bars((), music.meter, 0.0, "unknown")
    sure = "" if found.confidence >= SURE else ", and this is little more than a guess"
    work.warnings.append(
        f"tempo ({found.bars.tempo_bpm:.1f} bpm) and bars are estimated from {found.heard_in}"
        f"{meter} (confidence {found.confidence:.2f}{sure}): give tempo_bpm and first_downbeat_s "
        "to settle them"
    )
    return found.bars


def _weights(work: _Work) -> dict[str, float]:
    """How much each stem says of the song's tuning; a part inside a mix nothing."""
    stems = work.song.stems
    return {
        name: 0.0 if stems[name].inside else sum(note_weight(d) for d in drafts)
        for name, drafts in work.drafts.items()
    }


def _tune(work: _Work, key: Key | None) -> None:
    for name, drafts in work.drafts.items():
        work.tuned[name] = tune_stem(drafts, tuning_hz=work.song.music.tuning_hz, key=key)


def _tell_tuning(work: _Work, tuning_hz: float) -> None:
    song_cents = 1200 * float(np.log2(tuning_hz / 440.0))
    for name, tuned in work.tuned.items():
        if work.song.stems[name].inside:
            continue
        apart = tuned.offset_cents - song_cents
        if abs(apart) > APART_CENTS and work.drafts[name]:
            side = "above" if apart > 0 else "below"
            work.warnings.append(
                f"stem {name} lies {abs(apart):.0f} cents {side} the song's tuning; its notes are "
                "named by its own"
            )
        if tuned.drift_cents > DRIFT_TOLD_CENTS:
            work.warnings.append(
                f"stem {name} drifts by {tuned.drift_cents:.0f} cents; its notes are named along "
                "the drift"
            )


def _keys(work: _Work, given: Key | None, bars: Bars) -> tuple[tuple[KeySpan, ...], FoundKey]:
    found = FoundKey(None, 0.0)
    key = given
    if given is None:
        found = _found_key(work)
        key = found.key
    spans = [] if key is None else [KeySpan(0.0, key)]
    for index, (at, text) in enumerate(work.song.music.keys):
        try:
            start_s = _moment(at, bars)
        except InputError as error:
            place = place_of(work.song, "music", "keys", index)
            raise SongFileError(f"{place}: {error}") from error
        spans.append(KeySpan(start_s, parse_key(text)))
    return tuple(sorted(spans, key=lambda span: span.start_s)), found


def _found_key(work: _Work) -> FoundKey:
    lead = work.lead()
    names = [n for n in work.drafts if n == lead or n in work.stems_of("bass")]
    notes = [
        (name, note_weight(draft))
        for stem in names
        for name, draft in zip(work.tuned[stem].names, work.drafts[stem], strict=True)
    ]
    last = work.tuned[lead].names[-1] if lead is not None else None
    found = find_key([n for n, _ in notes], [w for _, w in notes], last=last)
    if found.key is None:
        work.warnings.append('no key could be found: give it, such as key = "Bb major"')
    else:
        doubt = "" if found.confidence >= KEY_SURE else " and doubtful"
        other = f"; next best {found.second}" if found.second is not None else ""
        work.warnings.append(
            f"the key ({found.key}) is estimated{doubt} (confidence {found.confidence:.2f}{other})"
        )
    return found


def _moment(at: str, bars: Bars) -> float:
    """Seconds of "bar:beat"."""
    if len(bars.downbeats_s) < 2:
        raise SongFileError(f'"{at}" needs bars: give tempo_bpm and first_downbeat_s')
    bar, _, beat = at.partition(":")
    return max(0.0, bar_time(bars, int(bar), float(beat)))


def _chords(work: _Work, bars: Bars, key_at: KeyAt) -> tuple[Chord, ...]:
    if work.song.music.chords is not None and len(bars.downbeats_s) < 2:
        work.warnings.append(
            "the chart has no place, since bars are unknown: give tempo_bpm and first_downbeat_s"
        )
        return ()
    chords = charted_chords(work.song.music, bars=bars, key_at=key_at)
    if chords is None:
        chords = _heard_chords(work, bars, key_at)
    work.warnings += chart_warnings(work.song.music, chords, duration_s=work.duration_s, bars=bars)
    bass = [
        BassNote(d.start_s, d.end_s, name)
        for stem in work.stems_of("bass")
        for name, d in zip(work.tuned[stem].names, work.drafts[stem], strict=True)
    ]
    return on_their_basses(chords, bass, bars=bars, key_at=key_at)


def _heard_chords(work: _Work, bars: Bars, key_at: KeyAt) -> tuple[Chord, ...]:
    """Chords by ear from all that has a pitch, with a warning; () where a melody is alone."""
    stems = {n: s for n, s in work.song.stems.items() if n in work.audio and not s.inside}
    heard_in = [n for n, s in stems.items() if s.role != "unpitched"]
    is_more = any(stems[n].role in ("backing", "bass", "harmony", "mix") for n in heard_in)
    if not is_more or len(bars.downbeats_s) < 2:
        return ()
    tuning_hz = work.song.music.tuning_hz or song_tuning(work.tuned, _weights(work))
    chords = listen_for_chords(
        [work.audio[n] for n in heard_in],
        bars=bars,
        tuning_hz=tuning_hz,
        key_at=key_at,
        duration_s=work.duration_s,
    )
    if chords:
        work.warnings.append(
            f"the chords are estimated from {', '.join(heard_in)} and will hold errors, as will "
            "chord roles and endings judged by them: write a chart to settle them"
        )
    return chords


def _wanted_phrases(work: _Work, bars: Bars) -> str | tuple[tuple[float, float], ...]:
    wanted = work.song.music.phrases
    if isinstance(wanted, str) and wanted != "auto" and len(bars.downbeats_s) < 2:
        work.warnings.append(f'phrases = "{wanted}" has no bars to count: found by ear instead')
        return "auto"
    return wanted


def _stems(
    work: _Work, bars: Bars, keys: tuple[KeySpan, ...], chords: tuple[Chord, ...]
) -> dict[str, StemAnalysis]:
    lead = work.lead()
    spans: tuple[PhraseSpan, ...] = ()
    if lead is not None:
        drafts = work.drafts[lead]
        spans = find_phrases(
            [d.start_s for d in drafts],
            [d.end_s for d in drafts],
            list(work.tuned[lead].midi),
            bars=bars,
            wanted=_wanted_phrases(work, bars),
        )
    stems: dict[str, StemAnalysis] = {}
    for name, stem in work.song.stems.items():
        if name not in work.drafts:
            stems[name] = StemAnalysis(name, stem.role)
            continue
        onsets = [d.start_s for d in work.drafts[name]]
        facts = StemFacts(
            name=name,
            role=stem.role,
            track=work.tracks.get(name),
            drafts=tuple(work.drafts[name]),
            tuned=work.tuned[name],
            joined=work.joined[name],
            spans=spans if name == lead else shared_phrases(spans, onsets),
            bars=bars,
            keys=keys,
            chords=chords,
        )
        stems[name], told = build_stem(facts)
        if name in work.singing:
            stems[name] = replace(stems[name], sung=work.singing[name].spans)
        if stem.inside:
            stems[name] = replace(stems[name], inside=stem.inside)
        else:
            work.warnings += told
    return shared_cadences(stems, lead)
