"""What is made from the song: files, a comparison page, take-away files, blind tests."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypedDict

from retune import pipeline
from retune.carriers.changes import Plan
from retune.carriers.errors import RetuneError, UsageError
from retune.carriers.songfacts import Song
from retune.carriers.text import file_stem
from retune.comparison.blind import Design, pair_design, power_words, rating_design, verdicts
from retune.faces.web.answers import Bench
from retune.faces.web.asked import Asked
from retune.faces.web.desk import Desk
from retune.pipeline.inputs import Progress
from retune.pipeline.records import Table
from retune.pipeline.renditions import check_name
from retune.song.songfile import read_song
from retune.sound.files import safe_child_path
from retune.sound.folders import place_in

MOST_BESIDE = 50  # song files of one folder that are offered
RENDITIONS, PAGES, TAKE_AWAY = "renditions", "comparison", "take-away"


def make(bench: Bench, asked: Asked) -> Table:
    """Begin a work: `what` is render, page or export; rules are as typed, saved or not."""
    desk: Desk = bench.desk
    works = {"render": _render, "page": _page, "export": _export}
    what = asked.line("what")
    if what not in works:
        raise UsageError(f"{what} cannot be made; there are {', '.join(works)}")
    name = file_stem(asked.line("name", "rules"), fallback="rules")
    check_name(name)
    made = desk.plan(asked.lines("rules"), name=name)
    work = works[what](desk, made, asked)
    return bench.tasks.begin(what, work).view()


def _render(desk: Desk, made: Plan, asked: Asked) -> Any:
    opened, folder = desk.handle, place_in(desk.folder, RENDITIONS)
    with_control = asked.flag("control", True)

    def work(tell: Progress) -> Table:
        with _in_turn(desk, tell):
            manifests = pipeline.write_versions(
                opened, plans=[made], out=folder, control=with_control, progress=tell
            )
        warnings = [line for manifest in manifests.values() for line in manifest["warnings"]]
        return {"places": [f"{RENDITIONS}/{made.name}"], "warnings": warnings}

    return work


@contextmanager
def _in_turn(desk: Desk, tell: Progress) -> Iterator[None]:
    """One rendering of this server at a time, as they share the unaltered files."""
    while not desk.rendering.acquire(timeout=0.1):
        tell("waiting for another rendering", 0.0)
    try:
        yield
    finally:
        desk.rendering.release()


def _page(desk: Desk, made: Plan, asked: Asked) -> Any:
    opened = desk.handle
    path = place_in(desk.folder, f"{PAGES}/{made.name}.html")
    which = _which(desk, made)
    stems = asked.line("beside", "")
    beside = safe_child_path(desk.folder, stems) if stems else None

    def work(tell: Progress) -> Table:
        page = pipeline.compare_page([opened], out=path, beside=beside, progress=tell, **which)
        said = [*page.differences, *page.warnings]
        return {"places": [f"{PAGES}/{path.name}"], "warnings": said}

    return work


def beside(bench: Bench, asked: Asked) -> Table:
    """The song files of the folder that have stems, to measure a finished mix against; none
    beside a song that has stems itself."""
    desk: Desk = bench.desk
    if not _is_mix(desk.opened.song):
        return {"songs": []}
    found = [path for path in sorted(desk.folder.glob("*.toml")) if path != desk.path]
    return {"songs": [path.name for path in found[:MOST_BESIDE] if _has_stems(desk, path.name)]}


def _has_stems(desk: Desk, name: str) -> bool:
    try:
        return not _is_mix(read_song(safe_child_path(desk.folder, name)))
    except RetuneError:
        return False


def _is_mix(song: Song) -> bool:
    roles = {stem.role for stem in song.stems.values()}
    return "mix" in roles and "melody" not in roles


def _export(desk: Desk, made: Plan, asked: Asked) -> Any:
    opened, folder = desk.handle, place_in(desk.folder, TAKE_AWAY)
    formats = list(asked.lines("formats"))
    if not formats:
        raise UsageError("choose at least one kind of file")
    which = _which(desk, made)

    def work(tell: Progress) -> Table:
        made_files = pipeline.export(opened, formats=formats, out=folder, progress=tell, **which)
        places = [_below(path, desk.folder) for path in made_files.paths]
        return {"places": places, "warnings": list(made_files.warnings)}

    return work


class Which(TypedDict, total=False):
    """A variant, as `compare_page` and `export` take it."""

    variants: list[str]
    rules: list[str]


def _which(desk: Desk, made: Plan) -> Which:
    """A variant by its name where the song file has it so, else its rules."""
    saved = desk.opened.song.variants.get(made.name)
    if saved is not None and desk.plan(saved.rules).rules == made.rules:
        return {"variants": [made.name]}
    return {"rules": list(made.rules)}


def _below(path: Path, folder: Path) -> str:
    return path.resolve().relative_to(folder.resolve()).as_posix()


def task(bench: Bench, asked: Asked) -> Table:
    """How far a task is."""
    return bench.tasks.find(asked.line("id")).view()


def stop_task(bench: Bench, asked: Asked) -> Table:
    """Ask a task to stop, and tell how far it is."""
    found = bench.tasks.find(asked.line("id"))
    found.stop.set()
    return found.view()


def blind_design(bench: Bench, asked: Asked) -> Table:
    """The trials of a blind test between two versions, over the phrases given: pairs, or
    (`rating`) one version at a time."""
    if asked.flag("rating"):
        rated = rating_design(
            (asked.line("first"), asked.line("second")),
            passages=asked.lines("passages"),
            n_each=max(asked.whole("n_pairs", 8) // 2, 1),
            seed=asked.whole("seed", 1),
            sheet=asked.whole("sheet", 1),
        )
        return _asked(rated)
    design = pair_design(
        (asked.line("first"), asked.line("second")),
        passages=asked.lines("passages"),
        n_pairs=asked.whole("n_pairs", 16),
        n_identical=asked.whole("n_identical", 2),
        n_practice=asked.whole("n_practice", 1),
        seed=asked.whole("seed", 1),
        sheet=asked.whole("sheet", 1),
    )
    return _asked(design)


def _asked(design: Design) -> Table:
    n_pairs = design.count("pair")
    power = power_words(n_pairs) if n_pairs else ""
    return {**design.to_json(), "verdicts": verdicts(design), "power": power}
