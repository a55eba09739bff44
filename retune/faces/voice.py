"""`retune voice`: the voice of a finished mix as a sound file."""

from __future__ import annotations

import argparse
from pathlib import Path

from retune import pipeline
from retune.carriers.errors import UsageError
from retune.faces import show
from retune.pipeline.voice_file import BySeparator, write_voice

MODEL = "htdemucs"
FETCHES = (
    "demucs takes the model {model} from what it fetched before, or now fetches it over the network"
)
ASK_FIRST = (
    "--separator demucs needs its model {model}: allow demucs to fetch it over the network, some "
    "tens to hundreds of megabytes, with --fetch, or name a folder that has it with --models"
)


def voice(arguments: argparse.Namespace) -> int:
    """Run the command."""
    by = _separator(arguments)
    is_song_file = Path(arguments.song).suffix.lower() == ".toml"
    opened = pipeline.open_song(arguments.song, mix=not is_song_file)
    if by is not None and by.models is None:
        show.say(FETCHES.format(model=by.model), quiet=arguments.quiet)
    with show.progress(quiet=arguments.quiet) as tell:
        made = write_voice(opened.inputs, out=arguments.out, by=by, progress=tell)
    show.say(
        f"{made.path}\n"
        f"listen to it; where it is better than the estimate, write under [stems.{made.stem}]:\n"
        f'voice = "{made.path.name}"',
        quiet=arguments.quiet,
    )
    return 0


def _separator(arguments: argparse.Namespace) -> BySeparator | None:
    if arguments.separator is None:
        given = next((n for n in ("model", "models", "fetch") if getattr(arguments, n)), None)
        if given:
            raise UsageError(f"--{given} goes with --separator demucs")
        return None
    model = arguments.model or MODEL
    if arguments.models is None and not arguments.fetch:
        raise UsageError(ASK_FIRST.format(model=model))
    return BySeparator(model, None if arguments.models is None else Path(arguments.models))
