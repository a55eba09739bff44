"""Changes to the song file: variants, corrections by hand, musical facts, undo and redo."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from retune import __version__
from retune.carriers.errors import UsageError
from retune.carriers.text import cut_short
from retune.faces.web.answers import Bench, undisturbed
from retune.faces.web.asked import Asked
from retune.faces.web.desk import Desk
from retune.faces.web.shown import song_view
from retune.song.songsave import SongEditor

_NUMBERS = ("tempo_bpm", "first_downbeat_s", "tuning_hz")
_TEXTS = ("key", "meter", "chords", "guide")
_LISTS = ("phrases", "downbeats_s")
MUSIC_FIELDS = (*_TEXTS, *_NUMBERS, *_LISTS)


@undisturbed
def save_variant(bench: Bench, asked: Asked) -> dict[str, Any]:
    """Write a variant; `rules` that do not read are refused, so that the file stays usable."""
    desk: Desk = bench.desk
    name, rules, about = asked.line("name"), asked.lines("rules"), asked.line("about", "")
    lines = desk.read(rules)
    for number, line in enumerate(lines, 1):
        if line.fault is not None:
            raise UsageError(f"rule {number} cannot be read; mend it or take it away, then save")
    kept = [line.text.strip() for line in lines if line.canonical]
    if not kept:
        raise UsageError("a variant needs at least one rule")
    desk.change(
        lambda editor: editor.set_variant(name, kept, about=about),
        seen=asked.line("revision"),
    )
    return song_view(desk)


@undisturbed
def remove_variant(bench: Bench, asked: Asked) -> dict[str, Any]:
    """Take a variant out of the song file."""
    desk: Desk = bench.desk
    name = asked.line("name")
    desk.change(lambda editor: editor.remove_variant(name), seen=asked.line("revision"))
    return song_view(desk)


@undisturbed
def correct(bench: Bench, asked: Asked) -> dict[str, Any]:
    """Add corrections by hand: a list of {stem, at_s, set}, saved as one change."""
    desk: Desk = bench.desk
    rows = [(row.line("stem"), row.number("at_s"), row.line("set")) for row in asked.objects("add")]
    if not rows:
        raise UsageError("no correction was given")

    def do(editor: SongEditor) -> None:
        for stem, at_s, words in rows:
            editor.add_correction(stem, round(at_s, 4), words)
        editor.set_heard_with(__version__)

    desk.change(do, seen=asked.line("revision"))
    return song_view(desk)


@undisturbed
def uncorrect(bench: Bench, asked: Asked) -> dict[str, Any]:
    """Remove one correction, as the song file has it."""
    desk: Desk = bench.desk
    stem, at_s, words = asked.line("stem"), asked.number("at_s"), asked.line("set")

    def do(editor: SongEditor) -> None:
        if not editor.remove_corrections(stem, at_s, words):
            raise UsageError("the song file has no such correction")

    desk.change(do, seen=asked.line("revision"))
    return song_view(desk)


@undisturbed
def music(bench: Bench, asked: Asked) -> dict[str, Any]:
    """Set musical facts from fields of text; an empty field takes the fact away."""
    desk: Desk = bench.desk
    values = {}
    for row in asked.objects("set"):
        name = row.line("name")
        if name not in MUSIC_FIELDS:
            raise UsageError(f"{name} cannot be set here; there are {', '.join(MUSIC_FIELDS)}")
        values[name] = music_value(name, row.text("value").strip())
    desk.change(lambda editor: _set_music(editor, values), seen=asked.line("revision"))
    return song_view(desk)


def _set_music(editor: SongEditor, values: dict[str, Any]) -> None:
    """A fact that excludes another takes its place."""
    if values.get("chords") is not None:
        values = {**values, "chords_file": None}
    if values.get("first_downbeat_s") is not None or values.get("tempo_bpm") is not None:
        values = {**values, "downbeats_s": None}
    if values.get("downbeats_s") is not None:
        values = {**values, "first_downbeat_s": None, "tempo_bpm": None}
    editor.set_music(**values)


def music_value(name: str, text: str) -> Any:
    """The text of a field as the song file holds it; None for an empty one.

    Raises
    ------
    UsageError
        A number or a list of phrases does not read.
    """
    if not text:
        return None
    if name == "guide" and Path(text).name != text:
        raise UsageError(
            f'guide: "{cut_short(text)}" is no plain name; put it beside the song file'
        )
    if name in _NUMBERS:
        if text == "auto":
            return text
        try:
            return float(text)
        except ValueError:
            raise UsageError(f'{name}: "{text}" is not a number; write a number or auto') from None
    if name == "downbeats_s" or (name == "phrases" and text.startswith("[")):
        try:
            return tomllib.loads(f"value = {text}")["value"]
        except (tomllib.TOMLDecodeError, RecursionError):
            form = "[[start, end], ...]" if name == "phrases" else "[start, start, ...]"
            raise UsageError(f'{name}: "{cut_short(text)}" does not read; write {form}') from None
    return text


@undisturbed
def undo(bench: Bench, asked: Asked) -> dict[str, Any]:
    """Take the last change back."""
    bench.desk.undo(seen=asked.line("revision"))
    return song_view(bench.desk)


@undisturbed
def redo(bench: Bench, asked: Asked) -> dict[str, Any]:
    """Make the change again that was taken back last."""
    bench.desk.redo(seen=asked.line("revision"))
    return song_view(bench.desk)


@undisturbed
def reload(bench: Bench, asked: Asked) -> dict[str, Any]:
    """Take the song file as it is on disk now."""
    bench.desk.reload()
    return song_view(bench.desk)
