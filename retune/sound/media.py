"""Sound out of phones' and films' files (MP4, MOV, WebM, AAC, WMA), decoded by PyAV.

The extra `media` brings it. The first sound track is taken, from its first sample to its last as
the codec defines them (what an encoder puts before and after is left out); more than two channels
are mixed to two.
"""

from __future__ import annotations

import itertools
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from retune.carriers.errors import AudioError
from retune.carriers.heard import AudioLike, Samples
from retune.carriers.install import how_to_add

MEDIA_SUFFIXES = (".m4a", ".mp4", ".m4v", ".mov", ".aac", ".webm", ".mka", ".mkv", ".wma", ".wmv")
_MARKS = (
    (4, b"ftyp", "MP4"),
    (4, b"moov", "MP4"),
    (0, b"\x1a\x45\xdf\xa3", "WEBM"),
    (0, b"\x30\x26\xb2\x75\x8e\x66\xcf\x11", "WMA"),
)
# Told to FFmpeg, which would else go by what a file says deeper in, a playlist of other files or
# of addresses too.
_DEMUXERS = {"MP4": "mp4", "WEBM": "matroska", "WMA": "asf", "AAC": "aac"}
_ONLY_FILES = {"protocol_whitelist": "file"}
_LOSSLESS = (
    *("PCM", "FLOAT", "DOUBLE", "ALAW", "ULAW"),
    *("ALAC", "FLAC", "WAVPACK", "TTA", "WMALOSSLESS"),
)
_HOLD_OTHERS = (
    *(b"moov", b"trak", b"mdia", b"minf", b"stbl", b"mvex", b"moof", b"traf", b"edts", b"dinf"),
    *(b"udta", b"tref", b"wave", b"sinf", b"schi", b"meta"),
)
_COUNTED_AT = {b"stsz": 8, b"stz2": 8, b"trun": 4, b"elst": 4}  # behind the head of the box
_MOST_BOXES = 2_000_000


@dataclass(frozen=True)
class Track:
    """The first sound track of a file: `codec` as FFmpeg calls it ("aac"), seconds promised
    (None where the file does not say), channels in the file and, at most two, as decoded."""

    rate_hz: int
    n_channels: int
    channels_there: int
    codec: str
    promised_s: float | None


def media_kind(path: Path) -> str | None:
    """ "MP4", "WEBM", "WMA" or "AAC" by content; None for anything else."""
    with open(path, "rb") as stream:
        head = stream.read(16)
    for offset, mark, name in _MARKS:
        if head[offset : offset + len(mark)] == mark:
            return name
    is_adts = len(head) > 2 and head[0] == 0xFF and head[1] & 0xF6 == 0xF0
    return "AAC" if is_adts else None


def _promises_too_much(path: Path) -> bool:
    """Whether an MP4 file counts more samples (pieces of coded sound) than it has bytes, by itself
    or by the edits, each of which may play all of them once more: FFmpeg makes room for all that
    are counted, though a few hundred bytes may count any number.

    Boxes after ISO/IEC 14496-12, sections 4.2, 8.6.6, 8.7.3 and 8.8.8 (from memory).
    """
    with open(path, "rb") as stream:
        end = os.fstat(stream.fileno()).st_size
        count = edits = 0
        for number, (name, more) in enumerate(_counts(stream, end)):
            count += more
            edits += more if name == b"elst" else 0
            if count > end or number > _MOST_BOXES:
                return True
    return edits * (count - edits) > end


def _counts(stream: BinaryIO, end: int) -> Iterator[tuple[bytes, int]]:
    """For each box, those inside others too: its name, and how many samples (edits) it counts."""
    spans = [(0, end)]
    while spans:
        at, stop = spans.pop()
        stream.seek(at)
        head = stream.read(28)
        size, name, behind = int.from_bytes(head[:4], "big"), head[4:8], 8
        if size == 1:
            size, behind = int.from_bytes(head[8:16], "big"), 16
        box_stop = min(at + size, stop) if size else stop
        if box_stop < at + 8:
            continue
        spans.append((box_stop, stop))
        if name in _HOLD_OTHERS:
            spans.append((at + behind, box_stop))
        counted = behind + _COUNTED_AT[name] if name in _COUNTED_AT else len(head)
        yield name, int.from_bytes(head[counted : counted + 4], "big")


@contextmanager
def _container(path: Path) -> Iterator[Any]:
    try:
        import av
    except ImportError as error:
        raise AudioError(
            f"{path} needs PyAV, which is not installed: {how_to_add('media')}; "
            "or convert it to WAV or FLAC"
        ) from error
    av.logging.set_level(None)
    try:
        form = _DEMUXERS[media_kind(path) or "AAC"]
        if form == "mp4" and _promises_too_much(path):
            raise ValueError("it counts more than it holds")
        with av.open(str(path), format=form, options=_ONLY_FILES) as container:
            yield container
    except (av.error.FFmpegError, ValueError) as error:
        raise AudioError(f"{path} is damaged or cut off; export or copy it again") from error


def read_track(path: Path) -> Track:
    """What the first sound track is.

    Raises
    ------
    AudioError
        PyAV is missing, the file is damaged, or there is no sound in it.
    """
    with _container(path) as container:
        if not container.streams.audio:
            raise AudioError(f"{path} has no sound track; give a file with sound")
        stream = container.streams.audio[0]
        if stream.codec_context is None:  # FFmpeg has no decoder for it
            raise AudioError(
                f"{path} is coded in a way that is not read; convert it to WAV or FLAC"
            )
        there = int(stream.codec_context.channels)
        # A bare stream guesses its length from its rate of bits; WMA counts what goes before.
        is_stated = stream.duration and container.format.name not in ("aac", "asf")
        promised = float(stream.duration * stream.time_base) if is_stated else None
        codec = str(stream.codec_context.name)
        return Track(int(stream.rate), min(there, 2), there, codec, promised)


def decoded_blocks(path: Path) -> Iterator[Samples]:
    """The first sound track from start to end, float32 (n, n_channels), full scale 1."""
    import av

    track = read_track(path)
    layout = "mono" if track.n_channels == 1 else "stereo"
    with _container(path) as container:
        to_float = av.AudioResampler(format="fltp", layout=layout, rate=track.rate_hz)
        frames = itertools.chain(container.decode(container.streams.audio[0]), (None,))
        for part in itertools.chain.from_iterable(map(to_float.resample, frames)):
            block = np.ascontiguousarray(part.to_ndarray().T, dtype=np.float32)
            if block.shape[1] != track.n_channels:
                raise AudioError(f"{path} changes its number of channels midway; export it again")
            yield block


def lossy_words(audio: AudioLike, name: str) -> list[str]:
    """A line that a file was decoded from a lossy codec; [] for all others."""
    codec = str(getattr(audio, "subtype", "PCM")).split("_LAYER")[0]
    if codec.startswith(_LOSSLESS) or "ADPCM" in codec:
        return []
    shown = {"MPEG": "MP3"}.get(codec, codec)
    return [f"{name} is lossy ({shown}): it is worked on as decoded; take the original if you can"]
