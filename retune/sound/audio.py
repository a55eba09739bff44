"""Sound files: opened lazily, read exactly, checked in blocks, written whole or not at all.

Integer samples are read as n / 2**(bits - 1) and written by the same scale, so that integer
input up to 24 bits comes back bit for bit through float32.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from retune.carriers.errors import AudioError, OutputError, StaleError
from retune.carriers.heard import AudioLike, Samples
from retune.sound import audiohead, audiojoins, media
from retune.sound.audiobeyond import is_longer_than_stated
from retune.sound.audiowrite import WRITE_SUBTYPES, default_subtype, write_wav
from retune.sound.files import sha256_file
from retune.sound.scratch import stored

__all__ = [
    "AUDIO_SUFFIXES",
    "BLOCK_SAMPLES",
    "AudioFile",
    "WRITE_SUBTYPES",
    "blocks_of",
    "check_stems",
    "default_subtype",
    "open_audio",
    "write_wav",
]

MIN_RATE_HZ, MAX_RATE_HZ = 8_000, 192_000
BLOCK_SAMPLES = 1 << 16
KEPT_BYTES = 1 << 27
"""Of a FLAC file this long when decoded, 6 minutes of stereo, a process decodes it once."""
AUDIO_SUFFIXES = (
    *(".wav", ".flac", ".ogg", ".oga", ".opus", ".mp3", ".aif", ".aiff", ".aifc"),
    *media.MEDIA_SUFFIXES,
)
_READ_SUBTYPES = (
    *("PCM_S8", "PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"),
    *("ALAW", "ULAW", "IMA_ADPCM", "MS_ADPCM"),
    *("VORBIS", "OPUS", "MPEG_LAYER_I", "MPEG_LAYER_II", "MPEG_LAYER_III"),
)
_KINDS = "WAV, FLAC, OGG, MP3 or AIFF"
MEDIA = "MEDIA"
_UNKNOWN_LENGTH = 1 << 62
_MAX_DECODED_S = 6 * 3600  # a small file can be made to decode to any length
_MAX_LOSSY_BYTES = 1_200_000_000  # six hours at 440 kbit/s
_MOST_BESIDE_BYTES = 100_000_000  # pictures and words in a FLAC file; its frames are under 5 bytes


@dataclass(frozen=True)
class AudioFile:
    """A sound file on disk, read on demand (an `AudioLike`).

    `subtype` and `format` are libsndfile's words ("PCM_16", "FLAC"); `stamp` is the size and
    time of change seen at opening, `trace` what no program sets back: the time of the last change
    of any kind, and the file's number on its disk; `whole` says that the file is decoded in one go,
    because its codec does not seek to the sample. Crosses to another process as a path; each read
    opens the file, so threads may share one value. Of a passage, what lies before sample `first` is
    silent and never read, `n_samples` is where it ends, and `length` that of the file.
    """

    path: Path
    rate_hz: int
    n_samples: int
    n_channels: int
    subtype: str
    format: str
    stamp: tuple[int, int]
    whole: bool = False
    first: int = 0
    length: int = 0
    trace: tuple[int, int] = (0, 0)

    def within(self, first: int, stop: int) -> AudioFile:
        """The same sound, of which only samples [first, stop) are heard."""
        stop = min(stop, self.n_samples)
        return replace(self, first=first, n_samples=stop, length=self.length or self.n_samples)

    @property
    def entire(self) -> AudioFile:
        """The same sound, all of it."""
        return replace(self, first=0, n_samples=self.length or self.n_samples, length=0)

    @property
    def duration_s(self) -> float:
        return self.n_samples / self.rate_hz

    def read(self, start: int = 0, stop: int | None = None) -> Samples:
        """Samples [start, stop), clipped to what exists, as float32 (n, n_channels).

        Raises AudioError when the file is damaged there or holds NaN or infinity, StaleError
        when it is not the one that was opened.
        """
        start, stop = max(start, 0), self.n_samples if stop is None else min(stop, self.n_samples)
        if stop <= start:
            return np.zeros((0, self.n_channels), dtype=np.float32)
        if start < self.first:
            silent = np.zeros((min(stop, self.first) - start, self.n_channels), np.float32)
            return np.concatenate([silent, self.read(self.first, max(stop, self.first))])
        if self.stamp != _seen(self.path)[0]:
            raise StaleError(f"{self.path} changed while it was in use; start again")
        samples = self._span(start, stop)
        if not np.isfinite(samples).all():
            at = start + int(np.argmin(np.isfinite(samples).all(axis=1)))
            raise AudioError(
                f"{self.path} holds NaN or infinity at {at / self.rate_hz:.3f} s; export it again"
            )
        return samples

    def _span(self, start: int, stop: int) -> Samples:
        if self.whole:
            return np.array(
                _decoded(self.path, (self.stamp, self.trace), self.format == MEDIA)[start:stop]
            )
        n_bytes = 4 * self.n_channels * self.entire.n_samples
        if self.format == "FLAC" and n_bytes <= KEPT_BYTES:
            kept = _kept(self.path, (self.stamp, self.trace))
            if stop <= len(kept):
                return np.array(kept[start:stop])
        return _read_span(self.path, start, stop, self.rate_hz)

    def sha256(self) -> str:
        """SHA-256 of the file's bytes, 64 hex digits."""
        return sha256_file(self.path)


def open_audio(path: str | Path) -> AudioFile:
    """The sound file at `path`, checked from its header and its last sample.

    Reads WAV, FLAC, OGG (Vorbis, Opus), MP3 and AIFF, 8 to 192 kHz, mono or stereo; with the
    extra `media` the sound of MP4, MOV, WebM, AAC and WMA files.
    Raises AudioError naming the file and what to do: not there, not sound, empty, cut off,
    another rate or number of channels.
    """
    path = Path(os.path.abspath(path))
    kind = _checked_kind(path)
    if kind == MEDIA:
        return _open_media(path)
    if kind in ("OGG", "MP3") and path.stat().st_size > _MAX_LOSSY_BYTES:
        raise AudioError(f"{path} is longer than 6 hours; cut it")
    missing = audiohead.missing_bytes(path, kind)
    if missing:
        raise AudioError(
            f"{path} is cut off: its header promises {missing} more bytes; export or copy it again"
        )
    try:
        with _stream(path) as stream:
            found = (stream.samplerate, stream.frames, stream.channels, stream.subtype)
            rate_hz, n_samples, n_channels, subtype = found
            format_name = str(stream.format)
    except (OSError, RuntimeError) as error:
        raise AudioError(f"{path} is damaged or not {_KINDS}; export it again") from error
    _check_shape(path, rate_hz=rate_hz, n_channels=n_channels, subtype=subtype)
    clock_hz = 48_000 if subtype == "OPUS" else rate_hz
    join_s, mp3_s = audiojoins.looked_through(path, kind, rate_hz=clock_hz)
    if join_s is not None:
        raise AudioError(
            f"{path} holds several recordings one after the other, the second from {join_s:.2f} s; "
            "export them as one, or as a file each"
        )
    if n_samples < _UNKNOWN_LENGTH and n_samples > _MAX_DECODED_S * rate_hz:
        raise AudioError(f"{path} is longer than 6 hours; cut it")
    _check_size(path, n_samples * n_channels)
    seen, whole = _seen(path), kind in ("OGG", "MP3") or n_samples > _UNKNOWN_LENGTH
    if whole:
        decoded = len(_decoded(path, seen))
        if kind == "MP3" and audiohead.has_length_tag(path):
            _check_promise(path, decoded / rate_hz, n_samples / rate_hz)
        n_samples = decoded
    if n_samples == 0:
        raise AudioError(f"{path} holds no samples; export it again")
    if is_longer_than_stated(path, kind, n_samples=n_samples, rate_hz=rate_hz, mp3_s=mp3_s):
        raise AudioError(
            f"{path} holds more sound than the {n_samples / rate_hz:.3f} s that its head states; "
            "export it again"
        )
    if not whole:
        _read_span(path, n_samples - 1, n_samples, rate_hz)
    return AudioFile(
        path, rate_hz, n_samples, n_channels, subtype, format_name, seen[0], whole, trace=seen[1]
    )


def _open_media(path: Path) -> AudioFile:
    track, seen = media.read_track(path), _seen(path)
    codec = track.codec.upper()
    _check_shape(path, rate_hz=track.rate_hz, n_channels=track.n_channels, subtype="FLOAT")
    n_samples = len(_decoded(path, seen, True))
    if track.promised_s:
        _check_promise(path, n_samples / track.rate_hz, track.promised_s)
    if n_samples == 0:
        raise AudioError(f"{path} holds no samples; export it again")
    return AudioFile(
        path,
        track.rate_hz,
        n_samples,
        track.n_channels,
        codec,
        MEDIA,
        seen[0],
        whole=True,
        trace=seen[1],
    )


def _check_size(path: Path, n_values: int) -> None:
    """Refuse a file with far more bytes than its samples can need: a decoder would look through
    them all for more."""
    spare = path.stat().st_size - 9 * n_values
    if spare > _MOST_BESIDE_BYTES:
        raise AudioError(f"{path} holds {spare // 1_000_000} MB that are no sound; export it again")


def _check_promise(path: Path, held_s: float, promised_s: float) -> None:
    if held_s < 0.98 * promised_s:
        raise AudioError(
            f"{path} is cut off: it holds {held_s:.3f} s of the {promised_s:.3f} s it promises; "
            "export or copy it again"
        )


def _checked_kind(path: Path) -> str:
    """The kind of file by content, or an AudioError that says what stands there instead."""
    try:
        if path.is_dir():
            raise AudioError(f"{path} is a folder; give a sound file ({_KINDS})")
        if path.exists() and not path.is_file():
            raise AudioError(f"{path} is not a regular file; give a sound file ({_KINDS})")
        if path.stat().st_size == 0:
            raise AudioError(f"{path} is empty; export it again")
        kind, foreign = audiohead.sniff_kind(path), audiohead.foreign_kind(path)
    except FileNotFoundError as error:
        raise AudioError(f"{path} does not exist; check the name and the folder") from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise AudioError(f"{path} cannot be read ({reason}); check its permissions") from error
    if kind is None and media.media_kind(path) is not None:
        return MEDIA
    if kind is None:
        said = f"is {foreign}, which is not read" if foreign else "is not a sound file"
        raise AudioError(f"{path} {said}; convert it to WAV or FLAC (read are {_KINDS})")
    return kind


def _check_shape(path: Path, *, rate_hz: int, n_channels: int, subtype: str) -> None:
    if not MIN_RATE_HZ <= rate_hz <= MAX_RATE_HZ:
        raise AudioError(
            f"{path} has a rate of {rate_hz} Hz; allowed are {MIN_RATE_HZ} to {MAX_RATE_HZ} Hz: "
            "convert it"
        )
    if n_channels > 2:
        raise AudioError(f"{path} has {n_channels} channels; export it as mono or stereo")
    if subtype not in _READ_SUBTYPES:
        raise AudioError(f"{path} is coded as {subtype}, which is not read; convert it to PCM")


_Seen = tuple[tuple[int, int], tuple[int, int]]
"""`AudioFile.stamp` and `AudioFile.trace`."""


def _seen(path: Path) -> _Seen:
    try:
        status = path.stat()
    except OSError as error:
        raise AudioError(f"{path} has gone or cannot be read; check the folder") from error
    return (status.st_size, status.st_mtime_ns), (status.st_ctime_ns, status.st_ino)


def _stream(path: Path) -> Any:
    """A soundfile stream that decodes straight on.

    soundfile seeks to the place it is at after every read, which is not exact in lossy codecs,
    and stops at a declared length that may be an estimate; on what it takes for a stream that
    cannot seek it does neither.
    """
    import soundfile

    # soundfile has no types, so that its class is Any for the checker.
    class Straight(soundfile.SoundFile):  # type: ignore[misc]
        def seekable(self) -> bool:
            return False

    return Straight(os.fsencode(path))


def _read_span(path: Path, start: int, stop: int, rate_hz: int) -> Samples:
    """Samples [start, stop) of a file whose codec seeks exactly."""
    import soundfile

    try:
        with soundfile.SoundFile(os.fsencode(path)) as stream:
            stream.seek(start)
            samples: Samples = stream.read(stop - start, dtype="float32", always_2d=True)
    except (OSError, RuntimeError) as error:
        raise AudioError(
            f"{path} is damaged or cut off before {stop / rate_hz:.3f} s; export it again"
        ) from error
    if len(samples) != stop - start:
        at_s = (start + len(samples)) / rate_hz
        raise AudioError(f"{path} is cut off at {at_s:.3f} s; export or copy it again")
    return samples


@lru_cache(maxsize=8)
def _kept(path: Path, seen: _Seen) -> Samples:
    """All samples of a file that seeks exactly but decodes slowly; none where it cannot be decoded
    or kept, so that a reader of one span of it learns why, or needs no more than that span."""
    try:
        return _decode(path, is_media=False)
    except (AudioError, OutputError):
        return np.zeros((0, 1), dtype=np.float32)


@lru_cache(maxsize=16)
def _decoded(path: Path, seen: _Seen, is_media: bool = False) -> Samples:
    """All samples of a file; `seen` makes a changed file another entry."""
    return _decode(path, is_media=is_media)


def _decode(path: Path, *, is_media: bool) -> Samples:
    """All samples of a file, decoded into an unnamed temporary file, so that memory stays free for
    a long song."""
    try:
        return stored(_at_most_six_hours(path, is_media=is_media))
    except RuntimeError as error:
        raise AudioError(f"{path} is damaged; export it again") from error
    except OSError as error:
        raise OutputError(
            f"no room to decode {path.name} in {tempfile.gettempdir()}, which takes half of what "
            "is free there at most; free some space, or convert it to WAV"
        ) from error


def _at_most_six_hours(path: Path, *, is_media: bool) -> Iterator[Samples]:
    n_samples = 0
    for rate_hz, block in _media_blocks(path) if is_media else _plain_blocks(path):
        n_samples += len(block)
        if n_samples > _MAX_DECODED_S * rate_hz:
            raise AudioError(f"{path} is longer than 6 hours; cut it or convert it to WAV")
        yield block


def _plain_blocks(path: Path) -> Iterator[tuple[int, Samples]]:
    """Rate and samples, block by block."""
    with _stream(path) as stream:
        while len(block := stream.read(BLOCK_SAMPLES, dtype="float32", always_2d=True)):
            yield stream.samplerate, block


def _media_blocks(path: Path) -> Iterator[tuple[int, Samples]]:
    rate_hz = media.read_track(path).rate_hz
    return ((rate_hz, block) for block in media.decoded_blocks(path))


def blocks_of(audio: AudioLike, *, size: int = BLOCK_SAMPLES) -> Iterator[Samples]:
    """`audio` from start to end in pieces of `size` samples, float32 (n, n_channels)."""
    for start in range(0, audio.n_samples, size):
        yield audio.read(start, start + size)


def check_stems(stems: Mapping[str, AudioLike]) -> list[str]:
    """Warnings on stems that differ in length, by name.

    Raises AudioError naming two stems whose rates differ.
    """
    named = list(stems.items())
    if not named:
        return []
    first_name, first = named[0]
    for name, audio in named[1:]:
        if audio.rate_hz != first.rate_hz:
            raise AudioError(
                f"stem {first_name} has {first.rate_hz} Hz but stem {name} has {audio.rate_hz} "
                "Hz; convert them to one rate"
            )
    shortest = min(named, key=lambda item: item[1].n_samples)
    longest = max(named, key=lambda item: item[1].n_samples)
    if shortest[1].n_samples == longest[1].n_samples:
        return []
    return [
        f"stems differ in length: {shortest[0]} lasts {shortest[1].n_samples / first.rate_hz:.3f}"
        f" s, {longest[0]} {longest[1].n_samples / first.rate_hz:.3f} s; only the mix is padded"
    ]
