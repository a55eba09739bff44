"""What rules change in a song, and what was rendered of it: frozen, with read-only arrays.

Units and conventions are those of `carriers`.
"""

from __future__ import annotations

import mmap
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from retune.carriers.displayed import Displayed
from retune.carriers.errors import UsageError
from retune.carriers.heard import AudioLike, Samples, frozen_array


@dataclass(frozen=True)
class Edit:
    """One span of one stem moved by `shift_cents`; `note` is None when a whole span moves.

    A note that moves in time, too, sounds from `start_to_s` to `end_to_s`; both are None where
    nothing moves in time. `glide` is how it is reached from the note before ("" as sung, "slow",
    "fast"), `vibrato` the share of its vibrato that stays; `formants` and `tail` (what sounds on
    after it at its pitch) are "moved" where they go with the pitch, "" where they stay."""

    stem: str
    start_s: float
    end_s: float
    shift_cents: float
    rule: str
    note: int | None = None
    from_name: str | None = None
    to_name: str | None = None
    from_degree: str | None = None
    to_degree: str | None = None
    bar: int | None = None
    phrase: int | None = None
    chord: str | None = None
    role_before: str | None = None
    role_after: str | None = None
    stability_before: float | None = None
    stability_after: float | None = None
    start_to_s: float | None = None
    end_to_s: float | None = None
    glide: str = ""
    vibrato: float = 1.0
    formants: str = ""
    tail: str = ""

    @property
    def bends(self) -> bool:
        """Whether its pitch changes at all."""
        return self.shift_cents != 0 or self.vibrato != 1 or bool(self.glide)

    @property
    def moves_in_time(self) -> bool:
        return self.start_to_s is not None

    @property
    def span_after(self) -> tuple[float, float]:
        """From when to when it sounds in the variant."""
        start_s = self.start_s if self.start_to_s is None else self.start_to_s
        return start_s, self.end_s if self.end_to_s is None else self.end_to_s

    @property
    def reach(self) -> tuple[float, float]:
        """From when to when the stem is changed: where it sounded and where it sounds."""
        start_s, end_s = self.span_after
        return min(self.start_s, start_s), max(self.end_s, end_s)


_SAID = {"shift-size": "large shift", "parallel": "parallels"}


MAX_SHIFT_CENTS = 1200.0
"""No engine moves a sound further; a plan refuses what a render would."""


def check_shift(edit: Edit) -> None:
    """Raises UsageError for an edit that goes further than any engine."""
    if abs(edit.shift_cents) > MAX_SHIFT_CENTS:
        raise UsageError(
            f"edit of {edit.stem} at {edit.start_s:.3f} s: {edit.shift_cents:+.0f} cents is more "
            f"than an octave; allowed are -{MAX_SHIFT_CENTS:.0f} to +{MAX_SHIFT_CENTS:.0f}"
        )


@dataclass(frozen=True)
class Consequence:
    """What an edit does to the music; `kind` is a word of the plan contract."""

    kind: str
    at_s: float
    text: str

    @property
    def word(self) -> str:
        """The kind as people say it: "clash", "early rest", "large shift"."""
        return _SAID.get(self.kind, self.kind.replace("-", " "))


@dataclass(frozen=True)
class Plan(Displayed):
    """Sorted, non-overlapping edits, what follows from them, and warnings in words; `caveat` is
    what must be said wherever the plan is heard, "" for nothing. `heard` is the address of the
    analysis whose notes it moves, "" where that is not known."""

    edits: tuple[Edit, ...]
    consequences: tuple[Consequence, ...] = ()
    warnings: tuple[str, ...] = ()
    rules: tuple[str, ...] = ()
    name: str = "rules"
    caveat: str = ""
    heard: str = field(default="", repr=False, compare=False)

    def __repr__(self) -> str:
        return f"<Plan {self.name}: {len(self.edits)} edits>"

    def of_stem(self, stem: str) -> tuple[Edit, ...]:
        return tuple(edit for edit in self.edits if edit.stem == stem)


@dataclass(frozen=True, eq=False)
class Patch:
    """New samples for [start, start + len(samples)) of a stem; all else stays as it was.

    Samples of a file that is mapped read-only stay in it, however long it is."""

    start: int
    samples: Samples

    def __post_init__(self) -> None:
        if not _is_mapped(self.samples):
            object.__setattr__(self, "samples", frozen_array(self.samples, np.float32))

    def __reduce__(self) -> tuple[Any, ...]:
        return Patch, (self.start, np.asarray(self.samples))

    def __repr__(self) -> str:
        return f"<Patch [{self.start}, {self.stop})>"

    @property
    def stop(self) -> int:
        return self.start + int(self.samples.shape[0])

    def lay_into(self, out: Samples, start: int) -> None:
        """Put what lies there of it into `out`, which begins at sample `start` of the stem."""
        a, b = max(self.start, start), min(self.stop, start + len(out))
        if a < b:
            out[a - start : b - start] = self.samples[a - self.start : b - self.start]
            _let_go(self.samples)


def _is_mapped(samples: Samples) -> bool:
    is_file = isinstance(samples, np.memmap) and samples.dtype == np.float32
    return is_file and not samples.flags.writeable


def _let_go(samples: Samples) -> None:
    """Pages of a mapped file that were read need not stay in memory."""
    mapped = getattr(samples, "_mmap", None)
    if isinstance(mapped, mmap.mmap) and hasattr(mmap, "MADV_DONTNEED"):
        mapped.madvise(mmap.MADV_DONTNEED)


@dataclass(frozen=True)
class Verdict:
    """How well one edit of a finished mix came out: `word` is "clean", "audible if you listen for
    it" or "do not use", `text` says why; `stem` is that of the edit."""

    start_s: float
    end_s: float
    word: str
    text: str
    stem: str = ""

    def is_of(self, edit: Edit) -> bool:
        """Whether it judges this edit."""
        return self.stem == edit.stem and abs(self.start_s - edit.start_s) < 1e-3


@dataclass(frozen=True, eq=False)
class StemRendition:
    """The changed spans of one stem, in order, not overlapping; `verdicts` for edits of a mix."""

    stem: str
    engine: str
    reason: str
    patches: tuple[Patch, ...]
    warnings: tuple[str, ...] = ()
    verdicts: tuple[Verdict, ...] = ()

    def __repr__(self) -> str:
        return f"<StemRendition {self.stem}: {len(self.patches)} patches by {self.engine}>"

    def apply(self, audio: AudioLike, start: int = 0, stop: int | None = None) -> Samples:
        """Samples [start, stop) of `audio` with the patches in place, float32 (n, channels)."""
        stop = audio.n_samples if stop is None else stop
        out: Samples = np.array(audio.read(start, stop), dtype=np.float32)
        for patch in self.patches:
            patch.lay_into(out, start)
        return out


@dataclass(frozen=True, eq=False)
class Rendition:
    """A rendered version of a song: per changed stem its rendition. `kind` is "variant" or
    "matched-control"; stems that are not named sound as they were."""

    name: str
    plan: Plan
    stems: Mapping[str, StemRendition]
    kind: str = "variant"

    def __repr__(self) -> str:
        stems = ", ".join(self.stems) or "no stem changed"
        return f"<Rendition {self.name} ({self.kind}): {stems}>"

    @property
    def verdicts(self) -> tuple[Verdict, ...]:
        """Of all edits of a finished mix, in order of time."""
        found = [verdict for stem in self.stems.values() for verdict in stem.verdicts]
        return tuple(sorted(found, key=lambda verdict: (verdict.start_s, verdict.stem)))
