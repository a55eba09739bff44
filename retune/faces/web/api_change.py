"""Changes to the song file: variants, corrections by hand, musical facts, undo and redo."""

from __future__ import annotations

from retune import __version__
from retune.carriers.errors import UsageError
from retune.carriers.songfacts import Variant
from retune.faces.web.answers import Bench, undisturbed
from retune.faces.web.asked import Asked
from retune.faces.web.desk import Desk
from retune.faces.web.given import set_given
from retune.faces.web.shown import song_view
from retune.pipeline.records import Table
from retune.song.songsave import SongEditor


@undisturbed
def save_variant(bench: Bench, asked: Asked) -> Table:
    """Write a variant; `rules` that do not read are refused, so that the file stays usable."""
    desk: Desk = bench.desk
    name, rules, about = asked.line("name"), asked.lines("rules"), asked.line("about", "")
    lines = desk.read(rules)
    for number, line in enumerate(lines, 1):
        if line.fault is not None:
            raise UsageError(f"rule {number} cannot be read; mend or remove it, then save")
    kept = [line.text.strip() for line in lines if line.canonical]
    if not kept:
        raise UsageError("a variant needs at least one rule")
    desk.change(
        lambda editor: editor.set_variant(name, kept, about=about),
        seen=asked.line("revision"),
    )
    return song_view(desk)


def keep_drafts(bench: Bench, asked: Asked) -> Table:
    """Keep the variants that a page has changed and not saved, and no longer those `gone` from it,
    should the page or the server end unforeseen."""
    rows = asked.objects("drafts")
    drafts = [Variant(row.line("name"), row.lines("rules"), row.text("about", "")) for row in rows]
    lost = bench.desk.keep_drafts(drafts, gone=asked.lines("gone"))
    return {"kept": len(drafts), "lost_since": lost}


@undisturbed
def remove_variant(bench: Bench, asked: Asked) -> Table:
    """Take a variant out of the song file."""
    desk: Desk = bench.desk
    name = asked.line("name")
    desk.change(lambda editor: editor.remove_variant(name), seen=asked.line("revision"))
    return song_view(desk)


@undisturbed
def correct(bench: Bench, asked: Asked) -> Table:
    """Add corrections by hand: a list of {stem, at_s, set}, saved as one change."""
    desk: Desk = bench.desk
    rows = [(row.line("stem"), row.number("at_s"), row.line("set")) for row in asked.objects("add")]
    if not rows:
        raise UsageError("no correction was given")

    def do(editor: SongEditor) -> None:
        for stem, at_s, words in rows:
            editor.add_correction(stem, round(at_s, 4), words, take=desk.take_of(stem))
        editor.set_heard_with(__version__)

    desk.change(do, seen=asked.line("revision"))
    return song_view(desk)


@undisturbed
def uncorrect(bench: Bench, asked: Asked) -> Table:
    """Remove one correction, as the song file has it."""
    desk: Desk = bench.desk
    stem, at_s, words = asked.line("stem"), asked.number("at_s"), asked.line("set")

    def do(editor: SongEditor) -> None:
        if not editor.remove_corrections(stem, at_s, words):
            raise UsageError("the song file has no such correction")

    desk.change(do, seen=asked.line("revision"))
    return song_view(desk)


@undisturbed
def music(bench: Bench, asked: Asked) -> Table:
    """Set facts of the song from fields of text; an empty field takes the fact away."""
    desk: Desk = bench.desk
    rows = [(row.line("name"), row.text("value").strip()) for row in asked.objects("set")]
    desk.change(lambda editor: set_given(editor, rows), seen=asked.line("revision"))
    return song_view(desk)


@undisturbed
def undo(bench: Bench, asked: Asked) -> Table:
    """Take the last change back."""
    bench.desk.undo(seen=asked.line("revision"))
    return song_view(bench.desk)


@undisturbed
def redo(bench: Bench, asked: Asked) -> Table:
    """Make the change again that was taken back last."""
    bench.desk.redo(seen=asked.line("revision"))
    return song_view(bench.desk)


@undisturbed
def reload(bench: Bench, asked: Asked) -> Table:
    """Take the song file as it is on disk now."""
    bench.desk.reload()
    return song_view(bench.desk)
