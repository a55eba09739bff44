"""Sound files written: streamed, exact, whole or not at all, never over an input."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from retune.carriers.errors import OutputError, UsageError
from retune.carriers.heard import AudioLike, Samples
from retune.sound.files import atomic_write, open_regular, refuse_inputs
from retune.sound.wavmeta import BITS, INFO_TAGS, WavHeader

WRITE_SUBTYPES = tuple(BITS)
_INTEGERS = {"PCM_S8": "PCM_16", "PCM_U8": "PCM_16", "PCM_16": "PCM_16", "PCM_24": "PCM_24"}


def default_subtype(audio: AudioLike) -> str:
    """The subtype that holds `audio` exactly: integers keep their depth, "PCM_16" (for 8 and 16
    bits) or "PCM_24"; "FLOAT" for the rest."""
    return _INTEGERS.get(getattr(audio, "subtype", ""), "FLOAT")


def quantize(samples: Samples, *, subtype: str) -> Any:
    """The bytes of `samples` as `subtype`, uint8 (n, n_channels, bytes), and how many samples
    were over full scale and had to be clipped.

    n = round(x * 2**(bits - 1)) in float64, ties to even: the inverse of reading.
    """
    bits = BITS[subtype]
    if subtype == "FLOAT":
        words = np.ascontiguousarray(samples, dtype="<f4")
        return words.view(np.uint8).reshape(*samples.shape, 4), 0
    scale = 2.0 ** (bits - 1)
    wanted = np.rint(samples.astype(np.float64) * scale)
    clipped = np.clip(wanted, -scale, scale - 1)
    # +1.0 itself misses the top code by one step only; that is no audible loss
    n_over = int(np.count_nonzero((wanted < -scale) | (wanted > scale)))
    words = np.ascontiguousarray(clipped.astype("<i4"))
    return words.view(np.uint8).reshape(*samples.shape, 4)[..., : bits // 8], n_over


def write_wav(
    path: str | Path,
    blocks: Iterable[Samples],
    *,
    rate_hz: int,
    n_channels: int,
    subtype: str,
    description: str = "",
    info: Mapping[str, str] | None = None,
    time_reference: int = 0,
    protect: Iterable[str | Path] = (),
    look_again: Callable[[], object] = lambda: None,
) -> int:
    """Write a Broadcast Wave file from `blocks` of float32 (n, n_channels).

    Over 4 GB it becomes an RF64 file. `subtype` is one of `WRITE_SUBTYPES`; `description`
    (bext, 256 bytes) and `info` (INFO tags "INAM", "IART", "ICOP", "ICMT", "ISFT") are UTF-8;
    `time_reference` is the first sample's place since midnight. No path of `protect` is ever
    written over, by whatever name; `look_again` is called once all is written, right before the
    file takes the place of what stands there by then, and may refuse that. The name of the program,
    "ISFT", is followed by a checksum of the whole file, by which `is_as_written` knows it again.
    Returns how many samples were over full scale and clipped (always 0 for "FLOAT").

    Raises OutputError when the file cannot be written or a block holds NaN or infinity,
    UsageError for a wrong subtype or tag, or a path to protect.
    """
    if subtype not in BITS:
        raise UsageError(f"subtype {subtype!r} is not written; use {', '.join(WRITE_SUBTYPES)}")
    unknown = sorted(set(info or {}) - set(INFO_TAGS))
    if unknown:
        raise UsageError(f"INFO tag {unknown[0]!r} is not written; use {', '.join(INFO_TAGS)}")
    refuse_inputs(path, protect)
    header = WavHeader(rate_hz, n_channels, subtype, description, info or {}, time_reference)
    n_samples = n_over = 0
    written = hashlib.sha256()
    with atomic_write(path, at_last=lambda _: look_again()) as stream:
        stream.write(_sealed(header, _UNSEALED).pack(0))
        for block in blocks:
            samples = _checked_block(block, n_channels=n_channels, path=path)
            data, over = quantize(samples, subtype=subtype)
            words = data.tobytes()
            written.update(words)
            stream.write(words)
            n_samples, n_over = n_samples + len(samples), n_over + over
        pad = bytes(n_samples * header.frame_bytes % 2)
        written.update(pad)
        stream.write(pad)
        seal = _seal(_sealed(header, _UNSEALED).pack(n_samples), written.digest())
        stream.seek(0)
        stream.write(_sealed(header, seal).pack(n_samples))
    return n_over


# --- known again ---------------------------------------------------------------------------------

_UNSEALED = "0" * 16
_LONGEST_HEAD = 65_536
# The last tag of our head, right before the samples: program, version, checksum.
_SEAL = re.compile(rb"ISFT.{4}retune \d[^\0 ]* ([0-9a-f]{16})\0\0?data.{4}", re.DOTALL)


def is_as_written(path: str | Path) -> bool:
    """Whether `write_wav` wrote a file for this program and nothing of it was changed since, by
    the checksum in it: what others made or edited is never taken for ours."""
    try:
        status = os.stat(path)
    except OSError:
        return False
    stamp = (status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns)
    return _is_sealed(os.path.abspath(path), stamp)


@lru_cache(maxsize=1024)
def _is_sealed(path: str, stamp: tuple[int, ...]) -> bool:
    """As `is_as_written`; `stamp` makes a changed file another entry."""
    try:
        with open_regular(path) as (stream, _):
            head = stream.read(_LONGEST_HEAD)
            found = _SEAL.search(head)
            if found is None:
                return False
            samples = hashlib.sha256(head[found.end() :])
            while block := stream.read(1 << 20):
                samples.update(block)
    except OSError:
        return False
    first, last = found.span(1)
    unsealed = head[:first] + _UNSEALED.encode() + head[last : found.end()]
    return _seal(unsealed, samples.digest()).encode() == found[1]


def _sealed(header: WavHeader, seal: str) -> WavHeader:
    program = header.info.get("ISFT")
    return replace(header, info={**header.info, "ISFT": f"{program} {seal}"}) if program else header


def _seal(head: bytes, samples: bytes) -> str:
    return hashlib.sha256(head + samples).hexdigest()[: len(_UNSEALED)]


# --- what is written -----------------------------------------------------------------------------


def _checked_block(block: Samples, *, n_channels: int, path: str | Path) -> Samples:
    samples = np.asarray(block, dtype=np.float32)
    if samples.ndim == 1:
        samples = samples[:, None]
    if samples.ndim != 2 or samples.shape[1] != n_channels:
        raise ValueError(f"a block of shape {samples.shape} where (n, {n_channels}) is needed")
    if not np.isfinite(samples).all():
        raise OutputError(f"cannot write {path}: the result holds NaN or infinity")
    return samples
