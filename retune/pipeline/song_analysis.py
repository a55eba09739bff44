"""From the stems of a song to its analysis: pitch tracked (or recalled), notes reasoned on."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Any
from weakref import WeakValueDictionary

from retune import __version__
from retune.carriers.errors import ChordError
from retune.carriers.heard import MONOPHONIC_ROLES, Analysis, PitchTrack, Role
from retune.carriers.songfacts import Correction, Song
from retune.carriers.text import counted
from retune.pipeline.inputs import CSV_TRACK, Progress, SongInputs, silent
from retune.pipeline.mix_guide import guide_of, hear_bass, hear_mix
from retune.pipeline.mix_residual import residual_words
from retune.pipeline.mix_voice import band_of, singing_of, sung_beside, voice_of
from retune.pipeline.pitch_track import TRACK, Tracked
from retune.pipeline.score_check import score_words
from retune.pipeline.song_passage import track_part
from retune.pipeline.stages import Stage
from retune.song.history import heard_otherwise
from retune.song.songfile import place_of
from retune.sound.audio import AudioFile
from retune.sound.audiochecks import audio_warnings

if TYPE_CHECKING:
    from retune.analysis import Draft, Listened

ANALYSIS = Stage(
    "analysis",
    Analysis,
    rooms=("track", "separate", "analysis"),
    libraries=("numpy", "scipy", "numba", "librosa", "soundfile", "soxr"),
    is_passing=True,
)


@dataclass(frozen=True, eq=False)
class ListenedTo:
    """What was heard before anything was put right by hand."""

    listened: Listened


LISTENED = Stage("heard", ListenedTo, ANALYSIS.rooms, ANALYSIS.libraries, keep=2, on_disk=False)

# Lowest and highest pitch looked for, in Hz. A voice: the range the tracker was measured on;
# a bass: below the low B of a five-string bass (30.9 Hz) to the top of its neck.
PITCH_RANGE_HZ: Mapping[Role, tuple[float, float]] = MappingProxyType(
    {
        "melody": (65.0, 1200.0),
        "harmony": (65.0, 1200.0),
        "double": (65.0, 1200.0),
        "bass": (30.0, 400.0),
    }
)


HEARD: WeakValueDictionary[str, Analysis] = WeakValueDictionary()
"""Analyses in use by their address (`Plan.heard`): a plan is drawn on the notes that it moves."""


def analysis_of(opened: SongInputs, *, progress: Progress = silent) -> Analysis:
    """What is heard in a song: pitch, notes, phrases, key, bars, chords, degrees and endings.

    Raises
    ------
    InputError
        A stem, a chart or a correction cannot be used.
    """
    reads = _reads(opened)
    found = opened.recall(ANALYSIS, reads, lambda: _hear(opened, progress))
    HEARD[ANALYSIS.key(reads)] = found
    told = _heard_otherwise(opened.song)
    if found.title == opened.song.title and not told:
        return found
    return replace(found, title=opened.song.title, warnings=(*told, *found.warnings))


def _heard_otherwise(song: Song) -> list[str]:
    """What has changed in the hearing since the song was worked on."""
    changes = heard_otherwise(song.heard_with, __version__) if song.heard_with else ()
    return [f"worked on with retune {song.heard_with}; {line}" for line in changes]


def hear_again(opened: SongInputs) -> None:
    """Hear what corrections start from, where the analysis itself was kept between runs: else the
    first correction would wait for it."""
    if not opened.memory.holds(LISTENED, _listened_reads(opened)):
        _hear(opened, silent)


def analysis_key(opened: SongInputs) -> str:
    """The address of the analysis, known without hearing anything."""
    return ANALYSIS.key(_reads(opened))


def _reads(opened: SongInputs) -> dict[str, Any]:
    """All that is heard; another title or other rights sound the same."""
    unheard = ("title", "rights")
    song = {name: fact for name, fact in opened.reads["song"].items() if name not in unheard}
    return {**opened.reads, "song": song}


def _hear(opened: SongInputs, progress: Progress) -> Analysis:
    from retune.analysis import analyze_song

    heard = _listen(opened, progress)
    corrected = next((h.corrected for h in heard.values() if h.corrected is not None), None)
    progress("finding notes and phrases", 0.0)
    ready = opened.recall(LISTENED, _listened_reads(opened), lambda: _listened(opened, heard))
    song = replace(opened.song, stems=opened.parts, corrections=opened.corrections)
    again = {name: found.again for name, found in heard.items() if found.again is not None}
    try:
        analysis = analyze_song(song, ready.listened, tracks=again, corrected=corrected)
    except ChordError as error:
        raise _placed(error, opened.song) from error
    progress("finding notes and phrases", 1.0)
    told = [
        *opened.warnings,
        *residual_words(opened),
        *_other_takes(opened),
        *(line for found in heard.values() for line in found.lines),
        *score_words(opened, analysis),
    ]
    stems = {
        name: replace(
            stem,
            follow=opened.parts[name].follow,
            sung=singing_of(opened, name).spans if heard[name].is_mix else stem.sung,
        )
        for name, stem in analysis.stems.items()
    }
    warnings = tuple(dict.fromkeys([*told, *analysis.warnings]))
    return replace(
        analysis, stems=MappingProxyType(stems), warnings=warnings, passage=opened.passage
    )


def _other_takes(opened: SongInputs) -> list[str]:
    """What was put right on another take of a stem than the one there is now, to be looked over."""
    found: dict[str, list[Correction]] = {}
    for correction in opened.corrections:
        known = correction.stem in opened.parts and correction.stem_sha256
        if known and opened.sha256(opened.home_of(correction.stem)) != correction.stem_sha256:
            found.setdefault(correction.stem, []).append(correction)
    return [
        f"stem {stem} is another take than {counted(len(rows), 'correction')} "
        f"{'was' if len(rows) == 1 else 'were'} made on: check what was put right at "
        + ", ".join(f"{row.at_s:.2f} s ({row.set})" for row in rows[:TAKES_TOLD])
        + (f" and {len(rows) - TAKES_TOLD} more" if len(rows) > TAKES_TOLD else "")
        for stem, rows in found.items()
    ]


TAKES_TOLD = 6
UNHEARD = ("title", "rights", "corrections")
UNHEARD_MUSIC = ("keys", "chords", "chords_file", "phrases", "lyrics", "lyrics_file", "sections")
UNHEARD_OF_STEMS = ("gain_db", "when_melody_moves")


def _listened_reads(opened: SongInputs) -> dict[str, Any]:
    """What there is to hear before anything is put right: another phrase, chord or correction
    sounds the same."""
    reads = _reads(opened)
    song = {name: fact for name, fact in reads["song"].items() if name not in UNHEARD}
    song["music"] = {n: fact for n, fact in song["music"].items() if n not in UNHEARD_MUSIC}
    song["stems"] = {
        name: {n: fact for n, fact in stem.items() if n not in UNHEARD_OF_STEMS}
        for name, stem in song["stems"].items()
    }
    return {**reads, "song": song}


def _listened(opened: SongInputs, heard: Mapping[str, _Heard]) -> ListenedTo:
    from retune.analysis import listen_to

    mixes = {n: found.track for n, found in heard.items() if found.is_mix and found.track}
    found = listen_to(
        replace(opened.song, stems=opened.parts, corrections=()),
        {name: opened.sound_of(name) for name in opened.parts},
        {name: found.track for name, found in heard.items() if found.track is not None},
        guide=guide_of(opened).notes,
        singing={name: sung_beside(opened, name, track) for name, track in mixes.items()},
        band={name: band_of(opened, name) for name in mixes},
        voices={name: voice_of(opened, name) for name in mixes},
    )
    return ListenedTo(found)


def _placed(error: ChordError, song: Song) -> ChordError:
    """The fault of a chart with its file and line; a label file names its own."""
    if song.music.chords is None:
        return error
    said = str(error).removeprefix("chords: ")
    return ChordError(f"{place_of(song, 'music', 'chords')}: {said}")


@dataclass(frozen=True, eq=False)
class _Heard:
    """What was heard of one stem: its track, what to warn of; of a mix that was put right its
    notes, and its track by them."""

    track: PitchTrack | None
    lines: tuple[str, ...] = ()
    again: PitchTrack | None = None
    corrected: tuple[Draft, ...] | None = None
    is_mix: bool = False


def _listen(opened: SongInputs, progress: Progress) -> dict[str, _Heard]:
    """Track every monophonic stem and look every stem over, stems side by side."""
    names = list(opened.parts)
    done = 0
    heard = {}
    progress("listening", 0.0)
    with ThreadPoolExecutor(max_workers=2) as pool:
        for name, result in zip(
            names, pool.map(functools.partial(_listen_to, opened), names), strict=True
        ):
            done += 1
            heard[name] = result
            progress("listening", done / len(names))
    return heard


def _listen_to(opened: SongInputs, name: str) -> _Heard:
    """What is heard in one stem, or in a part of a mix. A mix beside a melody of its own is not
    searched for it."""
    stem = opened.parts[name]
    if stem.inside:
        return _Heard(hear_bass(opened, stem.inside))
    roles = {s.role for s in opened.song.stems.values()}
    is_mix = stem.role == "mix" and "melody" not in roles
    wants_pitch = stem.role in MONOPHONIC_ROLES
    reads = {
        "audio": opened.content(name),
        "name": opened.audio[name].path.name,
        "role": stem.role,
        "tracker": opened.tracker_content if wants_pitch else "",
        "range_hz": list(PITCH_RANGE_HZ.get(stem.role, (0.0, 0.0))),
    }
    tracker = opened.settings.tracker if wants_pitch else ""
    found = opened.recall(TRACK, reads, lambda: _track(opened.audio[name], stem.role, tracker))
    lines = tuple(f"stem {name}: {line}" for line in found.lines)
    if not is_mix:
        return _Heard(found.track, lines)
    mix = hear_mix(opened, name)
    told = (*lines, *(f"stem {name}: {line}" for line in mix.told))
    return _Heard(mix.track, told, mix.again, mix.corrected, is_mix=True)


def _track(audio: AudioFile, role: Role, tracker: str) -> Tracked:
    """The pitch track of a stem (none without a tracker) and what to warn of."""
    from retune.track import track_pitch, voice_warnings

    lines = tuple(audio_warnings(audio))
    if not tracker:
        return Tracked(None, lines)
    low_hz, high_hz = PITCH_RANGE_HZ[role]
    if tracker.startswith(CSV_TRACK):
        track = track_pitch(audio, fmin_hz=low_hz, fmax_hz=high_hz, tracker=tracker)
    else:
        track = track_part(
            audio, lambda part: track_pitch(part, fmin_hz=low_hz, fmax_hz=high_hz, tracker=tracker)
        )
    if role == "melody":
        lines += tuple(voice_warnings(audio, track))
    return Tracked(track, lines)
