"""The mixes of a song: the original, and any rendition in its place."""

from __future__ import annotations

from collections.abc import Mapping

from retune.carriers.changes import Rendition
from retune.comparison.changed_sound import merged_spans
from retune.comparison.levels import (
    Measured,
    MixLevels,
    measure,
    measure_again,
    original_levels,
    version_levels,
)
from retune.comparison.mix import Mix, MixPart
from retune.pipeline.inputs import SongInputs
from retune.pipeline.mix_residual import is_summed
from retune.pipeline.stages import Stage

MEASURED = Stage(
    "levels of the original mix",
    Measured,
    rooms=("comparison",),
    libraries=("numpy", "scipy", "soundfile", "soxr"),
)


def mix_of(opened: SongInputs, rendition: Rendition | None = None) -> Mix:
    """The stems of a song summed with their gains, a rendition's spans in place (not levelled)."""
    changed = rendition.stems if rendition is not None else {}
    return Mix(
        tuple(
            MixPart(
                opened.audio[name],
                gain_db=stem.gain_db,
                rendition=changed.get(name),
                changes_only=not is_summed(opened, name),
            )
            for name, stem in opened.song.stems.items()
        )
    )


def levels_of(opened: SongInputs, rendition: Rendition | None = None) -> MixLevels:
    """Loudness, gain and true peak of the original mix, or of a version matched to it."""
    stems = opened.song.stems.items()
    reads = {"stems": {name: [opened.content(name), s.gain_db, s.role] for name, s in stems}}
    known = opened.recall(MEASURED, reads, lambda: measure(mix_of(opened)))
    original = original_levels(known)
    if rendition is None:
        return original
    again = measure_again(known, mix_of(opened, rendition), spans_of(rendition))
    return version_levels(again, original=original)


def spans_of(rendition: Rendition) -> list[tuple[int, int]]:
    """The samples of a mix in which a rendition may differ from the original."""
    return merged_spans(
        (patch.start, patch.stop) for stem in rendition.stems.values() for patch in stem.patches
    )


def levelled_mix(opened: SongInputs, rendition: Rendition | None = None) -> tuple[Mix, MixLevels]:
    """A mix at its matched level, and what was done to get there."""
    levels = levels_of(opened, rendition)
    return mix_of(opened, rendition).louder_by(levels.gain_db), levels


def levelled_together(
    opened: SongInputs, renditions: Mapping[str, Rendition | None]
) -> dict[str, Mix]:
    """Mixes to be heard one after another, by name: of one loudness, all lowered where the peaks of
    one allow it no more."""
    levelled = {name: levelled_mix(opened, one) for name, one in renditions.items()}
    lower_db = max(levels.short_by_db for _, levels in levelled.values())
    return {
        name: mix.louder_by(levels.short_by_db - lower_db)
        for name, (mix, levels) in levelled.items()
    }
