"""Compiled code kept between runs: where it lies, and how several processes share it safely.

numba keeps it beside the source; an installed package may lie where nobody may write. `prepare`
then points numba at the user's cache folder, or at one of the user's own for temporary files.

numba numbers the files of one function's code. Two processes that compile two signatures of it at
once may both take the first number, and each finds the other's machine code ever after: the
process dies. Here a file is named by what it holds the code of, and tells by a checksum whether
it is whole, for every library that is imported after `prepare` (librosa's functions are compiled
so, too). What is damaged is compiled again.

The loop that numba puts round a function of arrays (`guvectorize`) is kept in a file of its own
and calls the function by a name with a number in it, which differs between processes. Kept by one
process and read by another, it may look for a name that is not there: the process dies, and so
does every later one. Here that name is part of what such a loop is found by.

Call `prepare` before the first `import numba` or `import librosa`.
"""

from __future__ import annotations

import atexit
import hashlib
import os
import pickle
import shutil
import stat
import sys
import tempfile
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any, TypeVar, cast

Function = TypeVar("Function", bound=Callable[..., Any])
_DIGEST_BYTES = 32


def is_writable(folder: Path) -> bool:
    """True when a file can be made in `folder`, which is created if need be."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False


@cache
def prepare() -> Path | None:
    """Make sure that numba can keep compiled code, and shares it safely.

    Returns
    -------
    Path or None
        The folder that numba was pointed at; None when it needed no help.
    """
    if not _share_safely():
        return _point_at(_own_for_this_process())
    beside = Path(__file__).parent / "__pycache__"
    if os.environ.get("NUMBA_CACHE_DIR") or is_writable(beside):
        return None
    folder = user_folder() / "compiled"
    return _point_at(folder if is_writable(folder) else _own_for_this_user())


def _point_at(folder: Path) -> Path:
    os.environ["NUMBA_CACHE_DIR"] = str(folder)
    if "numba" in sys.modules:
        import numba

        numba.config.CACHE_DIR = str(folder)
    return folder


def user_folder() -> Path:
    """Where things are kept for this user between runs; of a user without a home, as in a
    container, a folder for temporary files."""
    from platformdirs import user_cache_path

    try:
        return user_cache_path("retune", appauthor=False)
    except RuntimeError:  # no home and no name
        return _own_for_this_user()


def _own_for_this_user() -> Path:
    """One folder for temporary files a user, so that code is not compiled on every run; never one
    that somebody else made or may write to, since what lies there is run."""
    if not hasattr(os, "getuid"):
        return _own_for_this_process()
    folder = Path(tempfile.gettempdir()) / f"retune-compiled-{os.getuid()}"
    with suppress(OSError):
        folder.mkdir(mode=0o700)
    try:
        status = os.lstat(folder)
    except OSError:
        return _own_for_this_process()
    is_own = stat.S_ISDIR(status.st_mode) and status.st_uid == os.getuid()
    is_closed = not status.st_mode & 0o022
    return folder if is_own and is_closed else _own_for_this_process()


def _own_for_this_process() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="retune-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


@cache
def _share_safely() -> bool:
    """Put our way of keeping files in place of numba's; False where this numba has another."""
    from numba.core import caching
    from numba.np.ufunc import wrappers

    # numba has no types.
    plain: Any = getattr(caching, "IndexDataCacheFile", None)
    loop: Any = getattr(wrappers, "_GufuncWrapper", None)
    wanted = ("save", "load", "_load_index", "_save_index", "_save_data", "_load_data", "_dump")
    if plain is None or not all(hasattr(plain, name) for name in wanted):
        return False
    if not hasattr(loop, "_compile_wrapper") or not hasattr(caching.Cache, "_index_key"):
        return False
    caching.IndexDataCacheFile = _safe_file(plain)
    loop._compile_wrapper = _found_by_name(loop._compile_wrapper)
    return True


def _found_by_name(compile_loop: Any) -> Any:
    """numba's maker of a loop round a function, kept under the name that the loop will call."""

    def compile_named(self: Any, name: str) -> Any:
        key_of = getattr(self.cache, "_index_key", None)
        if key_of is not None:
            self.cache._index_key = lambda signature, codegen: (*key_of(signature, codegen), name)
        return compile_loop(self, name)

    return compile_named


def _safe_file(plain: Any) -> Any:
    """numba's keeper of one function's code, its files named by their content's key."""

    class SafeFile(plain):  # type: ignore[misc]
        """Never two signatures in one file, and no file that is not whole."""

        def __init__(self, cache_path: str, filename_base: str, source_stamp: Any) -> None:
            # Names of our own: a numba that knows nothing of this may use the same folder.
            super().__init__(cache_path, f"{filename_base}.retune", source_stamp)
            self.base = filename_base

        def name_of(self, key: Any) -> str:
            made_from = pickle.dumps((self._version, self._source_stamp, repr(key)))
            return f"{self.base}.retune-{hashlib.sha256(made_from).hexdigest()[:24]}.nbc"

        def save(self, key: Any, data: Any) -> None:
            name = self.name_of(key)
            with suppress(OSError):  # a full disk: it is compiled again next time
                self._save_data(name, data)
                # Of two who write the index at once, one's entry is lost and compiled again.
                self._save_index({**self._load_index(), key: name})

        def load(self, key: Any) -> Any:
            name = self._load_index().get(key)
            if name != self.name_of(key):
                return None
            try:
                return self._load_data(name)
            except Exception:  # whatever is wrong with it, it can be compiled again
                return None

        def _load_index(self) -> dict[Any, str]:
            try:
                found: dict[Any, str] = super()._load_index()
            except Exception:  # as above
                return {}
            return found

        def _save_data(self, name: str, data: Any) -> None:
            content: bytes = self._dump(data)
            with self._open_for_write(self._data_path(name)) as stream:
                stream.write(hashlib.sha256(content).digest() + content)

        def _load_data(self, name: str) -> Any:
            with open(self._data_path(name), "rb") as stream:
                digest, content = stream.read(_DIGEST_BYTES), stream.read()
            if hashlib.sha256(content).digest() != digest:
                raise ValueError(f"{name} is damaged")
            return pickle.loads(content)

    return SafeFile


def compiled(function: Function) -> Function:
    """Decorator: compile with numba on the first call, kept on disk, free of the interpreter
    lock while it runs.

    What it costs a new machine is mostly the number of things said, not how long they run: loops
    over single numbers compile several times faster than slices, array methods and numpy's
    functions. What numpy does as fast by itself is better not compiled at all."""
    prepare()
    from numba import njit

    options = {"error_model": "numpy", "no_cfunc_wrapper": True, "nogil": True}
    try:
        return cast(Function, njit(cache=True, **options)(function))
    except RuntimeError:  # no folder to keep it in after all, as on a disk that is full by now
        return cast(Function, njit(**options)(function))


def inlined(function: Function) -> Function:
    """Decorator for a part of compiled functions in the same file: compiled along with them, and
    kept in theirs. Called by Python it would be compiled anew in every process."""
    prepare()
    from numba import njit

    return cast(Function, njit(nogil=True, error_model="numpy", no_cfunc_wrapper=True)(function))
