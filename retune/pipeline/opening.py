"""From a song file to an analysis: stems opened, pitch tracked (or recalled), notes reasoned on."""

from __future__ import annotations

import functools
import hashlib
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from retune import __version__
from retune.core.audio import AudioFile, audio_warnings, check_stems, open_audio
from retune.core.cache import Cache
from retune.core.carriers import MONOPHONIC_ROLES, Analysis, PitchTrack, Role, Song
from retune.core.errors import ChordError
from retune.core.guide import GuideNote, read_guide
from retune.core.songfile import check_times, place_of, read_song

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
        "mix": (65.0, 1200.0),
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
        opened._memo["analysis"] = _hear(opened, progress)
    analysis: Analysis = opened._memo["analysis"]
    return analysis


def _hear(opened: OpenSong, progress: Progress) -> Analysis:
    from dataclasses import replace

    from retune.analysis import analyze_song

    heard = _listen(opened, progress)
    tracks = {name: track for name, (track, _) in heard.items() if track is not None}
    progress("finding notes and phrases", 0.0)
    try:
        analysis = analyze_song(opened.song, opened.audio, tracks, guide=guide_of(opened))
    except ChordError as error:
        raise _placed(error, opened.song) from error
    progress("finding notes and phrases", 1.0)
    told = [*opened.warnings, *(line for _, lines in heard.values() for line in lines)]
    return replace(analysis, warnings=(*dict.fromkeys([*told, *analysis.warnings]),))


def _placed(error: ChordError, song: Song) -> ChordError:
    """The fault of a chart with its file and line; a label file names its own."""
    if song.music.chords is None:
        return error
    said = str(error).removeprefix("chords: ")
    return ChordError(f"{place_of(song, 'music', 'chords')}: {said}")


def _listen(
    opened: OpenSong, progress: Progress
) -> dict[str, tuple[PitchTrack | None, tuple[str, ...]]]:
    """Track every monophonic stem and look every stem over, stems side by side."""
    names = list(opened.song.stems)
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


def _listen_to(opened: OpenSong, name: str) -> tuple[PitchTrack | None, tuple[str, ...]]:
    """The pitch track of one stem (None for a polyphonic one) and what to warn of."""
    from retune.track import track_mix, voice_warnings

    stem, audio = opened.song.stems[name], opened.audio[name]
    cache = Cache() if opened.use_cache else None
    wants_pitch = stem.role in MONOPHONIC_ROLES or stem.role == "mix"
    low_hz, high_hz = PITCH_RANGE_HZ.get(stem.role, (0.0, 0.0))
    key: dict[str, Any] = {
        "audio": opened.sha256(name),
        "tracker": opened.tracker if wants_pitch else "",
        "range": [low_hz, high_hz],
        "version": __version__,
        "code": _tracking_code(),
    }
    guide = guide_of(opened) if stem.role == "mix" else ()
    if stem.role == "mix":
        key |= {"mix": True, "guide": [[n.start_s, n.end_s, n.midi] for n in guide]}
    if cache is not None and not opened.tracker.startswith("csv:"):
        found = cache.get(key)
        if found is not None:
            return _recalled(found)
    lines = [f"stem {name}: {line}" for line in audio_warnings(audio)]
    track = None
    if wants_pitch:
        if stem.role == "mix" and not opened.tracker.startswith("csv:"):
            track = track_mix(audio, fmin_hz=low_hz, fmax_hz=high_hz, guide=guide)
        else:
            track = _track(audio, low_hz, high_hz, opened.tracker)
        if stem.role == "melody":
            lines += [f"stem {name}: {line}" for line in voice_warnings(audio, track)]
    if cache is not None:
        cache.put(key, _stored(track, lines))
    return track, tuple(lines)


def guide_of(opened: OpenSong) -> tuple[GuideNote, ...]:
    """The notes of the song's guide, () when there is none or no mix to guide through; read once.

    Raises
    ------
    InputError
        The guide cannot be read.
    """
    path = opened.song.music.guide
    if path is None or not any(stem.role == "mix" for stem in opened.song.stems.values()):
        return ()
    if "guide" not in opened._memo:
        opened._memo["guide"] = read_guide(path)
    notes: tuple[GuideNote, ...] = opened._memo["guide"]
    return notes


@functools.lru_cache(maxsize=1)
def _tracking_code() -> str:
    """A digest of the tracker's own source, so that a changed tracker hears every stem anew."""
    import retune.track

    digest = hashlib.sha256()
    for path in sorted(Path(str(retune.track.__file__)).parent.glob("*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()


def _track(audio: AudioFile, low_hz: float, high_hz: float, tracker: str) -> PitchTrack:
    from retune.track import track_pitch

    return track_pitch(audio, fmin_hz=low_hz, fmax_hz=high_hz, tracker=tracker)


def _stored(track: PitchTrack | None, lines: list[str]) -> dict[str, Any]:
    arrays: dict[str, Any] = {"warnings": np.array(lines, dtype=np.str_)}
    if track is not None:
        for name in ("time_s", "f0_hz", "voiced_prob", "energy_db"):
            arrays[name] = getattr(track, name)
        arrays["tracker"] = np.array([track.tracker], dtype=np.str_)
    return arrays


def _recalled(arrays: Mapping[str, Any]) -> tuple[PitchTrack | None, tuple[str, ...]]:
    lines = tuple(str(line) for line in arrays["warnings"])
    if "f0_hz" not in arrays:
        return None, lines
    fields = {name: arrays[name] for name in ("time_s", "f0_hz", "voiced_prob", "energy_db")}
    return PitchTrack(**fields, tracker=str(arrays["tracker"][0])), lines
