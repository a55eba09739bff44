"""From a song file to an analysis: stems opened, pitch tracked (or recalled), notes reasoned on."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from retune.carriers.errors import ChordError
from retune.carriers.heard import MONOPHONIC_ROLES, Analysis, AudioLike, PitchTrack, Role
from retune.carriers.songfacts import Song, Stem
from retune.pipeline.mix_guide import guide_of, hear_bass, hear_mix, parts_inside
from retune.pipeline.mix_residual import residual_words
from retune.pipeline.recalling import heard_once
from retune.pipeline.tracking import Tracked, remembered
from retune.song.songfile import check_times, place_of, read_song
from retune.sound.audio import AudioFile, audio_warnings, check_stems, open_audio

if TYPE_CHECKING:
    from retune.analysis import Draft

Progress = Callable[[str, float], None]
"""Called with a stage in words and how much of it is done, 0 to 1."""

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


def silent(stage: str, fraction: float) -> None:
    """A `Progress` that says nothing."""


@dataclass(frozen=True, eq=False)
class OpenSong:
    """A song file read, with its stems opened (not loaded) and checked."""

    song: Song
    audio: Mapping[str, AudioFile]
    warnings: tuple[str, ...] = ()
    tracker: str = "pyin"
    use_cache: bool = True
    _memo: dict[str, Any] = field(default_factory=dict, repr=False)

    @property
    def rate_hz(self) -> int:
        return next(iter(self.audio.values())).rate_hz

    def sha256(self, stem: str) -> str:
        """SHA-256 of a stem's file, hashed once."""
        hashes = self._memo.setdefault("sha256", {})
        if stem not in hashes:
            hashes[stem] = self.audio[stem].sha256()
        return str(hashes[stem])

    def know_sha256(self, stem: str, *, stamp: tuple[int, int], digest: str) -> None:
        """Take a hash made elsewhere, if the file is still the one that was hashed there."""
        if stem in self.audio and self.audio[stem].stamp == stamp:
            self._memo.setdefault("sha256", {}).setdefault(stem, digest)

    @property
    def parts(self) -> Mapping[str, Stem]:
        """The stems, and the parts that are heard and moved inside a mix."""
        return {**self.song.stems, **parts_inside(self.song)}

    def home_of(self, part: str) -> str:
        """The stem that holds the sound of a part: itself, or the mix it is inside."""
        return self.parts[part].inside or part

    def sound_of(self, part: str) -> AudioLike:
        """The sound in which a part is heard."""
        from retune.track import Lows

        inside = self.parts[part].inside
        return Lows(self.audio[inside]) if inside else self.audio[part]

    @property
    def n_samples(self) -> int:
        return max(stem.n_samples for stem in self.audio.values())


Source = str | Path | Song | OpenSong


def open_song(
    source: Source, *, tracker: str = "pyin", use_cache: bool = True, **facts: str | None
) -> OpenSong:
    """Read a song file (or a bare recording with `facts`) and open its stems.

    Parameters
    ----------
    source : path, Song or OpenSong
        An `OpenSong` comes back as it is.
    tracker : str
        "pyin", "librosa", "swift-f0" or "csv:FILE".
    use_cache : bool
        Recall pitch tracks heard before.
    **facts : str or None
        key, meter, tempo, downbeat, chords, phrases of a bare recording, as typed.

    Raises
    ------
    InputError
        The song file or a stem cannot be used; names file, field and fix.
    """
    if isinstance(source, OpenSong):
        return source
    given = {name: value for name, value in facts.items() if value is not None}
    song = source if isinstance(source, Song) else read_song(source, **given)
    audio = {name: open_audio(stem.path) for name, stem in song.stems.items()}
    warnings = list(check_stems(audio))
    check_times(song, duration_s=max(stem.duration_s for stem in audio.values()))
    return OpenSong(song, MappingProxyType(audio), tuple(warnings), tracker, use_cache)


def analyze(source: Source, *, progress: Progress = silent, **options: Any) -> Analysis:
    """Hear a song: pitch, notes, phrases, key, bars, chords, degrees and endings.

    Takes what `open_song` takes. The same `OpenSong` is heard once.

    Raises
    ------
    InputError
        The song file or a stem cannot be used.
    """
    opened = open_song(source, **options)
    if "analysis" not in opened._memo:
        opened._memo["analysis"] = heard_once(opened, lambda: _hear(opened, progress))
    analysis: Analysis = opened._memo["analysis"]
    return analysis


def _hear(opened: OpenSong, progress: Progress) -> Analysis:
    from retune.analysis import analyze_song

    heard = _listen(opened, progress)
    tracks = {name: found.track for name, found in heard.items() if found.track is not None}
    corrected = next((h.corrected for h in heard.values() if h.corrected is not None), None)
    song = replace(opened.song, stems=opened.parts)
    progress("finding notes and phrases", 0.0)
    try:
        analysis = analyze_song(
            song,
            {name: opened.sound_of(name) for name in opened.parts},
            tracks,
            guide=guide_of(opened).notes,
            corrected=corrected,
        )
    except ChordError as error:
        raise _placed(error, opened.song) from error
    progress("finding notes and phrases", 1.0)
    told = [
        *opened.warnings,
        *residual_words(opened),
        *(line for found in heard.values() for line in found.lines),
    ]
    return replace(analysis, warnings=(*dict.fromkeys([*told, *analysis.warnings]),))


def _placed(error: ChordError, song: Song) -> ChordError:
    """The fault of a chart with its file and line; a label file names its own."""
    if song.music.chords is None:
        return error
    said = str(error).removeprefix("chords: ")
    return ChordError(f"{place_of(song, 'music', 'chords')}: {said}")


@dataclass(frozen=True, eq=False)
class _Heard:
    """What was heard of one stem: its track, the notes of a mix as put right, what to warn of."""

    track: PitchTrack | None
    lines: tuple[str, ...] = ()
    corrected: tuple[Draft, ...] | None = None


def _listen(opened: OpenSong, progress: Progress) -> dict[str, _Heard]:
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


def _listen_to(opened: OpenSong, name: str) -> _Heard:
    """What is heard in one stem, or in a part of a mix. A mix beside a melody of its own is not
    searched for it."""
    stem = opened.parts[name]
    if stem.inside:
        return _Heard(hear_bass(opened, stem.inside))
    roles = {s.role for s in opened.song.stems.values()}
    is_mix = stem.role == "mix" and "melody" not in roles
    wants_pitch = stem.role in MONOPHONIC_ROLES
    low_hz, high_hz = PITCH_RANGE_HZ.get(stem.role, (0.0, 0.0))
    key = {
        "audio": opened.sha256(name),
        "tracker": opened.tracker if wants_pitch else "",
        "range": [low_hz, high_hz],
    }
    track, lines = remembered(
        key,
        lambda: _track(opened.audio[name], stem.role, opened.tracker if wants_pitch else ""),
        use_cache=opened.use_cache and not opened.tracker.startswith("csv:"),
    )
    lines = tuple(f"stem {name}: {line}" for line in lines)
    if not is_mix:
        return _Heard(track, lines)
    mix = hear_mix(opened, name)
    return _Heard(
        mix.track, (*lines, *(f"stem {name}: {line}" for line in mix.told)), mix.corrected
    )


def _track(audio: AudioFile, role: Role, tracker: str) -> Tracked:
    """The pitch track of a stem (none without a tracker) and what to warn of."""
    from retune.track import track_pitch, voice_warnings

    lines = tuple(audio_warnings(audio))
    if not tracker:
        return None, lines
    low_hz, high_hz = PITCH_RANGE_HZ[role]
    track = track_pitch(audio, fmin_hz=low_hz, fmax_hz=high_hz, tracker=tracker)
    if role == "melody":
        lines += tuple(voice_warnings(audio, track))
    return track, lines
