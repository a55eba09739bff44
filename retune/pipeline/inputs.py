"""What a song is made from, as it stands at one moment: song file, stems, charts, settings.

Everything that is worked out of a song is worked out of one `SongInputs`, so that two states of
its files are never mixed.
"""

from __future__ import annotations

import difflib
import functools
import stat
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypedDict, TypeVar

from retune.carriers.errors import InputError, StaleError, UsageError
from retune.carriers.heard import AudioLike
from retune.carriers.songfacts import Correction, Song, Stem
from retune.pipeline.facts import song_facts
from retune.pipeline.song_passage import passage_of, samples_of
from retune.pipeline.stages import Memory, Stage, shared_memory
from retune.song.limits import MAX_BYTES, MAX_F0_BYTES
from retune.song.songfile import check_times, read_song
from retune.sound.audio import AUDIO_SUFFIXES, AudioFile, check_stems, open_audio
from retune.sound.files import sha256_file

Value = TypeVar("Value")
Progress = Callable[[str, float], None]
"""Called with a stage in words and how much of it is done, 0 to 1."""
BASS = "bass"
CSV_TRACK = "csv:"
_SMALL_BYTES = 1 << 20


def silent(stage: str, fraction: float) -> None:
    """A `Progress` that says nothing."""


class Options(TypedDict, total=False):
    """Everything that `open_song` takes besides the song, by name: see `Settings`."""

    tracker: str
    use_cache: bool
    key: str | None
    meter: str | None
    tempo: str | float | None
    downbeat: str | float | None
    chords: str | None
    phrases: str | None
    guide: str | Path | None
    mix: bool
    start: str | float | None
    end: str | float | None


@dataclass(frozen=True)
class Settings:
    """How a song is opened.

    Attributes
    ----------
    tracker : str
        "pyin", "librosa", "swift-f0" or "csv:FILE".
    use_cache : bool
        Whether results are kept between runs, and recalled.
    key, meter, tempo, downbeat, chords, phrases, guide : str, optional
        Facts of a bare recording, as on the command line.
    mix : bool
        Whether a bare recording is a finished mix; with a guide it is one anyway.
    start, end : str, optional
        Where the part begins and ends that is worked on: "72.5s", "1:12" or bar:beat; they win
        over the song file's passage.
    """

    tracker: str = "pyin"
    use_cache: bool = True
    key: str | None = None
    meter: str | None = None
    tempo: str | None = None
    downbeat: str | None = None
    chords: str | None = None
    phrases: str | None = None
    guide: str | None = None
    mix: bool = False
    start: str | None = None
    end: str | None = None

    @property
    def facts(self) -> dict[str, Any]:
        """What is said of a bare recording."""
        named = {f.name: getattr(self, f.name) for f in fields(self)}
        others = ("tracker", "use_cache", "start", "end")
        return {k: v for k, v in named.items() if k not in others and v not in (None, False)}

    @property
    def track_file(self) -> Path | None:
        """The file that a pitch track is read from, when it is."""
        name = self.tracker.removeprefix(CSV_TRACK)
        return Path(name) if name != self.tracker else None


def settings_of(options: Mapping[str, Any], *, caller: str = "open") -> Settings:
    """The settings that options name.

    Raises
    ------
    UsageError
        An option that is not known; names the nearest that is.
    """
    known = [f.name for f in fields(Settings)]
    for name in options:
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1)
            hint = f'did you mean "{near[0]}"?' if near else f"it takes {', '.join(known)}"
            raise UsageError(f'{caller} has no option "{name}"; {hint}')
    said: dict[str, Any] = {
        name: value if isinstance(value, bool) or value is None else str(value)
        for name, value in options.items()
    }
    return Settings(**said)


@dataclass(frozen=True, eq=False)
class SongInputs:
    """A song as read, its stems opened (not loaded) and checked, and the contents of the other
    files that it is read from."""

    song: Song
    audio: Mapping[str, AudioFile]
    settings: Settings = field(default_factory=Settings)
    warnings: tuple[str, ...] = ()
    digests: Mapping[Path, str] = field(default_factory=dict)
    """SHA-256 of the files besides song file and stems, as they were when the song was read."""
    memory: Memory = field(default_factory=Memory, repr=False)
    passage: tuple[float, float] | None = None
    """The part that is worked on, seconds; None for all of it."""

    def __repr__(self) -> str:
        return f"<SongInputs of {self.song!r}>"

    @property
    def rate_hz(self) -> int:
        return next(iter(self.audio.values())).rate_hz

    @property
    def n_samples(self) -> int:
        return max(stem.n_samples for stem in self.audio.values())

    @functools.cached_property
    def mix(self) -> Stem | None:
        """The stem that is a finished mix, if there is one."""
        return next((stem for stem in self.song.stems.values() if stem.role == "mix"), None)

    @functools.cached_property
    def parts(self) -> Mapping[str, Stem]:
        """The stems, and the parts that are heard and moved inside a mix: its bass, where no stem
        is one."""
        stems, mix = self.song.stems, self.mix
        taken = {name.casefold() for name in stems}
        if mix is None or BASS in taken or any(stem.role == "bass" for stem in stems.values()):
            return stems
        return {**stems, BASS: Stem(BASS, mix.path, "bass", inside=mix.name)}

    def home_of(self, part: str) -> str:
        """The stem that holds the sound of a part: itself, or the mix it is inside."""
        return self.parts[part].inside or part

    def sound_of(self, part: str) -> AudioLike:
        """The sound in which a part is heard."""
        from retune.track import Lows

        inside = self.parts[part].inside
        return Lows(self.audio[inside]) if inside else self.audio[part]

    def sha256(self, stem: str) -> str:
        """SHA-256 of a stem's file. Raises StaleError when it is not the one that was opened."""
        audio = self.audio[stem]
        digest = digest_of(audio.path)
        if not is_as_opened(audio):
            raise StaleError(f"{audio.path} changed while it was in use; start again")
        return digest

    @functools.cached_property
    def files(self) -> tuple[Path, ...]:
        """Every file that the song is made from."""
        return (*self.song.inputs, *other_files(self.song, self.settings))

    @functools.cached_property
    def corrections(self) -> tuple[Correction, ...]:
        """What was put right by hand in the part that is worked on."""
        if self.passage is None:
            return self.song.corrections
        first_s, last_s = self.passage
        return tuple(c for c in self.song.corrections if first_s <= c.at_s < last_s)

    def content(self, stem: str) -> str:
        """What is heard of a stem: its file, and of a passage where that lies."""
        audio, digest = self.audio[stem], self.sha256(stem)
        return f"{digest} {audio.first} {audio.n_samples}" if self.passage else digest

    @functools.cached_property
    def reads(self) -> Mapping[str, Any]:
        """The contents that are heard in a song, in JSON values: the part of every key that is
        the song's."""
        return {
            "song": song_facts(self.song),
            "stems": {name: self.content(name) for name in self.audio},
            "files": {path.name: digest for path, digest in self.digests.items()},
            "tracker": self.tracker_content,
        }

    @property
    def tracker_content(self) -> str:
        """The tracker; for one read from a file, the content of that file."""
        path = self.settings.track_file
        return self.settings.tracker if path is None else f"{CSV_TRACK}{self.digests.get(path)}"

    def recall(
        self,
        stage: Stage[Value],
        reads: Mapping[str, Any],
        make: Callable[[], Value],
        *,
        is_kept: Callable[[Value], bool] = lambda value: True,
    ) -> Value:
        """A step worked out of these inputs, or recalled; kept if `is_kept` says so.

        Raises
        ------
        StaleError
            A file was changed meanwhile; nothing is kept.
        """

        def from_these() -> Value:
            value = make()
            self.check_unchanged()
            return value

        return self.memory.recall(stage, reads, from_these, is_kept=is_kept)

    def check_unchanged(self) -> None:
        """Raises StaleError when a file that the song is made from is not what it was."""
        for audio in self.audio.values():
            if not is_as_opened(audio):
                raise StaleError(f"{audio.path} changed while it was in use; start again")
        for path, digest in self.digests.items():
            if _digest_beside(path) != digest:
                raise StaleError(f"{path} changed while it was in use; start again")


def _old_words(song: Song) -> list[str]:
    """What a song file of an earlier version calls otherwise; it is read all the same."""
    return [
        f"stem {name}: follow is called when_melody_moves now; the old word is still read"
        for name, stem in song.stems.items()
        if "follow" in stem.old_words
    ]


def read_inputs(source: Path | Song, settings: Settings, memory: Memory) -> SongInputs:
    """Read a song file, or a bare recording and what is said of it, and open the stems.

    Raises
    ------
    InputError
        The song file or a stem cannot be used; names file, field and fix.
    """
    song = source if isinstance(source, Song) else read_song(source, **settings.facts)
    digests = digests_beside(song, settings)
    audio = {name: open_audio(stem.path) for name, stem in song.stems.items()}
    warnings = (*check_stems(audio), *_old_words(song))
    duration_s = max(stem.duration_s for stem in audio.values())
    check_times(song, duration_s=duration_s)
    passage = passage_of(song, (settings.start, settings.end), duration_s=duration_s)
    if passage is not None:
        song = replace(song, passage=_as_typed(song, settings, passage))
        audio = {name: stem.within(*samples_of(passage, stem)) for name, stem in audio.items()}
    return SongInputs(
        song,
        MappingProxyType(audio),
        settings,
        warnings,
        MappingProxyType(digests),
        memory,
        passage,
    )


def _as_typed(song: Song, settings: Settings, passage: tuple[float, float]) -> tuple[str, str]:
    """The part that is worked on, as somebody typed it; seconds where nobody did."""
    if settings.start is None and settings.end is None and song.passage is not None:
        return song.passage
    first_s, last_s = passage
    return settings.start or f"{first_s:g}s", settings.end or f"{last_s:g}s"


def other_files(song: Song, settings: Settings) -> tuple[Path, ...]:
    """What a song is read from besides its song file and its stems."""
    known = {song.path, *(stem.path for stem in song.stems.values())}
    track = settings.track_file
    others = [path for path in song.inputs if path not in known]
    return tuple(dict.fromkeys([*others, *([track] if track is not None else [])]))


def memory_for(settings: Settings) -> Memory:
    """The memory of this process, or one that nobody shares where nothing is to be kept."""
    return shared_memory() if settings.use_cache else Memory()


# --- contents of files -----------------------------------------------------------------------

Look = tuple[int, int, int, int]
"""Size, time of change (ns), time of the last change of any kind (ns) and number of a file."""
_digests: dict[Path, tuple[Look, str]] = {}
_told: dict[Path, tuple[Look, str]] = {}
_seen: dict[tuple[Path, Look], str] = {}
_MOST_SEEN = 10_000
_NOTHING = (0, 0, 0, 0)


def look_at(path: Path) -> Look:
    """What tells a file from its next state; zeros for one that is not there."""
    try:
        status = path.stat()
    except (OSError, ValueError):
        return _NOTHING
    if not stat.S_ISREG(status.st_mode):
        return _NOTHING
    return status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino


def is_as_opened(audio: AudioFile) -> bool:
    """Whether the file of a stem holds what it held when it was opened. A copy may have the size
    and time of change of then, and some disks tell whole seconds; where the system notes any other
    change, as a label or a link is one too, the digest tells."""
    now, then = look_at(audio.path), (*audio.stamp, *audio.trace)
    if now == then:
        return True
    known = _seen.get((audio.path, then))
    return now[:2] == audio.stamp and known is not None and digest_of(audio.path) == known


def digest_of(path: Path) -> str:
    """SHA-256 of a file, "" for one that cannot be read; a large file is hashed again only when
    it looks changed."""
    seen = look_at(path)
    if seen == _NOTHING:
        return ""
    known, digest = _digests.get(path, (_NOTHING, ""))
    if known == seen:
        return digest
    looked, digest = _told.get(path, (_NOTHING, ""))
    if looked != seen:
        try:
            digest = sha256_file(path)
        except (OSError, InputError):
            return ""
    if seen == look_at(path):
        _remember(path, seen, digest)
    return digest


def _remember(path: Path, seen: Look, digest: str) -> None:
    if seen[0] > _SMALL_BYTES:
        _digests[path] = seen, digest
    if len(_seen) >= _MOST_SEEN:
        _seen.clear()
    _seen[path, seen] = digest


def digests_beside(song: Song, settings: Settings) -> dict[Path, str]:
    """`digest_of` the files besides song file and stems; "" for one too long to be read."""
    return {path: _digest_beside(path) for path in other_files(song, settings)}


def _digest_beside(path: Path) -> str:
    is_sound = path.suffix.lower() in AUDIO_SUFFIXES
    return digest_of(path) if is_sound or look_at(path)[0] <= MAX_F0_BYTES else ""


def seen_of(path: Path) -> str:
    """What tells a song file from its next state: its content, or of what is longer than any, as a
    recording is, how it looks."""
    look = look_at(path)
    return digest_of(path) if look[0] <= MAX_BYTES else str(look)


def know_digest(path: Path, *, look: Look, digest: str) -> None:
    """Take a digest made by another process, for the file as it was there."""
    _told[path] = look, digest


def one_of(**given: object) -> None:
    """Refuse none and several of what excludes one another."""
    names = [name for name, value in given.items() if value is not None]
    if len(names) != 1:
        said = " and ".join(names) if names else "none"
        raise UsageError(f"give exactly one of {', '.join(given)}; given: {said}")
