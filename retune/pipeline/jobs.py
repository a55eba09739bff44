"""One rendering as a job that can cross to another process or machine: strings and numbers in,
a plain record out. A job is addressed by its content, so it can be skipped when it is whole and
run twice without harm.

A song is heard once, by a `Hearing`, which leaves the analysis in the cache for its variants;
meanwhile another worker may write the song's unaltered files."""

from __future__ import annotations

import functools
import json
import logging
import time
import traceback
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from retune import __version__
from retune.carriers.changes import Edit, Plan
from retune.carriers.errors import OutputError, RetuneError, RuleError, StaleError
from retune.carriers.heard import Analysis, Phrase, StemAnalysis
from retune.pipeline.facts import number
from retune.pipeline.inputs import Look, Settings, SongInputs, know_digest, read_inputs
from retune.pipeline.made_before import are_records, is_record, put_aside
from retune.pipeline.manifest import (
    MANIFEST,
    ORIGINAL_RECORD,
    are_hashes,
    kept_json,
    write_record,
    written_manifest,
)
from retune.pipeline.records import EndingRow, Manifest, Record, State
from retune.pipeline.rendition_files import (
    ORIGINAL,
    address,
    names_of,
    write_original,
    write_variant,
)
from retune.pipeline.song_analysis import analysis_of
from retune.pipeline.song_plan import plan_of
from retune.pipeline.stages import Memory, log, shared_memory
from retune.sound.files import missing_as, sha256_file
from retune.sound.made_files import made_file, refuse_other_file, refuse_unknown

PICTURE, ENDINGS = "picture.svg", "endings.json"


Value = TypeVar("Value")
# The process that gives out the jobs says it if nothing can be kept; its workers need not.
log.addHandler(logging.NullHandler())
Known = tuple[str, Look, str]
"""Path, how the file looked, and SHA-256 of a stem."""


@dataclass(frozen=True)
class Job:
    """What one worker is to make: a variant of a song, or (no rules) its unaltered files."""

    song: str
    name: str
    """Folder of the song below `out`."""
    variant: str
    rules: tuple[str, ...]
    out: str
    engine: str = "auto"
    subtype: str | None = None
    control: bool = False
    changed_only: bool = False
    tracker: str = "pyin"
    use_cache: bool = True
    resume: bool = False
    extras: bool = False
    """Also a picture and a table of endings, for a report."""
    known: tuple[Known, ...] = ()
    """Stems that need not be hashed again."""

    @property
    def title(self) -> str:
        """How messages call it."""
        return f"{self.name}/{self.variant}"

    @property
    def home(self) -> Path:
        """Its folder."""
        return Path(self.out) / self.name / self.variant


@dataclass(frozen=True)
class Hearing:
    """A song to be heard for the sake of `jobs`."""

    song: str
    name: str
    jobs: tuple[Job, ...]
    tracker: str = "pyin"
    use_cache: bool = True
    resume: bool = False
    known: tuple[Known, ...] = ()


@dataclass(frozen=True)
class Heard:
    """How a hearing went; `known` holds the hashes of the stems, for the jobs."""

    known: tuple[Known, ...] = ()
    seconds: float = 0.0
    error: str | None = None
    traceback: str = ""


def run_hearing(hearing: Hearing) -> Heard:
    """Hear a song, so that its jobs find the analysis in the cache; never raises."""
    began = time.perf_counter()
    try:
        heard = Heard(_with(hearing, functools.partial(_hear, hearing)))
    except Exception as error:
        said, where = _fault(error)
        heard = Heard(error=said, traceback=where)
    return replace(heard, seconds=round(time.perf_counter() - began, 3))


def _hear(hearing: Hearing, opened: SongInputs) -> tuple[Known, ...]:
    known = tuple(
        (str(audio.path), (*audio.stamp, *audio.trace), opened.sha256(name))
        for name, audio in opened.audio.items()
    )
    if hearing.use_cache and not (hearing.resume and _all_there(opened, hearing.jobs)):
        analysis_of(opened)
    return known


def _all_there(opened: SongInputs, jobs: tuple[Job, ...]) -> bool:
    """Whether every job left what it should, as far as can be seen without hashing it."""
    for job in jobs:
        manifest = written_manifest(job.home / MANIFEST)
        try:
            wanted = _address(opened, job)
        except RuleError:
            continue  # this job fails by itself, whatever is heard
        if manifest is None or manifest["address"] != wanted or not manifest["outputs"]:
            return False
        if not all((job.home / name).is_file() for name in manifest["outputs"]):
            return False
    return True


def run_job(job: Job) -> Record:
    """Do a job and say how it went; never raises for what is wrong with the job itself."""
    began = time.perf_counter()
    work = _original if job.variant == ORIGINAL else _variant
    try:
        record = _with(job, functools.partial(work, job))
    except Exception as error:
        said, where = _fault(error)
        record = failed(job.name, job.variant, said) | {"traceback": where}
    return record | {"seconds": round(time.perf_counter() - began, 3)}


def failed(song: str, variant: str, error: str) -> Record:
    """The record of a job that came to nothing, or was not run."""
    return {"song": song, "variant": variant, "state": "failed", "error": error, "seconds": 0.0}


def _fault(error: Exception) -> tuple[str, str]:
    """What went wrong, in a line for everybody and in full for `--debug`."""
    said = str(error)
    if not isinstance(error, RetuneError):
        said = " ".join(f"unexpected: {type(error).__name__}: {error}".split())
    return said, "".join(traceback.format_exception(error))


_WITHOUT_DISK = Memory()
"""What the jobs of one process share where nothing is to be kept between runs."""


def _with(job: Job | Hearing, work: Callable[[SongInputs], Value]) -> Value:
    """Do work on a job's song as it stands now; once more when a file changes meanwhile."""
    try:
        return work(_open(job))
    except StaleError:
        return work(_open(job))


def _open(job: Job | Hearing) -> SongInputs:
    for path, look, digest in job.known:
        know_digest(Path(path), look=look, digest=digest)
    settings = Settings(tracker=job.tracker, use_cache=job.use_cache)
    memory = shared_memory() if job.use_cache else _WITHOUT_DISK
    return read_inputs(Path(job.song), settings, memory)


def _went(job: Job, state: State) -> Record:
    return {
        "song": job.name,
        "variant": job.variant,
        "state": state,
        "error": None,
        "seconds": 0.0,
    }


def _original(job: Job, opened: SongInputs) -> Record:
    if job.resume:
        known = _original_there(job.home, job, opened)
        if known and _whole(job.home, known):
            return _went(job, "skipped") | {"outputs": known}
    aside = put_aside(job.home, [*names_of(opened), ORIGINAL_RECORD]) if job.resume else []
    return _went(job, "done") | {"outputs": _write_original(job, opened), "warnings": aside}


def _original_there(folder: Path, job: Job, opened: SongInputs) -> dict[str, str] | None:
    """Hashes of the unaltered files, empty where they are of another address or not of all; None
    where nothing tells."""
    record = kept_json(folder / ORIGINAL_RECORD)
    if not isinstance(record, dict) or not are_hashes(record.get("outputs")):
        return None
    outputs: dict[str, str] = record["outputs"]
    is_whole = {*outputs} >= {f"{name}.wav" for name in (*opened.song.stems, "mix")}
    return outputs if is_whole and record.get("address") == _original_address(job, opened) else {}


def _original_address(job: Job, opened: SongInputs) -> str:
    return address(opened, rules=(), engine="", subtype=job.subtype, control=False)


def _write_original(job: Job, opened: SongInputs) -> dict[str, str]:
    home = job.home.parent / ORIGINAL

    def look() -> None:
        refuse_unknown(home / ORIGINAL_RECORD, is_record)

    look()
    outputs = write_original(opened, home, subtype=job.subtype)
    record = {"address": _original_address(job, opened), "outputs": outputs}
    write_record(home / ORIGINAL_RECORD, record, look_again=look)
    return outputs


def _written_original(job: Job, opened: SongInputs) -> Mapping[str, str]:
    """Hashes of the unaltered files; they are written anew where the song was changed since."""
    folder = job.home.parent / ORIGINAL
    outputs = _original_there(folder, job, opened)
    if outputs is None:
        raise OutputError(f"{folder} is missing or broken: run the batch again")
    return outputs or _write_original(job, opened)


def _variant(job: Job, opened: SongInputs) -> Record:
    if job.resume:
        wanted = _address(opened, job)
        there = written_manifest(job.home / MANIFEST)
        if there and there["address"] == wanted and _whole(job.home, there["outputs"]):
            if job.extras and not (job.home / ENDINGS).is_file():
                _write_extras(opened, _plan(opened, job), job.home)
            with suppress(LookupError, TypeError, ValueError, AttributeError):  # none of ours
                return _summed_up(_went(job, "skipped"), there)
    plan = _plan(opened, job)
    aside = put_aside(job.home, names_of(opened)) if job.resume else []
    manifest = write_variant(
        opened,
        plan,
        folder=job.home.parent,
        original=_written_original(job, opened),
        engine=job.engine,
        subtype=job.subtype,
        control=job.control,
        changed_only=job.changed_only,
    )
    if job.extras:
        _write_extras(opened, plan, job.home)
    record = _summed_up(_went(job, "done"), manifest)
    return record | {"warnings": [*record["warnings"], *aside]}


def _address(opened: SongInputs, job: Job) -> str:
    """The address that the job's manifest gets, which holds the rules as they are printed."""
    from retune.rules import parse_rules

    roles = {name: stem.role for name, stem in opened.parts.items()}
    return address(
        opened,
        rules=[str(rule) for rule in parse_rules(job.rules, stems=tuple(roles), roles=roles)],
        engine=job.engine,
        subtype=job.subtype,
        control=job.control,
        changed_only=job.changed_only,
    )


def _plan(opened: SongInputs, job: Job) -> Plan:
    return replace(plan_of(opened, rules=job.rules), name=job.variant)


def _whole(home: Path, outputs: Mapping[str, str]) -> bool:
    """Whether every output is there and is the file that was written."""
    try:
        return bool(outputs) and all(
            missing_as(home / name) == "" and sha256_file(home / name) == digest
            for name, digest in outputs.items()
        )
    except OSError:
        return False


def _summed_up(record: Record, manifest: Manifest) -> Record:
    levels = manifest["levels"].get("variant")
    shifts = [abs(edit["shift_cents"] or 0.0) for edit in manifest["edits"]]
    return record | {
        "address": manifest["address"],
        "edits": len(manifest["edits"]),
        "largest_shift_cents": number(max(shifts, default=0.0), 1),
        "loudness_lufs": levels["loudness_after"] if levels else None,
        "gain_db": levels["gain_db"] if levels else None,
        "true_peak_db": levels["true_peak_db"] if levels else None,
        "verdicts": [
            f"{item['stem']} {item['start_s']:.2f} s: {item['word']}"
            for item in manifest["verdicts"]
        ],
        "warnings": manifest["warnings"],
        "outputs": manifest["outputs"],
        "inputs": {name: facts["sha256"] for name, facts in manifest["inputs"].items()},
    }


def _endings_table(opened: SongInputs, plan: Plan) -> list[EndingRow]:
    """One row per phrase ending of the melody, with what the plan does to it."""
    from retune.comparison.endings import phrase_endings

    analysis = analysis_of(opened)
    melody = analysis.melody
    if melody is None:
        return []
    moved = {edit.note: edit for edit in plan.of_stem(melody.name) if edit.note is not None}
    after = {e.number: e.state_after for e in phrase_endings(analysis, plan) if e.is_changed}
    return [
        _ending_row(analysis, melody, phrase, moved, after.get(phrase.index))
        for phrase in melody.phrases
    ]


def _ending_row(
    analysis: Analysis,
    melody: StemAnalysis,
    phrase: Phrase,
    moved: Mapping[int, Edit],
    to_ending: str | None,
) -> EndingRow:
    note = melody.note(phrase.ending_note) if phrase.ending_note is not None else None
    edit = moved.get(note.index) if note is not None else None
    key = analysis.key_at(phrase.start_s)
    return {
        "phrase": phrase.index,
        "at_s": number(note.start_s, 3) if note else None,
        "note": note.name if note else None,
        "key": str(key) if key else None,
        "degree": phrase.ending_degree,
        "chord": note.chord.label if note is not None and note.chord else None,
        "chord_role": phrase.ending_chord_role,
        "ending": phrase.ending,
        "ending_melodic": phrase.ending_melodic,
        "moved": int(edit is not None),
        "to_degree": edit.to_degree if edit else None,
        "to_chord_role": edit.role_after if edit else None,
        "to_ending": to_ending,
    }


def _write_extras(opened: SongInputs, plan: Plan, home: Path) -> None:
    """What a report shows of a variant: its picture and its table of endings."""
    from retune.comparison.picture import View, lane_svg

    is_table = are_records("phrase")
    refuse_other_file(home / ENDINGS, is_ours=is_table)
    with made_file(home / PICTURE, "w") as stream:
        stream.write(lane_svg(analysis_of(opened), plan, View(systems=None, embed_fonts=False)))
        stream.write(f"<!-- retune {__version__} -->\n")
    with made_file(home / ENDINGS, "w", is_ours=is_table) as stream:
        json.dump(_endings_table(opened, plan), stream, ensure_ascii=False, indent=1)
        stream.write("\n")
