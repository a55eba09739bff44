"""How an optional part is added to the very Python that runs retune."""

from __future__ import annotations

import shutil
import sys
from importlib.util import find_spec
from pathlib import Path


def how_to_add(extra: str) -> str:
    """The command that adds an extra, such as `pip install 'retune[web]'`.

    A `pip` that belongs to another Python would fetch whatever the public index has under our
    name, so it is called through this Python where it is not its own (an environment that is not
    activated, pipx, uvx).
    """
    wanted = f"pip install 'retune[{extra}]'"
    found = shutil.which("pip")
    if found and Path(found).parent == Path(sys.executable).parent:
        return wanted
    if Path(sys.prefix, "pipx_metadata.json").is_file():
        return f"pipx runpip retune install 'retune[{extra}]'"
    python = f'"{sys.executable}"' if " " in sys.executable else sys.executable
    return f"{python} -m {wanted}" if find_spec("pip") else f"uv {wanted} --python {python}"
