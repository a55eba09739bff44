"""One rendering as a job that can cross to another process or machine: strings and numbers in,
a plain record out. A job is addressed by its content, so it can be skipped when it is whole and
run twice without harm.

A song is heard once, by a `Hearing`, which leaves the analysis in the cache for its variants;
meanwhile another worker may write the song's unaltered files."""

from __future__ import annotations

import json
import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from retune.carriers.changes import Plan
from retune.carriers.errors import OutputError, RetuneError, RuleError
from retune.pipeline.facts import number
from retune.pipeline.manifest import MANIFEST
from retune.pipeline.rendition_files import ORIGINAL, address, write_original, write_variant
from retune.pipeline.song_analysis import OpenSong, analyze, open_song
from retune.pipeline.song_plan import plan as make
from retune.sound.files import atomic_write, sha256_file

ORIGINAL_RECORD = "original.json"
PICTURE, ENDINGS = "picture.svg", "endings.json"


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
    tracker: str = "pyin"
    use_cache: bool = True
    resume: bool = False
    extras: bool = False
    """Also a picture and a table of endings, for a report."""
    known: tuple[tuple[str, int, int, str], ...] = ()
    """Name, size, time of change (ns) and SHA-256 of stems that need not be hashed again."""

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


def run_hearing(hearing: Hearing) -> dict[str, Any]:
    """Hear a song, so that its jobs find the analysis in the cache; never raises.

    The record holds seconds, error, and `known`: the hashes of the stems, for the jobs.
    """
    began = time.perf_counter()
    record: dict[str, Any] = {"error": None, "known": ()}
    try:
        opened = _open(hearing)
        hashes = ((name, *audio.stamp, opened.sha256(name)) for name, audio in opened.audio.items())
        record["known"] = tuple(hashes)
        if hearing.use_cache and not (hearing.resume and _all_there(opened, hearing.jobs)):
            analyze(opened)
    except RetuneError as error:
        record["error"] = str(error)
    except Exception as error:
        record["error"] = _unexpected(error)
    record["seconds"] = round(time.perf_counter() - began, 3)
    return record


def _all_there(opened: OpenSong, jobs: tuple[Job, ...]) -> bool:
    """Whether every job left what it should, as far as can be seen without hashing it."""
    for job in jobs:
        manifest = _read_json(job.home / MANIFEST)
        names = manifest.get("outputs", {})
        try:
            wanted = _address(opened, job)
        except RuleError:
            continue  # this job fails by itself, whatever is heard
        if manifest.get("address") != wanted or not names:
            return False
        if not all((job.home / name).is_file() for name in names):
            return False
    return True


def run_job(job: Job) -> dict[str, Any]:
    """Do a job and say how it went; never raises for what is wrong with the job itself.

    The record holds song, variant, state ("done", "skipped" or "failed"), seconds, error, and
    for a variant its address, edits, warnings, levels and output hashes.
    """
    began = time.perf_counter()
    record: dict[str, Any] = {"song": job.name, "variant": job.variant, "error": None}
    try:
        record |= _original(job) if job.variant == ORIGINAL else _variant(job)
    except RetuneError as error:
        record |= {"state": "failed", "error": str(error)}
    except Exception as error:
        record |= {"state": "failed", "error": _unexpected(error)}
    record["seconds"] = round(time.perf_counter() - began, 3)
    return record


def _unexpected(error: Exception) -> str:
    return " ".join(f"unexpected: {type(error).__name__}: {error}".split())


def _open(job: Job | Hearing) -> OpenSong:
    opened = _opened(job.song, _stamp(Path(job.song)), job.tracker, job.use_cache)
    for name, size, changed_ns, digest in job.known if isinstance(job, Job) else ():
        opened.know_sha256(name, stamp=(size, changed_ns), digest=digest)
    return opened


@lru_cache(maxsize=2)
def _opened(song: str, stamp: tuple[int, int], tracker: str, use_cache: bool) -> OpenSong:
    """Kept between the jobs of one process, so that a song is opened and reasoned on once."""
    return open_song(Path(song), tracker=tracker, use_cache=use_cache)


def _stamp(path: Path) -> tuple[int, int]:
    try:
        status = path.stat()
    except OSError:
        return 0, 0
    return status.st_size, status.st_mtime_ns


def _original(job: Job) -> dict[str, Any]:
    opened = _open(job)
    record = job.home / ORIGINAL_RECORD
    wanted = address(opened, rules=(), engine="", subtype=job.subtype, control=False)
    if job.resume:
        known = _read_json(record)
        if known.get("address") == wanted and _whole(job.home, known.get("outputs", {})):
            return {"state": "skipped", "outputs": known["outputs"]}
    outputs = write_original(opened, job.home, subtype=job.subtype)
    with atomic_write(record, "w") as stream:
        json.dump({"address": wanted, "outputs": outputs}, stream, indent=1, sort_keys=True)
    return {"state": "done", "outputs": outputs}


def _variant(job: Job) -> dict[str, Any]:
    opened = _open(job)
    if job.resume:
        wanted = _address(opened, job)
        manifest = _read_json(job.home / MANIFEST)
        if manifest.get("address") == wanted and _whole(job.home, manifest.get("outputs", {})):
            if job.extras and not (job.home / ENDINGS).is_file():
                _write_extras(opened, _plan(opened, job), job.home)
            return {"state": "skipped", **_summary(manifest)}
    plan = _plan(opened, job)
    folder = job.home.parent
    original = _read_json(folder / ORIGINAL / ORIGINAL_RECORD).get("outputs")
    if original is None:
        raise OutputError(f"{folder / ORIGINAL} is missing or broken: run the batch again")
    manifest = write_variant(
        opened,
        plan,
        folder=folder,
        original=original,
        engine=job.engine,
        subtype=job.subtype,
        control=job.control,
    )
    if job.extras:
        _write_extras(opened, plan, job.home)
    return {"state": "done", **_summary(manifest)}


def _address(opened: OpenSong, job: Job) -> str:
    """The address that the job's manifest gets, which holds the rules as they are printed."""
    from retune.rules import parse_rules

    return address(
        opened,
        rules=[str(rule) for rule in parse_rules(job.rules, stems=tuple(opened.parts))],
        engine=job.engine,
        subtype=job.subtype,
        control=job.control,
    )


def _plan(opened: OpenSong, job: Job) -> Plan:
    return replace(make(opened, rules=job.rules), name=job.variant)


def _read_json(path: Path) -> Mapping[str, Any]:
    try:
        value = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return value if isinstance(value, dict) else {}


def _whole(home: Path, outputs: Mapping[str, str]) -> bool:
    """Whether every output is there and is the file that was written."""
    try:
        return bool(outputs) and all(
            sha256_file(home / name) == digest for name, digest in outputs.items()
        )
    except OSError:
        return False


def _summary(manifest: Mapping[str, Any]) -> dict[str, Any]:
    levels = manifest["levels"].get("variant", {})
    shifts = [abs(edit["shift_cents"]) for edit in manifest["edits"]]
    return {
        "address": manifest["address"],
        "edits": len(manifest["edits"]),
        "largest_shift_cents": number(max(shifts, default=0.0), 1),
        "loudness_lufs": levels.get("loudness_after"),
        "gain_db": levels.get("gain_db"),
        "true_peak_db": levels.get("true_peak_db"),
        "verdicts": [
            f"{item['stem']} {item['start_s']:.2f} s: {item['word']}"
            for item in manifest.get("verdicts", ())
        ],
        "warnings": list(manifest["warnings"]),
        "outputs": dict(manifest["outputs"]),
        "inputs": {name: facts["sha256"] for name, facts in manifest["inputs"].items()},
    }


def _endings_table(opened: OpenSong, plan: Plan) -> list[dict[str, Any]]:
    """One row per phrase ending of the melody, with what the plan does to it."""
    analysis = analyze(opened)
    melody = analysis.melody
    if melody is None:
        return []
    moved = {edit.note: edit for edit in plan.of_stem(melody.name) if edit.note is not None}
    rows = []
    for phrase in melody.phrases:
        note = melody.note(phrase.ending_note) if phrase.ending_note is not None else None
        edit = moved.get(note.index) if note is not None else None
        key = analysis.key_at(phrase.start_s)
        rows.append(
            {
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
            }
        )
    return rows


def _write_extras(opened: OpenSong, plan: Plan, home: Path) -> None:
    """What a report shows of a variant: its picture and its table of endings."""
    from retune.comparison.picture import lane_svg

    with atomic_write(home / PICTURE, "w") as stream:
        stream.write(lane_svg(analyze(opened), plan, systems=None, embed_fonts=False))
    with atomic_write(home / ENDINGS, "w") as stream:
        json.dump(_endings_table(opened, plan), stream, ensure_ascii=False, indent=1)
        stream.write("\n")
