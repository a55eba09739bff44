"""Renditions as files: whole stems, mixes at matched level, and a manifest that can be verified."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from retune import __version__
from retune.carriers.changes import Plan, Rendition, StemRendition
from retune.carriers.heard import AudioLike, Samples
from retune.comparison.levels import MixLevels
from retune.pipeline.facts import number, plan_facts, song_facts, verdict_facts
from retune.pipeline.inputs import Progress, SongInputs, silent
from retune.pipeline.made_before import refuse_foreign, refuse_other_song, remove_version_files
from retune.pipeline.manifest import MANIFEST, write_record
from retune.pipeline.manifest import ORIGINAL as ORIGINAL
from retune.pipeline.mix_levels import levelled_mix
from retune.pipeline.records import LevelFacts, Manifest
from retune.pipeline.renditions import (
    CONTROL,
    check_name,
    check_options,
    render_control,
    render_plan,
)
from retune.pipeline.song_analysis import analysis_of
from retune.pipeline.stages import MOVING, Stage
from retune.song.songschema import FORMAT
from retune.sound.audio import blocks_of, default_subtype, write_wav
from retune.sound.audiohead import common_time_reference
from retune.sound.files import copy_file, refuse_inputs, sha256_file
from retune.sound.folders import make_folder, named_folder, sole_writer
from retune.sound.parts import Cut

FILES = Stage(
    "files of a rendition",
    dict,
    rooms=("track", "analysis", "rules", "repitch", "comparison"),
    libraries=MOVING,
)


def write_versions(
    opened: SongInputs,
    *,
    plans: Sequence[Plan],
    out: str | Path,
    engine: str = "auto",
    subtype: str | None = None,
    control: bool | Sequence[str] = False,
    changed_only: bool = False,
    progress: Progress = silent,
) -> dict[str, Manifest]:
    """Render plans and write them: `out/<name>/<stem>.wav`, `mix.wav` and `manifest.json`, the
    unaltered stems and mix under `out/original`, the matched control inside each variant.

    Stems keep rate, channels and length; samples outside the edits are bit-identical. The
    gains touch only the mixes. Returns the manifests by name of plan.

    `control` makes the matched control of every plan, or of those named. With `changed_only` a
    stem that a plan leaves alone is not written again: the manifest names it by its hash in
    `out/original`.

    Raises
    ------
    UsageError
        A file would fall on an input, or no such engine or subtype.
    OutputError
        A file cannot be written.
    EngineError
        The engine cannot do this material or is not installed.
    """
    folder = named_folder(out)
    check_options(engine=engine, subtype=subtype)
    for plan in plans:
        check_name(plan.name)
    _refuse_inputs(opened, [folder / name for name in (ORIGINAL, *(plan.name for plan in plans))])
    analysis_of(opened, progress=progress)
    with sole_writer(folder):
        original = write_original(opened, folder / ORIGINAL, subtype=subtype)
        manifests = {}
        for done, plan in enumerate(plans):
            progress(f"rendering {plan.name}", done / len(plans))
            manifests[plan.name] = write_variant(
                opened,
                plan,
                folder=folder,
                original=original,
                engine=engine,
                subtype=subtype,
                control=control if isinstance(control, bool) else plan.name in control,
                changed_only=changed_only,
            )
        progress("rendering", 1.0)
    return manifests


def _refuse_inputs(opened: SongInputs, homes: Sequence[Path]) -> None:
    """Refuse to write a version where one of its files would fall on an input, or on a file that is
    not a version's."""
    names = names_of(opened)
    for home in homes:
        for name in names:
            refuse_inputs(home / name, opened.files)
        refuse_foreign(home, names)


def names_of(opened: SongInputs) -> list[str]:
    """What the files of a version may be called in its folder."""
    sounds = [f"{name}.wav" for name in (*opened.song.stems, "mix")]
    return [*sounds, *(f"{CONTROL}/{name}" for name in sounds), MANIFEST]


def write_original(
    opened: SongInputs, folder: Path, *, subtype: str | None = None
) -> dict[str, str]:
    """The stems as they are and their mix, as WAV; returns SHA-256 by file name."""
    _refuse_inputs(opened, [folder])
    refuse_other_song(folder.parent, opened)
    hashes = {}
    for name in opened.song.stems:
        path = folder / f"{name}.wav"
        _write_stem(opened, name, path, subtype=subtype, rendition=None)
        hashes[path.name] = sha256_file(path)
    mix, _ = levelled_mix(opened)
    _write(opened, mix, folder / "mix.wav", subtype=subtype, words="unaltered mix")
    hashes["mix.wav"] = sha256_file(folder / "mix.wav")
    return hashes


def write_variant(
    opened: SongInputs,
    plan: Plan,
    *,
    folder: Path,
    original: Mapping[str, str],
    engine: str = "auto",
    subtype: str | None = None,
    control: bool = False,
    changed_only: bool = False,
) -> Manifest:
    """Render one plan into `folder/<name>` beside a `folder/original` that is already there."""
    home = folder / plan.name
    _refuse_inputs(opened, [home])
    versions = [(home, render_plan(opened, plan, engine=engine))]
    if control:
        versions.append((home / CONTROL, render_control(opened, plan, engine=engine)))
    outputs: dict[str, str] = {}
    unwritten: dict[str, str] = {}
    levels: dict[str, LevelFacts] = {}
    warnings = list(plan.warnings)
    for place, rendition in versions:
        alone = _unmoved(opened, rendition, original)
        if changed_only:
            remove_version_files(place, alone)  # left by a rendering that wrote every stem
        else:
            for name in alone:
                _link(folder / ORIGINAL / name, place / name)
        written, level = _write_changed(opened, rendition, place, subtype)
        prefix = "" if place == home else f"{CONTROL}/"
        (unwritten if changed_only else outputs).update(
            {prefix + name: digest for name, digest in alone.items()}
        )
        outputs |= {prefix + name: digest for name, digest in written.items()}
        levels[rendition.kind] = _level_facts(level)
        if level.short_by_db > 0.05:
            warnings.append(
                f"{rendition.kind}: its peaks keep it {level.short_by_db:.1f} dB below the "
                "original's loudness"
            )
        for stem in rendition.stems.values():
            warnings += [f"stem {line}" for line in stem.warnings]
    manifest = _manifest(
        opened,
        plan,
        versions[0][1],
        outputs,
        levels,
        warnings,
        subtype,
        engine,
        control,
        changed_only,
    )
    if changed_only:
        manifest["unwritten"] = dict(sorted(unwritten.items()))
    write_record(home / MANIFEST, manifest, look_again=lambda: refuse_foreign(home, [MANIFEST]))
    return manifest


def _unmoved(
    opened: SongInputs, rendition: Rendition, original: Mapping[str, str]
) -> dict[str, str]:
    """SHA-256 by file name of the stems that a rendition leaves as they are."""
    moved = {name for name, stem in rendition.stems.items() if stem.patches}
    return {f"{n}.wav": original[f"{n}.wav"] for n in opened.song.stems if n not in moved}


def _write_changed(
    opened: SongInputs, rendition: Rendition, place: Path, subtype: str | None
) -> tuple[dict[str, str], MixLevels]:
    """The stems that a rendition changes and its mix; returns SHA-256 by name, and its level."""
    hashes = {}
    for name, changed in rendition.stems.items():
        if changed.patches:
            path = place / f"{name}.wav"
            _write_stem(opened, name, path, subtype=subtype, rendition=(rendition, changed))
            hashes[path.name] = sha256_file(path)
    mix, levels = levelled_mix(opened, rendition)
    words = _words(rendition)
    _write(opened, mix, place / "mix.wav", subtype=subtype, words=words)
    hashes["mix.wav"] = sha256_file(place / "mix.wav")
    return hashes, levels


def _words(rendition: Rendition) -> str:
    label = _label(rendition.plan)
    if rendition.kind == CONTROL:
        return f"{label}: matched control of {rendition.name}, moved out and back"
    return f"{label}: {rendition.name}: {'; '.join(rendition.plan.rules)}"


def _label(plan: Plan) -> str:
    return "altered with retune" + (f" ({plan.caveat})" if plan.caveat else "")


def _write_stem(
    opened: SongInputs,
    name: str,
    path: Path,
    *,
    subtype: str | None,
    rendition: tuple[Rendition, StemRendition] | None,
) -> None:
    audio = opened.audio[name]
    if rendition is None:
        _write(opened, audio, path, subtype=subtype, words=f"unaltered stem {name}")
        return
    version, changed = rendition
    blocks = _patched_blocks(audio, changed)
    _write(opened, audio, path, subtype=subtype, words=_words(version), blocks=blocks)


def _patched_blocks(audio: AudioLike, changed: StemRendition) -> Iterator[Samples]:
    size = 1 << 18
    for start in range(getattr(audio, "first", 0), audio.n_samples, size):
        yield changed.apply(audio, start, min(start + size, audio.n_samples))


def _write(
    opened: SongInputs,
    audio: AudioLike,
    path: Path,
    *,
    subtype: str | None,
    words: str,
    blocks: Iterator[Samples] | None = None,
) -> None:
    make_folder(path.parent)
    write_wav(
        path,
        blocks if blocks is not None else blocks_of(_part(opened, audio)),
        rate_hz=audio.rate_hz,
        n_channels=audio.n_channels,
        subtype=subtype or _subtype(opened, audio),
        description=words,
        info={
            "INAM": opened.song.title,
            "ICOP": opened.song.rights,
            "ICMT": words,
            "ISFT": f"retune {__version__}",
        },
        time_reference=common_time_reference(s.path for s in opened.song.stems.values()),
        protect=opened.files,
        look_again=lambda: refuse_foreign(path.parent, [path.name]),
    )


def _part(opened: SongInputs, audio: AudioLike) -> AudioLike:
    """What is written of a sound: of a passage no silence before it."""
    first = min(stem.first for stem in opened.audio.values())
    return Cut(audio, first, audio.n_samples) if first else audio


def _subtype(opened: SongInputs, audio: AudioLike) -> str:
    """What holds the input exactly; a mix, which is a sum of stems, has at least 24 bits."""
    if hasattr(audio, "subtype"):
        return default_subtype(audio)
    kinds = {default_subtype(stem) for stem in opened.audio.values()}
    return "FLOAT" if "FLOAT" in kinds else "PCM_24"


def _link(source: Path, target: Path) -> None:
    """An unchanged stem is linked, or copied where the file system has no links."""
    make_folder(target.parent)

    def look() -> None:
        refuse_foreign(target.parent, [target.name])

    look()
    copy_file(source, target, look_again=look)


def address(
    opened: SongInputs,
    *,
    rules: Sequence[str],
    engine: str,
    subtype: str | None,
    control: bool,
    changed_only: bool = False,
) -> str:
    """SHA-256 of all that a rendering depends on: equal addresses, equal files."""
    return FILES.key(
        {
            **opened.reads,
            "rules": list(rules),
            "engine": engine,
            "subtype": subtype,
            "control": control,
            "changed_only": changed_only,
        }
    )


def _manifest(
    opened: SongInputs,
    plan: Plan,
    rendition: Rendition,
    outputs: Mapping[str, str],
    levels: Mapping[str, LevelFacts],
    warnings: Sequence[str],
    subtype: str | None,
    engine: str,
    control: bool,
    changed_only: bool,
) -> Manifest:
    from importlib.metadata import version

    song, facts = opened.song, plan_facts(plan)
    return {
        "format": FORMAT,
        "label": _label(plan),
        "address": address(
            opened,
            rules=plan.rules,
            engine=engine,
            subtype=subtype,
            control=control,
            changed_only=changed_only,
        ),
        "retune": __version__,
        "libraries": {
            name: version(name) for name in ("librosa", "numba", "numpy", "scipy", "soundfile")
        },
        "title": song.title,
        "rights": song.rights,
        "variant": plan.name,
        "song": song_facts(song),
        "inputs": {
            name: {"file": stem.path.name, "sha256": opened.sha256(name)}
            for name, stem in song.stems.items()
        },
        "stem_gains_db": {name: stem.gain_db for name, stem in song.stems.items()},
        "tracker": opened.settings.tracker,
        "engine": engine,
        "subtype": subtype,
        "engines": {
            name: {"engine": stem.engine, "reason": stem.reason}
            for name, stem in rendition.stems.items()
        },
        "rules": list(plan.rules),
        "edits": facts["edits"],
        "consequences": facts["consequences"],
        "caveat": plan.caveat or None,
        "verdicts": verdict_facts(rendition.verdicts),
        "levels": {
            ORIGINAL: _level_facts(levelled_mix(opened)[1]),
            **levels,
        },
        "outputs": dict(sorted(outputs.items())),
        "warnings": list(dict.fromkeys(warnings)),
    }


def _level_facts(levels: MixLevels) -> LevelFacts:
    return {
        "loudness_before": number(levels.loudness_before),
        "loudness_after": number(levels.loudness_after),
        "gain_db": number(levels.gain_db),
        "true_peak_db": number(levels.true_peak_db),
        "short_by_db": number(levels.short_by_db),
    }
