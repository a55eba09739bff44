"""The room's one door: a song, its sound and its pitch tracks in, an Analysis out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

import numpy as np

from retune.analysis.corrections import Draft
from retune.analysis.form import with_form
from retune.analysis.frame import hear_bars, hear_chords, hear_keys
from retune.analysis.key import KeyAt
from retune.analysis.naming import APART_CENTS, tune_stem
from retune.analysis.other_keys import tell_other_keys
from retune.analysis.phrases import PhraseSpan, find_phrases
from retune.analysis.stems import StemFacts, build_stem, shared_cadences, shared_phrases
from retune.analysis.words import with_words
from retune.analysis.work import Work, hear_notes
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
from retune.song.guide import GuideNote
from retune.song.lyrics import song_lyrics
from retune.theory.keys import parse_key

DRIFT_TOLD_CENTS = 25.0


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
        What plays in a mix without its voice, as estimated: chords and key are heard in it.

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
    work = Work(song, audio, tracks, duration_s, guide, corrected, singing or {}, band or {})
    hear_notes(work)
    given_key = None if song.music.key == "auto" else parse_key(song.music.key)
    _tune(work, given_key)
    bars = hear_bars(work)
    keys, found = hear_keys(work, given_key, bars)
    tell_other_keys(work, keys)
    key_at = KeyAt(keys)
    chords = hear_chords(work, bars, key_at)
    stems = _stems(work, bars, keys, chords)
    _tell_tuning(work, work.tuning_hz)
    analysis = Analysis(
        title=song.title,
        rate_hz=rate_hz,
        duration_s=duration_s,
        tuning_hz=work.tuning_hz,
        keys=keys,
        key_source="given" if given_key is not None else "estimated",
        key_confidence=1.0 if given_key is not None else found.confidence,
        key_rivals=() if found.second is None else (found.second,),
        bars=bars,
        chords=chords,
        stems=MappingProxyType(stems),
        warnings=tuple(dict.fromkeys(work.warnings)),
    )
    lines = song_lyrics(song.music)
    return with_words(with_form(analysis, song.music, lines), lines)


def _tune(work: Work, key: Key | None) -> None:
    for name, drafts in work.drafts.items():
        work.tuned[name] = tune_stem(drafts, tuning_hz=work.song.music.tuning_hz, key=key)


def _tell_tuning(work: Work, tuning_hz: float) -> None:
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


def _wanted_phrases(work: Work, bars: Bars) -> str | tuple[tuple[float, float], ...]:
    wanted = work.song.music.phrases
    if isinstance(wanted, str) and wanted != "auto" and len(bars.downbeats_s) < 2:
        work.warnings.append(f'phrases = "{wanted}" has no bars to count: found by ear instead')
        return "auto"
    return wanted


def _stems(
    work: Work, bars: Bars, keys: tuple[KeySpan, ...], chords: tuple[Chord, ...]
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
