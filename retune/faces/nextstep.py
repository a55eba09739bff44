"""`retune` alone: what to do next in the folder one stands in, in five lines."""

from __future__ import annotations

from pathlib import Path

from retune import __version__
from retune.carriers.text import printable

SOUND = (".wav", ".flac", ".ogg", ".mp3", ".aiff", ".aif", ".m4a", ".mp4", ".opus", ".webm", ".mov")


def next_steps(folder: Path) -> list[str]:
    """Five lines: what retune is, what is here, and the commands that go on from there."""
    songs = [path for path in _found(folder, ("song.toml", "*/song.toml")) if path.is_file()]
    sounds = [path for path in _found(folder, ("*",)) if path.suffix.lower() in SOUND]
    if songs:
        place = _shown(songs[0].relative_to(folder))
        more = f" (and {len(songs) - 1} more)" if len(songs) > 1 else ""
        here = f"Here is a song file: {place}{more}."
        steps = [
            f"  retune analyze {place}      how each phrase ends",
            f"  retune serve {place}        see it, write rules and hear them, in a browser",
        ]
    elif sounds:
        place = _shown(sounds[0].relative_to(folder))
        here = f"Here {'is a recording' if len(sounds) == 1 else 'are recordings'}: {place}."
        steps = [
            f"  retune analyze {place}      if it is one voice alone",
            "  retune serve                make a song of these files, in a browser",
        ]
    else:
        here = "There is no song and no recording in this folder."
        steps = [
            "  retune demo                 write a demo song and run the whole job on it",
            "  retune serve                begin with recordings of your own, in a browser",
        ]
    said = f"retune {__version__}: change how a song's phrases end, and hear the difference."
    return [said, here, *steps, "  retune --help               every command; retune help: topics"]


def _found(folder: Path, patterns: tuple[str, ...]) -> list[Path]:
    try:
        return [path for pattern in patterns for path in sorted(folder.glob(pattern))]
    except OSError:
        return []


def _shown(path: Path) -> str:
    """A path as a shell takes it."""
    text = printable(str(path))
    return f'"{text}"' if " " in text else text
