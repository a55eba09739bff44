"""Facts as tables and words for a terminal. Standard error for progress, warnings and closing
words; standard output for what was asked."""

from __future__ import annotations

import json
import logging
import re
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from retune.carriers.barlines import meter_words, tempo_words
from retune.carriers.changes import Edit, Plan
from retune.carriers.heard import Analysis, Note
from retune.carriers.songfacts import Variant
from retune.carriers.text import counted, pretty, printable
from retune.comparison.consequence_words import told
from retune.pipeline.records import Manifest

_STEERING = re.compile("[\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
"""What steers a terminal, and JSON leaves as it is."""
PATIENCE_S = 1.0
"""Work longer than this shows progress."""
LINE_EVERY_S = 10.0

ENDING_MARK = {"at rest": "■", "partly at rest": "⬙", "open": "○"}


def as_json(value: Any) -> None:
    """One JSON value on standard output, and nothing else there."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, indent=1)
    sys.stdout.write(_STEERING.sub(lambda sign: f"\\u{ord(sign[0]):04x}", text) + "\n")


def warn(lines: Sequence[str]) -> None:
    """Warnings, a line each, on standard error."""
    for line in lines:
        sys.stderr.write(f"retune: warning: {printable(line)}\n")


class _FromRooms(logging.Handler):
    """What the rooms log, as warnings of the command."""

    def emit(self, record: logging.LogRecord) -> None:
        warn([record.getMessage()])


def show_log() -> None:
    """Show what the rooms log."""
    log = logging.getLogger("retune")
    if not any(isinstance(handler, _FromRooms) for handler in log.handlers):
        log.addHandler(_FromRooms())


def say(line: str, *, quiet: bool = False) -> None:
    """A closing word on standard error."""
    if not quiet:
        sys.stderr.write("\n".join(map(printable, line.split("\n"))) + "\n")


def console(**options: Any) -> Any:
    """A rich console that leaves it to `retune.faces.cli.main` what a reader that left means."""
    from rich.console import Console

    class Plain(Console):
        def on_broken_pipe(self) -> None:
            raise BrokenPipeError

    return Plain(**options)


@contextmanager
def progress(*, quiet: bool) -> Iterator[Any]:
    """A callback (stage, fraction) that draws a bar once work has lasted a second; outside a
    terminal it writes a line every ten seconds."""
    if quiet:
        yield lambda stage, fraction: None
        return
    if not sys.stderr.isatty():
        yield _lines_of_progress()
        return
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    bar = Progress(*columns, console=console(stderr=True), transient=True)
    began, task, started = time.monotonic(), bar.add_task("", total=1.0), False

    def tell(stage: str, fraction: float) -> None:
        nonlocal started
        if not started and time.monotonic() - began > PATIENCE_S:
            bar.start()
            started = True
        bar.update(task, description=stage, completed=min(fraction, 1.0))

    try:
        yield tell
    finally:
        bar.stop()


def _lines_of_progress() -> Callable[[str, float], None]:
    """A callback (stage, fraction) for a log: a line at most every ten seconds."""
    last = time.monotonic()

    def tell(stage: str, fraction: float) -> None:
        nonlocal last
        if time.monotonic() - last >= LINE_EVERY_S:
            last = time.monotonic()
            sys.stderr.write(f"retune: {printable(stage)}, {100 * min(fraction, 1.0):.0f} %\n")
            sys.stderr.flush()

    return tell


def table(title: str, columns: Sequence[str], rows: Sequence[Sequence[str]]) -> Any:
    """A table of plain text."""
    made = _table(title, columns)
    for row in rows:
        made.add_row(*map(_cell, row))
    return made


def print_lines(*things: Any) -> None:
    """Lines of text or tables on standard output."""
    _print(*things)


def _table(title: str, columns: Sequence[str]) -> Any:
    from rich import box
    from rich.table import Table

    table = Table(
        title=printable(title),
        title_justify="left",
        box=box.SIMPLE_HEAD,
        title_style="bold",
        padding=(0, 1, 0, 0),
    )
    for column in columns:
        # Facts stay on one line; only the last column, words, may wrap.
        table.add_column(printable(column), no_wrap=column != columns[-1])
    return table


def _print(*things: Any) -> None:
    terminal = console(highlight=False)
    for thing in things:
        if isinstance(thing, str):
            terminal.print("\n".join(map(printable, thing.split("\n"))), markup=False)
        else:
            terminal.print(thing)


def _cell(text: str) -> Any:
    from rich.text import Text

    return Text(printable(text))


def show_analysis(analysis: Analysis) -> None:
    """Key, bars and, for every stem with phrases, how each phrase ends."""
    _print(analysis.title, ", ".join(_facts(analysis)))
    for stem in analysis.stems.values():
        kind = f"{stem.role} inside {stem.inside}" if stem.inside else stem.role
        if not stem.notes:
            heard = "no notes heard" if stem.track is not None else "not read for notes"
            _print(f"{stem.name} ({kind}): {heard}")
            continue
        table = _table(
            f"{stem.name} ({kind}): {counted(len(stem.notes), 'note')}, "
            f"{counted(len(stem.phrases), 'phrase')}",
            ("phrase", "bar", "time", "ends on", "degree", "over", "as", "cadence", "ending"),
        )
        for phrase in stem.phrases:
            if phrase.ending_note is None:
                table.add_row(str(phrase.index), "", f"{phrase.start_s:.1f} s", "no note")
                continue
            note = stem.note(phrase.ending_note)
            table.add_row(*map(_cell, _ending_cells(phrase.index, note, phrase)))
        if stem.phrases:
            _print(table)
        else:
            _print(f"{stem.name} ({kind}): {counted(len(stem.notes), 'note')}")
    _print(*_cadence_words(analysis))


def _cadence_words(analysis: Analysis) -> list[str]:
    """What the abbreviations of the cadences in the tables stand for."""
    from retune.comparison.picture_words import CADENCES_IN_SHORT

    stems = analysis.stems.values()
    named = {phrase.cadence for stem in stems if stem.notes for phrase in stem.phrases}
    used = [f"{short} {name}" for name, short in CADENCES_IN_SHORT.items() if name in named]
    return [f"cadences: {', '.join(used)}"] if used else []


def _facts(analysis: Analysis) -> list[str]:
    """What is known of the whole song; what was not found is said so, once."""
    from retune.comparison.estimated import bars_told, chords_told, key_told
    from retune.comparison.picture_time import bars_sung

    bars, key, found = analysis.bars, analysis.key, bool(analysis.bars.downbeats_s)
    source = key_told(analysis) or analysis.key_source
    facts = [f"key {pretty(str(key))} ({source})" if key else "no key found"]
    if found:
        facts.append(f"meter {meter_words(bars)}")
        source = bars_told(analysis) or bars.source
        facts.append(f"{tempo_words(bars)} ({source})")
        facts.append(counted(bars_sung(analysis), "bar"))
    else:
        facts.append("no beat found")
    if told := chords_told(analysis):
        facts.append(f"chords {told}")
    if any(stem.notes for stem in analysis.stems.values()):
        facts.append(f"tuning A4 = {analysis.tuning_hz:.1f} Hz")
    return [*facts, f"{analysis.duration_s:.1f} s"]


def _ending_cells(index: int, note: Note, phrase: Any) -> list[str]:
    from retune.comparison.picture_words import CADENCES_IN_SHORT

    ending = phrase.ending or phrase.ending_melodic
    source = "" if phrase.ending else " (melody alone)"
    over = ""
    if note.chord is not None:
        over = pretty(" ".join(filter(None, (note.chord.roman, note.chord.typed))))
    return [
        str(index),
        "" if note.bar is None else str(note.bar),
        f"{note.start_s:.2f} s",
        f"{pretty(note.name)} in doubt" if note.is_doubtful else pretty(note.name),
        pretty(note.degree or "?"),
        over,
        note.chord_role or "",
        CADENCES_IN_SHORT.get(phrase.cadence or "", ""),
        f"{ENDING_MARK[ending]} {ending}{source}" if ending else "",
    ]


def show_plan(plan: Plan) -> None:
    """The edits as a table, then the consequences in words."""
    for rule in plan.rules:
        _print(f"rule: {rule}")
    if not plan.edits:
        _print("nothing moves")
    else:
        table = _table(
            f"{len(plan.edits)} moved",
            ("stem", "bar", "phrase", "time", "from, to", "degree", "cents", "over", "as"),
        )
        for edit in plan.edits:
            table.add_row(
                *map(
                    _cell,
                    (
                        edit.stem,
                        "" if edit.bar is None else str(edit.bar),
                        "" if edit.phrase is None else str(edit.phrase),
                        _times(edit),
                        _change(edit.from_name, edit.to_name),
                        _change(edit.from_degree, edit.to_degree),
                        f"{edit.shift_cents:+g}" if edit.shift_cents else "",
                        pretty(edit.chord or ""),
                        _change(edit.role_before, edit.role_after),
                    ),
                )
            )
        _print(table)
    if plan.caveat:
        _print(f"  {plan.caveat}")
    for one in told(plan.consequences):
        _print(f"  {'△ ' if one.is_clash else ''}{one.text}")


def _times(edit: Edit) -> str:
    """When a note begins; where it moves in time, from when to when it sounds and then will."""
    if not edit.moves_in_time:
        return f"{edit.start_s:.2f} s"
    start_s, end_s = edit.span_after
    return f"{edit.start_s:.2f}–{edit.end_s:.2f} s → {start_s:.2f}–{end_s:.2f} s"


def show_verdicts(manifest: Manifest) -> None:
    """How each edit of a finished mix came out, beside the edit."""
    edits = {(edit["stem"], edit["start_s"]): edit for edit in manifest["edits"]}
    rows = []
    for verdict in manifest["verdicts"]:
        edit = edits.get((verdict["stem"], verdict["start_s"]))
        bar = edit["bar"] if edit else None
        rows.append(
            (
                verdict["stem"],
                "" if bar is None else str(bar),
                f"{verdict['start_s']:.2f} s",
                _change(edit["from"] if edit else None, edit["to"] if edit else None),
                verdict["word"],
                verdict["text"],
            )
        )
    if rows:
        title = f"{manifest['variant']}, {manifest['caveat']}"
        _print(table(title, ("stem", "bar", "time", "from, to", "verdict", "why"), rows))


def show_suggestions(found: Sequence[tuple[Variant, str]]) -> None:
    """Variants worth hearing: name, what it is about, its rules, and the reason."""
    for variant, reason in found:
        _print(f"{variant.name}: {pretty(variant.about)}")
        for rule in variant.rules:
            _print(f"  {rule}")
        _print(f"  {pretty(reason)}", "")


def _change(before: str | None, after: str | None) -> str:
    if before is None and after is None:
        return ""
    return f"{pretty(before or '?')} → {pretty(after or '?')}"
