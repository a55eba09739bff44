"""`retune doctor`: what is installed, what is missing and what for, and how fast this machine is.

Made to be pasted into a bug report, so it names no user, host, folder or song.
"""

from __future__ import annotations

import argparse
import importlib
import os
import platform
import shutil
import sys
from dataclasses import asdict
from importlib import metadata
from typing import Any

from retune import __version__
from retune.faces import show
from retune.pipeline.speed import speeds

NEEDED = (
    "numpy", "scipy", "numba", "librosa", "soundfile", "soxr", "pyrubberband",
    "python-stretch", "lark", "jinja2", "markupsafe", "tomlkit",
    "rich", "platformdirs", "joblib", "loky",
)  # fmt: skip
EXTRAS: dict[str, tuple[tuple[str, ...], str]] = {
    "web": (("starlette", "uvicorn"), "the workbench (retune serve)"),
    "exports": (("typst", "mido", "jams"), "scores, slides, handouts"),
    "slides": (("python-pptx",), "slides that can be edited"),
    "video": (("av", "typst"), "films"),
    "media": (("av",), "sound of phones and films: .m4a, .mp4, .mov, .webm"),
    "separate": (("demucs",), "another separation of a voice from its band"),
    "corpus": (("pyarrow",), "tables of many songs as Parquet"),
    "dask": (("dask", "distributed"), "batches on a cluster"),
    "neural": (("swift-f0",), "another pitch tracker"),
    "world": (("pyworld",), "another engine"),
}


def doctor(arguments: argparse.Namespace) -> int:
    """Show versions, optional parts, cache and speed; 1 when a library that is needed is broken."""
    found = examined(with_speed=not arguments.no_speed)
    if arguments.json:
        show.as_json(found)
    else:
        sys.stdout.write(_as_text(found))
    return 1 if found["broken"] else 0


def examined(*, with_speed: bool = True) -> dict[str, Any]:
    """What `retune doctor` tells, as plain values."""
    broken = {name: fault for name in _needed_here() if (fault := _fault_of(name))}
    return {
        "retune": __version__,
        "python": platform.python_version(),
        "system": f"{platform.system()} {platform.machine()}",
        "cores": os.cpu_count(),
        "libraries": {name: _version(name) for name in NEEDED},
        "broken": broken,
        "extras": {name: _extra(parts) for name, (parts, _) in EXTRAS.items()},
        "programs": {name: bool(shutil.which(name)) for name in ("rubberband",)},
        "browser": _browser(),
        "cache": _cache(),
        "console": sys.stdout.encoding or "unknown",
        "speed": [asdict(speed) for speed in speeds()] if with_speed and not broken else [],
    }


def _version(name: str) -> str | None:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return None


def _needed_here() -> tuple[str, ...]:
    """What must be there on this machine: python-stretch has no wheel for Linux on ARM."""
    if (platform.system(), platform.machine()) != ("Linux", "aarch64"):
        return NEEDED
    return tuple(name for name in NEEDED if name != "python-stretch")


_MODULES = {"python-stretch": "python_stretch"}


def _fault_of(name: str) -> str:
    """Why a library that is needed cannot be used, "" when it can."""
    try:
        importlib.import_module(_MODULES.get(name, name))
    except Exception as error:  # whatever a broken installation raises
        return f"{type(error).__name__}: {error}"
    return ""


def _extra(parts: tuple[str, ...]) -> dict[str, str | None]:
    return {name: _version(name) for name in parts}


def _browser() -> bool:
    import webbrowser

    try:
        webbrowser.get()
    except webbrowser.Error:
        return False
    return True


def _cache() -> dict[str, Any]:
    from retune.sound.cache import Cache

    cache = Cache()
    sizes = [path.stat().st_size for path in cache.folder.glob("*.npz")]
    return {
        "writable": not cache.warning,
        "entries": len(sizes),
        "megabytes": round(sum(sizes) / 1e6, 1),
    }


def _as_text(found: dict[str, Any]) -> str:
    lines = [
        f"retune {found['retune']}, Python {found['python']}, {found['system']}, "
        f"{found['cores']} cores",
        "libraries: " + ", ".join(f"{k} {v or 'MISSING'}" for k, v in found["libraries"].items()),
    ]
    lines += [f"BROKEN {name}: {fault}" for name, fault in found["broken"].items()]
    for name, parts in found["extras"].items():
        missing = [part for part, version in parts.items() if version is None]
        state = ", ".join(f"{part} {version}" for part, version in parts.items() if version)
        hint = f"missing: pip install 'retune[{name}]' for {EXTRAS[name][1]}"
        lines.append(f"{name}: {hint if missing else state}")
    rubberband = "found" if found["programs"]["rubberband"] else "not found (optional)"
    lines.append(f"program rubberband: {rubberband}")
    lines.append(f"browser: {'found' if found['browser'] else 'none: retune serve --no-browser'}")
    cache = found["cache"]
    kept = f"{cache['entries']} entries, {cache['megabytes']} MB"
    lines.append(
        f"kept between runs: {kept if cache['writable'] else 'nothing, it is not writable'}"
    )
    for speed in found["speed"]:
        lines.append(f"{speed['task']}: {speed['times_real_time']:g} times real time on one core")
    lines.append("Paste this into a bug report; it names nobody and no place.")
    return "\n".join(lines) + "\n"
