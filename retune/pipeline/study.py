"""A song studied for a table of many: heard, planned, told phrase by phrase; nothing rendered."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from retune.carriers.changes import Plan
from retune.carriers.errors import RetuneError, StaleError
from retune.pipeline.inputs import Settings, SongInputs, memory_for, read_inputs
from retune.pipeline.records import Record
from retune.pipeline.song_analysis import analysis_of
from retune.pipeline.song_plan import plan_of
from retune.pipeline.stored_songs import fetch_song, working_folder
from retune.sound.made_files import made_file
from retune.sound.stores import is_address


@dataclass(frozen=True)
class Study:
    """A song to be studied with these variants (name and rules); `jams` is the path of the JAMS
    file to write, its end left off, "" for none."""

    song: str
    name: str
    variants: tuple[tuple[str, tuple[str, ...]], ...] = ()
    tracker: str = "pyin"
    use_cache: bool = True
    jams: str = ""


def run_study(study: Study) -> Record:
    """The rows of a song's phrases; never raises for what is wrong with the song.

    The record holds song, variant ("*"), state ("done" or "failed"), rows, warnings, seconds and
    error. A variant that does not go with the song is warned of and leaves its columns empty.
    """
    began = time.perf_counter()
    record: Record = {
        "song": study.name,
        "variant": "*",
        "state": "done",
        "error": None,
        "seconds": 0.0,
        "rows": [],
        "warnings": [],
    }
    try:
        record["rows"], record["warnings"] = _fetched(study)
    except Exception as error:
        said = str(error) if isinstance(error, RetuneError) else f"unexpected: {error!r}"
        record |= {"state": "failed", "error": " ".join(said.split())}
    return record | {"seconds": round(time.perf_counter() - began, 3)}


Told = tuple[list[dict[str, Any]], list[str]]
"""Rows and warnings."""


def _fetched(study: Study) -> Told:
    """What `_studied` tells, of a song in a store once it has been fetched."""
    if not is_address(study.song):
        return _studied(study)
    with working_folder() as folder:
        here = str(fetch_song(study.song, folder))
        return _studied(replace(study, song=here))


def _studied(study: Study) -> Told:
    try:
        return _told(study, _open(study))
    except StaleError:  # a file changed meanwhile: once more as it stands now
        return _told(study, _open(study))


def _open(study: Study) -> SongInputs:
    settings = Settings(tracker=study.tracker, use_cache=study.use_cache)
    return read_inputs(Path(study.song), settings, memory_for(settings))


def _told(study: Study, opened: SongInputs) -> Told:
    from retune.comparison.phrase_table import phrase_rows

    analysis = analysis_of(opened)
    plans, warnings = [], list(analysis.warnings)
    for name, rules in study.variants:
        try:
            plans.append(replace(plan_of(opened, rules=rules), name=name))
        except RetuneError as error:
            warnings.append(f"variant {name}: {error}")
    if study.jams:
        _write_jams(opened, plans, study.jams)
    if analysis.melody is None:
        warnings.append("no stem has a melody, so there are no phrases to study")
    return phrase_rows(analysis, plans, song=study.name), warnings


def _write_jams(opened: SongInputs, plans: list[Plan], start: str) -> None:
    from retune.comparison.exports.jams_file import jams_text
    from retune.comparison.exports.material import Material

    song = opened.song
    inputs = {stem.path.name: opened.sha256(name) for name, stem in song.stems.items()}
    material = Material(
        analysis_of(opened), tuple(plans), song.rights, source=song.path.name, inputs=inputs
    )
    for name, plan in material.versions:
        path = Path(f"{start}-{name}.jams")
        with made_file(path, "w", song=song.path) as stream:
            stream.write(jams_text(material, plan))
