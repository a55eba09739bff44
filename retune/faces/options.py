"""Options that several commands share, and the checks of what is given for them."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import Any


class _AndAlso(argparse.Action):
    """An option that is given more than once counts as one list: "midi,svg"."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: str | Sequence[Any] | None,
        option_string: str | None = None,
    ) -> None:
        before = getattr(namespace, self.dest)
        given = values if before is self.default else f"{before},{values}"
        setattr(namespace, self.dest, given)


def listed(
    sub: argparse._ActionsContainer,
    flag: str,
    metavar: str,
    what: str,
    *,
    default: str | None = None,
    required: bool = False,
) -> None:
    """A list with commas, which may also be given one by one."""
    sub.add_argument(
        flag, action=_AndAlso, default=default, required=required, metavar=metavar, help=what
    )


def song(sub: argparse.ArgumentParser) -> None:
    """The song, and the facts of a bare recording."""
    sub.add_argument(
        "song", type=name, metavar="SONG", help="a song file (song.toml) or a solo recording"
    )
    facts(sub)


def facts(sub: argparse.ArgumentParser) -> None:
    """Facts of a bare recording, and how it is heard."""
    facts = sub.add_argument_group("facts for a bare recording (a song file has its own)")
    facts.add_argument("--key", metavar="KEY", help='such as "Bb major"')
    facts.add_argument("--meter", metavar="M", help="such as 3/4")
    facts.add_argument("--tempo", metavar="BPM", help="written beats a minute")
    facts.add_argument("--downbeat", metavar="S", help="time of the first downbeat in seconds")
    facts.add_argument("--chords", metavar="CHART", help='one cell a bar: "Bb | F7 | Bb"')
    facts.add_argument("--phrases", metavar="P", help='"auto" or "every 4 bars"')
    facts.add_argument(
        "--guide", metavar="FILE", help="it is a finished mix: its melody as CSV, MIDI or hummed"
    )
    facts.add_argument("--mix", action="store_true", help="it is a finished mix, without a guide")
    hearing = sub.add_argument_group("hearing")
    hearing.add_argument("--tracker", default="pyin", help="pyin, librosa, swift-f0 or csv:FILE")
    hearing.add_argument("--no-cache", action="store_true", help="hear every stem anew")


def part(sub: argparse.ArgumentParser) -> None:
    """A part of the song."""
    sub.add_argument(
        "--from", dest="from_", metavar="TIME", help="work on a part: 48s, 0:48 or bar:beat"
    )
    sub.add_argument("--to", metavar="TIME", help="where the part ends")


def as_json(sub: argparse.ArgumentParser) -> None:
    """Facts as JSON."""
    sub.add_argument("--json", action="store_true", help="facts as JSON on standard output")


def rules(sub: argparse.ArgumentParser, *, many: bool) -> None:
    """Which variants, or which rules."""
    chosen = sub.add_mutually_exclusive_group(required=True)
    if many:
        chosen.add_argument(
            "--variant", nargs="+", action="extend", metavar="NAME", help="variants of the song"
        )
        chosen.add_argument("--all", action="store_true", help="every variant of the song")
    else:
        chosen.add_argument("--variant", metavar="NAME", help="a variant of the song")
    chosen.add_argument("--rule", nargs="+", action="extend", metavar="TEXT", help="rules")


def engine(sub: argparse.ArgumentParser) -> None:
    """Which engine moves notes."""
    sub.add_argument(
        "--engine", default="auto", metavar="NAME", help="auto, psola, stretch, rubberband, world"
    )


def name(text: str) -> str:
    """The name of a file or folder; an empty one would stand for the folder one is in."""
    if not text.strip() or "\0" in text:
        said = "holds a NUL character" if text.strip() else "is empty"
        raise argparse.ArgumentTypeError(f"the name {said}; give one")
    return text


def count(text: str) -> int:
    """A number of processes."""
    number = int(text) if text.isdecimal() else 0
    if not 1 <= number <= 1024:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of processes, 1 to 1024")
    return number


def making(sub: argparse.ArgumentParser) -> None:
    """Everything about how files are made."""
    engine(sub)
    sub.add_argument("--subtype", metavar="S", help="PCM_16, PCM_24, FLOAT (default: exact)")
    sub.add_argument("--control", action="store_true", help="also the matched control")
    sub.add_argument(
        "--changed-only", action="store_true", help="do not write again what nothing moved"
    )


def port(text: str) -> int:
    """A port of this machine."""
    number = int(text) if text.isdecimal() else 0
    if not 1 <= number <= 65535:
        raise argparse.ArgumentTypeError(f"{text!r} is not a port, 1 to 65535")
    return number
