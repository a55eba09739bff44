"""Small files that people write (song files, tables, charts): read with care, refused in words."""

from __future__ import annotations

from pathlib import Path

from retune.carriers.errors import InputError
from retune.song.limits import MAX_BYTES
from retune.sound.files import open_regular


def read_bytes(
    path: str | Path,
    *,
    what: str,
    error: type[InputError] = InputError,
    max_bytes: int = MAX_BYTES,
) -> bytes:
    """The bytes of a small file; `what` it should be ("a song file") stands in messages.

    Raises
    ------
    InputError
        Or the subclass `error`: not there, a folder, not a regular file, too large, not readable.
    """
    path = Path(path)
    try:
        if path.is_dir():
            raise error(f"{path} is a folder; give {what}")
        if path.exists() and not path.is_file():
            raise error(f"{path} is not a regular file; give {what}")
        with open_regular(path) as (stream, size_bytes):
            data = stream.read(min(size_bytes, max_bytes + 1))
    except FileNotFoundError as problem:
        raise error(f"{path} does not exist; check the name and the folder") from problem
    except (OSError, ValueError, RuntimeError) as problem:
        reason = getattr(problem, "strerror", None) or str(problem)
        raise error(f"{path} cannot be read ({reason}); check path and permissions") from problem
    if len(data) > max_bytes:
        raise error(f"{path} is larger than {max_bytes // 1_000_000} MB; give {what}")
    return data


def read_text(
    path: str | Path,
    *,
    what: str,
    error: type[InputError] = InputError,
    max_bytes: int = MAX_BYTES,
) -> str:
    """The text of a small UTF-8 file, byte order mark dropped, line ends as they are.

    Raises
    ------
    InputError
        Or the subclass `error`: as `read_bytes`, and for NUL or other bytes that are no UTF-8
        (with the line).
    """
    data = read_bytes(path, what=what, error=error, max_bytes=max_bytes)
    if b"\0" in data:
        line = data.count(b"\n", 0, data.index(b"\0")) + 1
        raise error(f"{path}, line {line}: a NUL byte; this is not a text file; give {what}")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        line = data.count(b"\n", 0, problem.start) + 1
        raise error(f"{path}, line {line}: not UTF-8; save the file as UTF-8") from problem
