"""The one door of this room: a tracker by its name, and what every tracker must keep to.

A tracker is anything with `track(audio, fmin_hz=, fmax_hz=) -> PitchTrack`. What a user types
after `--tracker` is a name in `TRACKERS` or `csv:PATH`, a table of f0 made elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable
from difflib import get_close_matches
from importlib import import_module
from typing import Protocol, runtime_checkable

from retune.carriers.errors import UsageError
from retune.carriers.heard import AudioLike, PitchTrack

LOWEST_HZ = 20.0
HIGHEST_HZ = 4000.0
TABLE_PREFIX = "csv:"


@runtime_checkable
class Tracker(Protocol):
    """Hears one voice at a time."""

    @property
    def name(self) -> str: ...

    def track(self, audio: AudioLike, *, fmin_hz: float, fmax_hz: float) -> PitchTrack:
        """f0 of `audio` between `fmin_hz` and `fmax_hz`, frames evenly spaced from 0 s on."""
        ...


def _maker(module: str, name: str) -> Callable[[], Tracker]:
    def make() -> Tracker:
        tracker: Tracker = getattr(import_module(f"retune.track.{module}"), name)()
        return tracker

    return make


TRACKERS: dict[str, Callable[[], Tracker]] = {
    "pyin": _maker("pyin", "Pyin"),
    "librosa": _maker("librosa_pyin", "LibrosaPyin"),
    "swift-f0": _maker("neural", "SwiftF0Tracker"),
}


def find_tracker(name: str) -> Tracker:
    """The tracker called `name`, or the table of f0 that "csv:PATH" names.

    Raises
    ------
    UsageError
        There is none of that name, or it needs an extra that is not installed.
    """
    if name.startswith(TABLE_PREFIX):
        from retune.track.table import F0Table

        return F0Table(name.removeprefix(TABLE_PREFIX))
    if name not in TRACKERS:
        near = get_close_matches(name, TRACKERS, n=1)
        hint = f'; did you mean "{near[0]}"?' if near else ""
        known = ", ".join((*TRACKERS, "csv:PATH"))
        raise UsageError(f'no tracker is called "{name}": choose one of {known}{hint}')
    return TRACKERS[name]()


def check_range(fmin_hz: float, fmax_hz: float) -> None:
    """Raise UsageError unless LOWEST_HZ <= fmin_hz < fmax_hz <= HIGHEST_HZ."""
    if not LOWEST_HZ <= fmin_hz < fmax_hz <= HIGHEST_HZ:
        raise UsageError(
            f"a tracker cannot search from {fmin_hz:g} to {fmax_hz:g} Hz: the lower bound must lie "
            f"below the upper one, both within {LOWEST_HZ:g} to {HIGHEST_HZ:g} Hz"
        )


def track_pitch(
    audio: AudioLike, *, fmin_hz: float, fmax_hz: float, tracker: str = "pyin"
) -> PitchTrack:
    """f0 of a monophonic stem over time.

    Parameters
    ----------
    audio : AudioLike
        The stem; channels are averaged, any sample rate will do.
    fmin_hz, fmax_hz : float
        Bounds of the search in Hz, within 20 to 4000.
    tracker : str
        A name in `TRACKERS`, or "csv:PATH" for a table of f0.

    Returns
    -------
    PitchTrack
        `time_s` frame centres in s from 0 on; `f0_hz` in Hz, NaN where unvoiced; `voiced_prob`
        0 to 1; `energy_db` re full scale; float64 (n_frames,).

    Raises
    ------
    UsageError
        Bounds that make no sense, or a tracker that does not exist or is not installed.
    """
    check_range(fmin_hz, fmax_hz)
    return find_tracker(tracker).track(audio, fmin_hz=fmin_hz, fmax_hz=fmax_hz)
