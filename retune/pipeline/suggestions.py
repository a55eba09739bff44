"""Variants that a song itself offers, and how they get into its song file."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from retune.carriers.errors import UsageError
from retune.carriers.songfacts import Variant
from retune.pipeline.inputs import Progress, SongInputs, silent
from retune.pipeline.song_analysis import analysis_of
from retune.song.songsave import edit_song

if TYPE_CHECKING:
    from retune.rules.suggest import Suggestion


@dataclass(frozen=True)
class Suggested:
    """A variant worth hearing: name, rules, about, and the reason for it."""

    variant: Variant
    reason: str


@dataclass(frozen=True)
class Suggestions:
    """What a song offers, most telling first; `written` names the variants that were added to the
    song file."""

    variants: tuple[Suggested, ...]
    warnings: tuple[str, ...] = ()
    written: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return f"<Suggestions: {', '.join(one.variant.name for one in self.variants) or 'none'}>"


def suggest_for(
    opened: SongInputs, *, write: bool = False, progress: Progress = silent
) -> Suggestions:
    """Contrasting variants of a song, ranked, each with its reason.

    Parameters
    ----------
    write : bool
        Add them to the song file, comments kept. A variant that the song has by the same rules is
        left out; a name that is taken gets a number.

    Raises
    ------
    UsageError
        `write` for a bare recording, which has no song file.
    """
    from retune.rules import suggest_variants

    song = opened.song
    if write and song.path.suffix.lower() != ".toml":
        raise UsageError(
            f"{song.path.name} is a recording, so there is no song file to write variants to: "
            "make a song.toml for it first"
        )
    analysis = analysis_of(opened, progress=progress)
    found = suggest_variants(analysis)
    names = _names(found, song.variants)
    renamed = _renaming([item.name for item in found], names)
    suggested = tuple(
        Suggested(Variant(name, item.rules, renamed(item.about)), renamed(item.reason))
        for name, item in zip(names, found, strict=True)
    )
    warnings = list(analysis.warnings)
    if not found:
        warnings.append(
            "nothing to suggest: a key and phrase endings of a melody are needed; see "
            "retune analyze, and give key and phrases"
        )
    known = {variant.rules for variant in song.variants.values()}
    fresh = [item.variant for item in suggested if item.variant.rules not in known]
    if write and fresh:
        editor = edit_song(song.path)
        for variant in fresh:
            editor.set_variant(variant.name, variant.rules, about=variant.about)
        editor.save()
    written = tuple(variant.name for variant in fresh) if write else ()
    return Suggestions(suggested, tuple(warnings), written)


def _names(found: Sequence[Suggestion], variants: Mapping[str, Variant]) -> list[str]:
    """Names for suggestions: that of the song's own variant by the same rules, else the name as
    suggested, with a number where it is taken ("home-early-2")."""
    own = {variant.rules: name for name, variant in variants.items()}
    used, names = set(variants), []
    for item in found:
        name, count = own.get(item.rules, item.name), 1
        while item.rules not in own and name in used:
            count += 1
            name = f"{item.name}-{count}"
        used.add(name)
        names.append(name)
    return names


def _renaming(as_tried: Sequence[str], names: Sequence[str]) -> Callable[[str], str]:
    """What puts the new names of variants into sentences that speak of each other by the old."""
    new = dict(zip(as_tried, names, strict=True))
    any_name = re.compile("|".join(rf"(?<![\w-]){re.escape(name)}(?![\w-])" for name in new))
    return lambda text: any_name.sub(lambda match: new[match[0]], text) if new else text


def suggestion_facts(suggestions: Suggestions) -> dict[str, Any]:
    """Suggestions as plain JSON values: the contract of `suggest --json`."""
    return {
        "variants": [
            {
                "name": item.variant.name,
                "about": item.variant.about,
                "rules": list(item.variant.rules),
                "reason": item.reason,
            }
            for item in suggestions.variants
        ],
        "warnings": list(suggestions.warnings),
    }
