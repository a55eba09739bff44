"""The command line: parse, call the pipeline, show. No heavy import before a command runs."""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NoReturn

from retune import __version__
from retune.carriers.errors import InputError, RetuneError, UsageError
from retune.faces import options
from retune.faces.stopping import let_signals_stop, stopped_by
from retune.faces.streams import forget_readers, ready_streams

DONE, FAILED, MISUSED = 0, 1, 2


class Parser(argparse.ArgumentParser):
    """A parser whose errors are one line, as every other error of the program."""

    def error(self, message: str) -> NoReturn:
        line = " ".join(message.split())
        sys.stderr.write(f"retune: error: {line} (see: {self.prog} --help)\n")
        raise SystemExit(MISUSED)


def build_parser() -> argparse.ArgumentParser:
    """The whole command line, one sub-parser a command."""
    parser = Parser(
        prog="retune",
        description="Re-pitch the phrase endings of a sung melody by rule, and compare.",
        epilog="Begin with: retune demo",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"retune {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=Parser)
    for name, (about, example, add) in COMMANDS.items():
        sub = commands.add_parser(
            name,
            help=about,
            description=about[0].upper() + about[1:] + ".",
            epilog=f"example:\n  {example}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        add(sub)
        sub.add_argument("--quiet", action="store_true", help="no progress, no closing words")
        sub.add_argument("--debug", action="store_true", help="show the traceback of an error")
    return parser


def _demo(sub: argparse.ArgumentParser) -> None:
    sub.add_argument(
        "--out",
        type=options.name,
        default="lantern-song",
        metavar="DIR",
        help="default: lantern-song",
    )


def _analyze(sub: argparse.ArgumentParser) -> None:
    options.song(sub)
    options.part(sub)
    options.as_json(sub)


def _plan(sub: argparse.ArgumentParser) -> None:
    options.song(sub)
    options.part(sub)
    options.rules(sub, many=False)
    options.as_json(sub)


def _render(sub: argparse.ArgumentParser) -> None:
    options.song(sub)
    options.part(sub)
    options.rules(sub, many=True)
    sub.add_argument(
        "--out", type=options.name, required=True, metavar="DIR", help="folder for the renditions"
    )
    options.making(sub)
    options.as_json(sub)


def _compare(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("song", type=options.name, nargs="+", metavar="SONG", help="song files")
    options.facts(sub)
    chosen = sub.add_mutually_exclusive_group()
    chosen.add_argument(
        "--variant", nargs="+", action="extend", metavar="NAME", help="default: every variant"
    )
    chosen.add_argument("--rule", nargs="+", action="extend", metavar="TEXT", help="rules")
    sub.add_argument(
        "--out", type=options.name, required=True, metavar="PAGE.html", help="the page to write"
    )
    options.engine(sub)
    sub.add_argument(
        "--beside", metavar="STEMS.toml", help="the same music from stems, to measure a mix against"
    )
    sub.add_argument("--no-control", action="store_true", help="leave the matched control out")
    options.part(sub)
    sub.add_argument("--phrase", metavar="N", help="phrases such as 2 or 2-4")
    sub.add_argument("--format", choices=("opus", "flac"), default="opus", help="default: opus")


def _batch(sub: argparse.ArgumentParser) -> None:
    sub.add_argument(
        "song",
        type=options.name,
        nargs="+",
        metavar="SONG",
        help="song files, or addresses: s3://...",
    )
    sub.add_argument(
        "--variants", type=options.name, metavar="FILE", help="one variants file for every song"
    )
    sub.add_argument("--out", type=options.name, metavar="DIR", help="folder for everything made")
    options.listed(sub, "--format", "F,F", "tables of a study: csv,parquet,jams", default="csv")
    where = sub.add_mutually_exclusive_group()
    where.add_argument(
        "--jobs", type=options.count, default=1, metavar="N", help="processes here, at most"
    )
    where.add_argument("--dask", metavar="ADDRESS", help="a Dask scheduler: tcp://host:8786")
    sub.add_argument("--resume", action="store_true", help="skip what is whole, redo the rest")
    sub.add_argument(
        "--report",
        type=options.name,
        metavar="DIR",
        help="an index page and a table of endings; without --out a study: nothing is rendered",
    )
    options.making(sub)
    sub.add_argument("--tracker", default="pyin", help="pyin, librosa, swift-f0 or csv:FILE")
    sub.add_argument("--no-cache", action="store_true", help="hear every stem anew")
    options.as_json(sub)


def _verify(sub: argparse.ArgumentParser) -> None:
    sub.add_argument(
        "folder", type=options.name, metavar="DIR", help="a folder that render or batch wrote"
    )
    sub.add_argument(
        "--song", type=options.name, metavar="SONG", help="render from this song file, not from DIR"
    )
    options.as_json(sub)


def _export(sub: argparse.ArgumentParser) -> None:
    options.song(sub)
    options.part(sub)
    chosen = sub.add_mutually_exclusive_group()
    chosen.add_argument(
        "--variant", nargs="+", action="extend", metavar="NAME", help="default: every variant"
    )
    chosen.add_argument("--rule", nargs="+", action="extend", metavar="TEXT", help="rules")
    sub.add_argument(
        "--out", type=options.name, required=True, metavar="DIR", help="folder for the files"
    )
    kinds = "midi, musicxml, csv, parquet, jams, lab, svg, png, pdf, pptx, mp4, stems, blind"
    options.listed(sub, "--format", "F,F", f"of {kinds}", required=True)
    options.engine(sub)
    sub.add_argument(
        "--resolution", type=int, default=16, metavar="N", help="grid of the score: 8, 16, 32"
    )
    sub.add_argument("--bend", action="store_true", help="MIDI: tuning and cents as pitch bend")
    film = sub.add_argument_group("film (mp4)")
    options.listed(film, "--film", "V,V", "versions in turn: original,NAME,original")
    film.add_argument("--phrase", metavar="N", help="phrases such as 2 or 2-4")
    options.as_json(sub)


def _tally(sub: argparse.ArgumentParser) -> None:
    sub.add_argument(
        "responses",
        type=options.name,
        nargs="+",
        metavar="RESPONSES.csv",
        help="answers of listeners",
    )
    sub.add_argument("--version", metavar="NAME", help="the version that is counted")
    sub.add_argument("--one-sided", action="store_true", help="ask only whether it is chosen more")
    sub.add_argument(
        "--plot", type=options.name, metavar="FILE.svg", help="also draw shares and intervals"
    )
    options.as_json(sub)


def _serve(sub: argparse.ArgumentParser) -> None:
    sub.add_argument(
        "song",
        type=options.name,
        nargs="?",
        metavar="SONG",
        help="a song file; without one, begin a new song here",
    )
    options.part(sub)
    sub.add_argument(
        "--port", type=options.port, metavar="N", help="default: 8732, or any that is free"
    )
    sub.add_argument("--no-browser", action="store_true", help="print the address only")


def _help(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("topic", nargs="?", metavar="TOPIC", help="without one: the list of topics")


def _doctor(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--no-speed", action="store_true", help="leave the measurement of speed out")
    options.as_json(sub)


def _suggest(sub: argparse.ArgumentParser) -> None:
    options.song(sub)
    sub.add_argument("--write", action="store_true", help="add the variants to the song file")
    options.as_json(sub)


def _voice(sub: argparse.ArgumentParser) -> None:
    sub.add_argument(
        "song", type=options.name, metavar="MIX", help="a finished recording, or its song file"
    )
    sub.add_argument(
        "--out", type=options.name, required=True, metavar="VOICE.wav", help="the file to write"
    )
    sub.add_argument(
        "--separator", choices=("demucs",), help="ask one that is installed: retune[separate]"
    )
    sub.add_argument("--model", metavar="NAME", help="its model; default: htdemucs")
    sub.add_argument(
        "--models",
        type=options.name,
        metavar="DIR",
        help="a folder of models from a maker you trust",
    )
    sub.add_argument("--fetch", action="store_true", help="it may fetch its model over the network")


Adder = Callable[[argparse.ArgumentParser], None]
COMMANDS: dict[str, tuple[str, str, Adder]] = {
    "demo": (
        "write the demo song and run the whole job on it",
        "retune demo --out lantern-song",
        _demo,
    ),
    "analyze": (
        "find key, bars, phrases and notes, and show how each phrase ends",
        "retune analyze lantern-song/song.toml",
        _analyze,
    ),
    "plan": (
        "say what a rule would move and what would follow, without rendering",
        'retune plan lantern-song/song.toml --rule "move phrase-ending degree 2 to degree 1"',
        _plan,
    ),
    "render": (
        "write the altered stems and mixes",
        "retune render lantern-song/song.toml --variant home-early --out renditions --control",
        _render,
    ),
    "compare": (
        "make one self-contained page that puts the versions side by side",
        "retune compare lantern-song/song.toml --out lantern.html",
        _compare,
    ),
    "serve": (
        "open the workbench in a browser: write rules, see and hear them at once",
        "retune serve lantern-song/song.toml",
        _serve,
    ),
    "batch": (
        "render many songs and variants, on many processors or machines",
        "retune batch songs/*/song.toml --out renditions --jobs 4 --resume",
        _batch,
    ),
    "export": (
        "write files to take away: scores, tables, pictures, slides, films, stems",
        "retune export lantern-song/song.toml --out take-away --format midi,pdf,csv",
        _export,
    ),
    "suggest": (
        "find contrasting variants worth hearing, each with its reason",
        "retune suggest lantern-song/song.toml --write",
        _suggest,
    ),
    "voice": (
        "write the voice of a finished mix as a file of its own, to hear or to use",
        "retune voice lantern-song/mix.toml --out voice.wav",
        _voice,
    ),
    "tally": (
        "count the answers of a blind test, with exact statistics",
        "retune tally anna.csv ben.csv",
        _tally,
    ),
    "doctor": (
        "tell versions, optional parts, cache and speed, for a bug report",
        "retune doctor",
        _doctor,
    ),
    "help": (
        "explain a topic: rules, song-file, exports, blind-tests and more",
        "retune help rules",
        _help,
    ),
    "verify": (
        "render again from the manifests in a folder and say what differs",
        "retune verify renditions",
        _verify,
    ),
}


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command; returns the exit code: 0 done, 1 the work failed, 2 wrong input, and 128 plus
    the number of the signal that ended it (130 for Ctrl-C)."""
    ready_streams()
    try:
        # Older releases of Python mind a reader that leaves the help or the version, too.
        arguments = build_parser().parse_args(argv)
        return _say_what_is_next() if arguments.command is None else _run(arguments)
    except BrokenPipeError:
        forget_readers()
        return DONE


def _run(arguments: argparse.Namespace) -> int:
    try:
        let_signals_stop()
        _refuse_to_be_nowhere()
        commands = importlib.import_module("retune.faces.commands")
        commands.show.show_log()
        code: int = getattr(commands, arguments.command.replace("-", "_"))(arguments)
        sys.stdout.flush()
        return code
    except RetuneError as error:
        if arguments.debug:
            raise
        sys.stderr.write(f"retune: error: {error}\n{error.beneath()}")
        return MISUSED if isinstance(error, InputError) else FAILED
    except KeyboardInterrupt as stop:
        sys.stderr.write("retune: stopped; nothing half-written\n")
        return stopped_by(stop)
    except BrokenPipeError:
        raise
    except Exception as error:
        if arguments.debug:
            raise
        sys.stderr.write(f"retune: error: {_unforeseen(error)}\n")
        return FAILED


def _say_what_is_next() -> int:
    from retune.faces.nextstep import next_steps

    sys.stdout.write("\n".join(next_steps(Path.cwd())) + "\n")
    sys.stdout.flush()
    return DONE


def _unforeseen(error: Exception) -> str:
    """An error that is not ours in words; a full disk may stop a library anywhere."""
    from retune.carriers.text import printable
    from retune.sound.folders import FULL, write_reason

    if isinstance(error, OSError) and error.errno in FULL:
        return f"cannot write {error.filename or 'a file'}: {write_reason(error)}"
    if isinstance(error, MemoryError):
        return "there is not enough memory; close other programs, or split the recording"
    words = printable(f"{type(error).__name__}: {error}")
    return f"unexpected: {words} (--debug shows where)"


def _refuse_to_be_nowhere() -> None:
    """Libraries fail in many ways, some as they are imported, where the current folder is gone."""
    try:
        os.getcwd()
    except FileNotFoundError as error:
        raise UsageError(
            "the current folder was removed; change to one that exists (cd) and run again"
        ) from error


if __name__ == "__main__":
    raise SystemExit(main())
