"""The seam between the room and its engines: one value in, samples out.

An engine is any object with the attributes of `Engine`. To add one, write a module with such an
object named ENGINE and enter it in `_HOMES`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from importlib import import_module
from typing import Protocol, cast

import numpy as np

from retune.carriers.changes import Edit, Verdict
from retune.carriers.errors import UsageError
from retune.carriers.heard import MONOPHONIC_ROLES, FloatArray, Role, Samples, frozen_array

FRAME_S = 0.0025


@dataclass(frozen=True, eq=False)
class Passage:
    """A stretch of a stem with context on both sides, and what is to become of it.

    `samples` float32 (n_samples, n_channels). `f0_hz` (NaN where unvoiced) and `offset_cents`
    are given every `FRAME_S`, the first at the first sample. `steady` is True when the offset
    is the same number all along. `voice` is the voice in a mix as estimated, shaped as `samples`.
    `formant_cents` says of each frame how far its formants move; None where all of them stay.
    """

    samples: Samples
    rate_hz: int
    f0_hz: FloatArray
    offset_cents: FloatArray
    steady: bool = False
    voice: Samples | None = None
    formant_cents: FloatArray | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "samples", frozen_array(self.samples, np.float32))
        object.__setattr__(self, "f0_hz", frozen_array(self.f0_hz, np.float64))
        object.__setattr__(self, "offset_cents", frozen_array(self.offset_cents, np.float64))
        if self.formant_cents is not None:
            formant_cents = frozen_array(self.formant_cents, np.float64)
            object.__setattr__(self, "formant_cents", formant_cents)

    @property
    def main_offset(self) -> float:
        """The offset of largest size, cents."""
        return float(self.offset_cents[np.argmax(np.abs(self.offset_cents))])


class Judge(Protocol):
    """Says what to expect of one edit of a mix; the passage begins at `first_s`, `sure` is how
    certain the note is."""

    def __call__(
        self, passage: Passage, moved: Samples, *, edit: Edit, first_s: float, sure: float
    ) -> Verdict: ...


class Engine(Protocol):
    """A way to move the pitch of a passage.

    `exact` engines give back the very samples wherever the offset is 0 and join by themselves;
    the rest are crossfaded. Engines that `follow` move each frame by its own offset, the rest a
    whole passage by one. `needs_pitch` engines work from `f0_hz`, on one voice only.
    Engines that move a part of a finished mix have a `judge` of each move, the rest None.
    """

    @property
    def name(self) -> str: ...
    @property
    def about(self) -> str: ...
    @property
    def context_s(self) -> float: ...
    @property
    def exact(self) -> bool: ...
    @property
    def follows(self) -> bool: ...
    @property
    def needs_pitch(self) -> bool: ...
    @property
    def judge(self) -> Judge | None: ...
    def round_trips(self, cents: float) -> int:
        """How often a sound goes out by `cents` and back until it is changed about as much as by
        one such move that stays (measured, not derived)."""
        ...

    def shift(self, passage: Passage) -> Samples:
        """`passage.samples` with the pitch moved by `offset_cents`, same shape, float32.

        Raises EngineError when the engine is not installed or cannot do it.
        """
        ...


_HOMES: dict[str, str] = {
    "psola": "psola",
    "lift": "lift_engine",
    "lift-bass": "lift_bass",
    "stretch": "stretch",
    "rubberband": "rubberband",
    "world": "world",
    "identity": "identity",
}


class _Registry(Mapping[str, Engine]):
    """Engines by name; an engine's module is imported when it is first asked for."""

    def __getitem__(self, name: str) -> Engine:
        module = import_module(f"retune.repitch.{_HOMES[name]}")
        return cast(Engine, module.ENGINE)

    def __iter__(self) -> Iterator[str]:
        return iter(_HOMES)

    def __len__(self) -> int:
        return len(_HOMES)


ENGINES: Mapping[str, Engine] = _Registry()


def choose_engine(role: Role, *, is_inside: bool = False) -> tuple[str, str]:
    """The engine that `auto` means for a stem of this role, or for a part inside a mix
    (`is_inside`), and why, in one sentence.

    Only engines that come with retune are chosen, whatever else is installed.
    """
    if is_inside:
        return "lift-bass", "from a full mix, approximate: the bass is lifted out below 250 Hz"
    if role in MONOPHONIC_ROLES:
        return "psola", f"a {role} stem is one voice: overlap-add by pitch period keeps it cleanest"
    if role == "mix":
        return "lift", "from a full mix, approximate: the voice is lifted out by its harmonics"
    return "stretch", f"a {role} stem may hold many pitches at once: its spans move as a whole"


def resolve_engine(name: str, *, role: Role, is_inside: bool = False) -> tuple[str, str]:
    """`choose_engine` for "auto", else the engine of that name.

    Raises
    ------
    UsageError
        No engine has this name.
    """
    if name == "auto":
        return choose_engine(role, is_inside=is_inside)
    if name in _HOMES:
        return name, "chosen by name"
    near = get_close_matches(name, ["auto", *_HOMES], n=1)
    hint = f'; did you mean "{near[0]}"?' if near else ""
    raise UsageError(f'no engine is named "{name}"; there are auto, {", ".join(_HOMES)}{hint}')
