"""The demo song: found in a wheel and in a checkout, copied out for the user to work on."""

from __future__ import annotations

import shutil
from pathlib import Path

from retune.carriers.errors import OutputError
from retune.sound.files import atomic_write, missing_as
from retune.sound.folders import make_folder, named_folder, write_reason

SHIPPED = (
    "song.toml",
    "vocal.flac",
    "bass.flac",
    "harp.flac",
    "brushes.flac",
    "README.txt",
    "contrasts.toml",
    "mix.toml",
    "melody.csv",
    "answers/anna.csv",
    "answers/ben.csv",
)
OWN_TO_CHANGE = (".toml", ".csv")


def demo_folder() -> Path:
    """Where the demo song lies: inside an installed package, or at the top of a checkout.

    Raises
    ------
    OutputError
        The installation lacks it.
    """
    package = Path(__file__).resolve().parent.parent
    for folder in (package / "demo_audio", package.parent / "demo_audio"):
        if (folder / "song.toml").is_file():
            return folder
    raise OutputError("this installation has no demo song: install retune again")


def _are_alike(first: Path, second: Path) -> bool:
    """Whether two files hold the same, of which one may be of any length."""
    is_as_long = first.stat().st_size == second.stat().st_size
    return is_as_long and first.read_bytes() == second.read_bytes()


def write_demo(out: str | Path) -> Path:
    """Copy the demo song into folder `out` and return its song file.

    A file that is already there and differs is left alone: it may be the user's work.

    Raises
    ------
    OutputError
        A different file of that name exists, or the folder cannot be written.
    """
    source, folder = demo_folder(), named_folder(out)
    make_folder(folder)
    try:
        for name in SHIPPED:
            target = folder / name
            if target.exists():
                if missing_as(target):
                    raise OutputError(f"{target} {missing_as(target)}: choose another --out")
                if name.endswith(OWN_TO_CHANGE) or _are_alike(target, source / name):
                    continue
                raise OutputError(
                    f"{target} exists and is not the demo's: choose another folder with --out"
                )
            make_folder(target.parent)
            with (
                open(source / name, "rb") as shipped,
                atomic_write(target, in_place_of_others=False) as stream,
            ):
                shutil.copyfileobj(shipped, stream)
    except OSError as error:
        raise OutputError(f"cannot write the demo to {folder}: {write_reason(error)}") from error
    return Path(out) / "song.toml"
