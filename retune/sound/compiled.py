"""Where compiled code is kept between runs.

numba keeps it beside the source; an installed package may lie where nobody may write. `prepare`
then points numba at the user's cache folder, or at a temporary one when even that is closed.
Call it before the first `import numba`.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, TypeVar, cast

Function = TypeVar("Function", bound=Callable[..., Any])


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
    """Make sure that numba can keep compiled code.

    Returns
    -------
    Path or None
        The folder that numba was pointed at; None when it needed no help.
    """
    beside = Path(__file__).parent / "__pycache__"
    if os.environ.get("NUMBA_CACHE_DIR") or is_writable(beside):
        return None
    from platformdirs import user_cache_path

    folder = user_cache_path("retune") / "compiled"
    if not is_writable(folder):
        folder = Path(tempfile.mkdtemp(prefix="retune-"))
    os.environ["NUMBA_CACHE_DIR"] = str(folder)
    if "numba" in sys.modules:
        import numba

        numba.config.CACHE_DIR = str(folder)
    return folder


def compiled(function: Function) -> Function:
    """Decorator: compile with numba on the first call, kept on disk, free of the interpreter
    lock while it runs."""
    prepare()
    from numba import njit

    return cast(Function, njit(cache=True, nogil=True)(function))
