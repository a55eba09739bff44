"""Pitch tracks, made once and recalled: what they were made from is their name."""

from __future__ import annotations

import functools
import hashlib
import importlib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from retune import __version__
from retune.carriers.heard import PitchTrack
from retune.sound.cache import Cache

Tracked = tuple[PitchTrack | None, tuple[str, ...]]
"""A track (None for a stem without one pitch) and what to warn of."""


def remembered(
    key: Mapping[str, Any], make: Callable[[], Tracked], *, use_cache: bool = True
) -> Tracked:
    """What `make` gives, or what it gave before for an equal `key`, by the same code."""
    if not use_cache:
        return make()
    cache = Cache()
    whole = {**key, "version": __version__, "code": code_of("retune.track")}
    found = cache.get(whole)
    if found is not None:
        return _recalled(found)
    track, lines = make()
    cache.put(whole, _stored(track, lines))
    return track, lines


@functools.cache
def code_of(*rooms: str) -> str:
    """A digest of the source of whole rooms and of what they were taught, so that what a changed
    one made is made anew."""
    digest = hashlib.sha256()
    for room in rooms:
        home = Path(str(importlib.import_module(room).__file__)).parent
        for path in sorted((*home.glob("*.py"), *home.glob("*.npz"))):
            digest.update(path.read_bytes())
    return digest.hexdigest()


def _stored(track: PitchTrack | None, lines: tuple[str, ...]) -> dict[str, Any]:
    arrays: dict[str, Any] = {"warnings": np.array(lines, dtype=np.str_)}
    if track is not None:
        for name in ("time_s", "f0_hz", "voiced_prob", "energy_db"):
            arrays[name] = getattr(track, name)
        arrays["tracker"] = np.array([track.tracker], dtype=np.str_)
    return arrays


def _recalled(arrays: Mapping[str, Any]) -> Tracked:
    lines = tuple(str(line) for line in arrays["warnings"])
    if "f0_hz" not in arrays:
        return None, lines
    fields = {name: arrays[name] for name in ("time_s", "f0_hz", "voiced_prob", "energy_db")}
    return PitchTrack(**fields, tracker=str(arrays["tracker"][0])), lines
