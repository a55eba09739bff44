"""The mixes of a song: the original, and any rendition in its place."""

from __future__ import annotations

from retune.compare.levels import MixLevels, measure, original_levels, version_levels
from retune.compare.mix import Mix, MixPart
from retune.core.carriers import Rendition
from retune.pipeline.opening import OpenSong


def mix_of(opened: OpenSong, rendition: Rendition | None = None) -> Mix:
    """The stems of a song summed with their gains, a rendition's spans in place (not levelled)."""
    changed = rendition.stems if rendition is not None else {}
    return Mix(
        tuple(
            MixPart(opened.audio[name], gain_db=stem.gain_db, rendition=changed.get(name))
            for name, stem in opened.song.stems.items()
        )
    )


def levels_of(opened: OpenSong, rendition: Rendition | None = None) -> MixLevels:
    """Loudness, gain and true peak of the original mix, or of a version matched to it."""
    if "original levels" not in opened._memo:
        opened._memo["original levels"] = original_levels(measure(mix_of(opened)))
    original: MixLevels = opened._memo["original levels"]
    if rendition is None:
        return original
    return version_levels(measure(mix_of(opened, rendition)), original=original)


def levelled_mix(opened: OpenSong, rendition: Rendition | None = None) -> tuple[Mix, MixLevels]:
    """A mix at its matched level, and what was done to get there."""
    levels = levels_of(opened, rendition)
    return mix_of(opened, rendition).louder_by(levels.gain_db), levels
