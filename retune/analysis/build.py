"""The room's one door: a song, its sound and its pitch tracks in, an Analysis out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from types import MappingProxyType

import numpy as np

from retune.analysis.corrections import Draft
from retune.analysis.form import with_form
from retune.analysis.frame import hear_bars, hear_chords, hear_keys
from retune.analysis.listened import Listened
from retune.analysis.naming import APART_CENTS
from retune.analysis.other_keys import tell_other_keys
from retune.analysis.phrases import PhraseSpan, find_phrases
from retune.analysis.stems import StemFacts, build_stem, shared_cadences, shared_phrases
from retune.analysis.words import with_words
from retune.analysis.work import Work, hear_notes
from retune.carriers.heard import (
    Analysis,
    Bars,
    Chord,
    KeySpan,
    PitchTrack,
    StemAnalysis,
)
from retune.carriers.songfacts import Song
from retune.song.lyrics import song_lyrics

DRIFT_TOLD_CENTS = 25.0


def analyze_song(
    song: Song,
    listened: Listened,
    *,
    tracks: Mapping[str, PitchTrack] | None = None,
    corrected: Sequence[Draft] | None = None,
) -> Analysis:
    """Hear a song: notes, tuning, key, bars, chords, phrases and how they end.

    Parameters
    ----------
    song : Song
        The song file, read.
    listened : Listened
        What is heard in its sound (`listen_to`).
    tracks : mapping of stem name to PitchTrack, optional
        Where they differ from those that were listened to: of a mix followed anew by its notes as
        put right.
    corrected : sequence of Draft, optional
        The notes of the mix as put right by hand (`corrected_guide`), by which its track was made.

    Returns
    -------
    Analysis
        What is given in the song file wins; what was found or estimated is said in `warnings`.

    Raises
    ------
    SongFileError, ChordError
        Something in the song file does not read.
    """
    work = Work(
        song,
        listened=listened,
        tracks={**listened.tracks, **(tracks or {})},
        corrected=corrected,
    )
    hear_notes(work)
    work.tune()
    bars = hear_bars(work)
    keys, found = hear_keys(work, bars)
    tell_other_keys(work, keys)
    chords = hear_chords(work, bars, keys)
    stems = _stems(work, bars, keys, chords)
    _tell_tuning(work, work.tuning_hz)
    analysis = Analysis(
        title=song.title,
        rate_hz=next((a.rate_hz for a in listened.audio.values()), 44100),
        duration_s=listened.duration_s,
        tuning_hz=work.tuning_hz,
        keys=keys,
        key_source="given" if work.given_key is not None else "estimated",
        key_confidence=1.0 if work.given_key is not None else found.confidence,
        key_rivals=() if found.second is None else (found.second,),
        bars=bars,
        chords=chords,
        stems=MappingProxyType(stems),
        warnings=tuple(dict.fromkeys(work.warnings)),
    )
    lines = song_lyrics(song.music)
    return with_words(
        with_form(analysis, song.music, lines, is_part=song.passage is not None), lines
    )


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
        made = work.listened.last(("stem", name), facts.reads, partial(build_stem, facts))
        stems[name], told = replace(made[0], track=facts.track), made[1]
        if stem.inside:
            stems[name] = replace(stems[name], inside=stem.inside)
        else:
            work.warnings += told
    return shared_cadences(stems, lead)
