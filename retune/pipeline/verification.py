"""Render again from a manifest and compare: is this folder what it says it is?"""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

from retune import __version__
from retune.carriers.errors import InputError
from retune.carriers.songfacts import MUSIC_FILES, Song
from retune.pipeline.facts import plan_facts
from retune.pipeline.inputs import Progress, Settings, memory_for, read_inputs, silent
from retune.pipeline.manifest import MANIFEST, read_manifest, song_from_facts
from retune.pipeline.records import ToVerify
from retune.pipeline.rendition_files import ORIGINAL, write_original, write_variant
from retune.pipeline.renditions import CONTROL
from retune.pipeline.song_plan import plan_of
from retune.song.history import heard_otherwise
from retune.sound.files import missing_as, sha256_file
from retune.sound.folders import named_folder


@dataclass(frozen=True)
class Verified:
    """What `verify` found for one variant: nothing in `differences` means identical."""

    variant: str
    differences: tuple[str, ...]

    @property
    def identical(self) -> bool:
        return not self.differences


def verify(
    folder: str | Path, *, song: str | Path | None = None, progress: Progress = silent
) -> tuple[Verified, ...]:
    """Check every variant under `folder` (or the one that `folder` is) against its manifest.

    The files are hashed first; then the plan and the sound are made again from the unaltered
    stems in `original` beside the variant, or from `song`, and compared.

    Raises
    ------
    InputError
        No manifest there, or one that does not read, or the original stems are missing.
    """
    root = Path(folder)
    homes = (
        [root]
        if (root / MANIFEST).is_file()
        else sorted({p.parent for up in ("*", "*/*") for p in root.glob(f"{up}/{MANIFEST}")})
    )
    if not homes:
        raise InputError(
            f"{root}: no {MANIFEST} here or two folders down; give what render or batch wrote"
        )
    found = []
    for done, home in enumerate(homes):
        progress(f"rendering {home.name} again", done / len(homes))
        one = _verify_one(home, song)
        if home.parent not in (root, root.parent):  # a batch: the same variant of many songs
            one = Verified(f"{home.parent.name}/{one.variant}", one.differences)
        found.append(one)
    progress("verifying", 1.0)
    return tuple(found)


def _verify_one(home: Path, song: str | Path | None) -> Verified:
    manifest = read_manifest(home / MANIFEST)
    differences = _changed_files(home, manifest["outputs"])
    differences += _changed_originals(home, manifest.get("unwritten") or {})
    if manifest["retune"] != __version__:
        differences.append(f"made with retune {manifest['retune']}, this is {__version__}")
        differences += heard_otherwise(manifest["retune"], __version__)
    differences += _made_again(home, manifest, song)
    return Verified(manifest["variant"], tuple(differences))


def _read_beside(song: object, folder: Path) -> list[Path]:
    """The chart, the guide and the lyrics that the song was read with."""
    music = song.get("music") if isinstance(song, dict) else None
    names = [music.get(k) for k in MUSIC_FILES] if isinstance(music, dict) else []
    return [folder / name for name in names if isinstance(name, str)]


def _refuse_part(song: object) -> None:
    """A passage, or a voice given beside its mix, is not all in the folder original."""
    stems = song.get("stems") if isinstance(song, dict) else None
    given = stems.values() if isinstance(stems, dict) else ()
    if isinstance(song, dict) and song.get("passage"):
        raise InputError("this is a passage of a longer song: give the song file with --song")
    if any(isinstance(stem, dict) and stem.get("voice") for stem in given):
        raise InputError("the voice beside the mix is not kept here: give --song")


def _changed_files(home: Path, outputs: Mapping[str, str]) -> list[str]:
    lines = []
    for name, digest in outputs.items():
        path = home / name
        if missing_as(path):
            lines.append(f"{name} is missing")
        elif _digest(path) != digest:
            lines.append(f"{name} is not the file that was written")
    return lines


def _digest(path: Path) -> str:
    try:
        return sha256_file(path)
    except OSError:
        return ""


def _changed_originals(home: Path, unwritten: Mapping[str, str]) -> list[str]:
    """What is wrong with the unaltered stems that stand for those not written again."""
    named = {f"{ORIGINAL}/{PurePosixPath(n).name}": digest for n, digest in unwritten.items()}
    there = {name: digest for name, digest in named.items() if not missing_as(home.parent / name)}
    return _changed_files(home.parent, there)


def _made_again(home: Path, manifest: ToVerify, song: str | Path | None) -> list[str]:
    source: Path | Song
    if song is not None:
        source = Path(song)
    else:
        folder = home.parent / ORIGINAL
        _refuse_part(manifest["song"])
        needed = [folder / f"{name}.wav" for name in manifest["inputs"]]
        needed += _read_beside(manifest["song"], folder)
        missing = [path for path in needed if not path.is_file()]
        if missing:
            raise InputError(f"{missing[0]} is missing: keep the folder original, or give --song")
        source = song_from_facts(manifest["song"], folder=folder, source=home / MANIFEST)
    settings = Settings(tracker=manifest["tracker"])
    opened = read_inputs(source, settings, memory_for(settings))
    if song is not None:
        changed = [
            name
            for name, facts in manifest["inputs"].items()
            if name not in opened.audio or opened.sha256(name) != facts["sha256"]
        ]
        if changed:
            return [f"stem {name} is not the input that was rendered" for name in changed]
    plan = plan_of(opened, rules=manifest["rules"])
    lines = []
    if plan_facts(plan)["edits"] != manifest["edits"]:
        lines.append("the plan made again has other edits")
    with tempfile.TemporaryDirectory() as scratch:
        room = named_folder(scratch)
        again = write_variant(
            opened,
            replace(plan, name=manifest["variant"]),
            folder=room,
            original=write_original(opened, room / ORIGINAL, subtype=manifest["subtype"]),
            engine=manifest["engine"],
            subtype=manifest["subtype"],
            control=any(name.startswith(f"{CONTROL}/") for name in manifest["outputs"]),
            changed_only=manifest.get("unwritten") is not None,
        )
    said = {**manifest["outputs"], **(manifest.get("unwritten") or {})}
    made = {**again["outputs"], **again.get("unwritten", {})}
    for name, digest in said.items():
        if made.get(name) != digest:
            lines.append(f"{name} comes out different when made again")
    return lines
