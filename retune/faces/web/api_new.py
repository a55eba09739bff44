"""A new song: stems dropped on the page or lying in the folder, and the first facts."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Collection
from pathlib import Path
from typing import Any

import numpy as np
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response

from retune import __version__, pipeline
from retune.carriers.errors import InputError, OutputError, RetuneError, UsageError
from retune.carriers.heard import ROLES, Role
from retune.carriers.text import file_stem, lost_on_windows, printable
from retune.faces.web.answers import Bench, told
from retune.faces.web.asked import Asked
from retune.faces.web.desk import Desk
from retune.faces.web.given import MUSIC_FIELDS, music_value
from retune.faces.web.shown import song_view
from retune.pipeline.part_guess import PartGuess, guessed_parts
from retune.pipeline.records import Table
from retune.song.guide import MIDI_SUFFIXES
from retune.song.midifile import read_midi
from retune.song.songfile import parse_song
from retune.song.songschema import FORMAT
from retune.song.textfile import read_bytes
from retune.sound.audio import AUDIO_SUFFIXES, AudioFile, open_audio
from retune.sound.files import atomic_write, take_free_name, unfinished_in
from retune.sound.folders import HeldFolder, held, named_folder, place_in, write_reason

MAX_FILE_BYTES = 1_000_000_000
MAX_FILES = 64
MAX_NAME_BYTES = 200  # most disks hold 255; what is made from it has a longer name
SONG_FILE = "song.toml"
# Kinds in which people have finished recordings, and films with sound.
_PASSED_ON = {".mp3", ".m4a", ".aac", ".mp4", ".mov", ".webm", ".wma", ".opus"}
SEEN_S = 20.0
LEAST_SIDE = 0.01  # 20 dB: a voice with a little stereo reverb has less (a guess, no source)
# No separator, drive, stream or wildcard of any system, no dot first or space last.
_PLAIN_NAME = re.compile(r'[^\s./\\:*?"<>|][^/\\:*?"<>|]{0,199}(?<![\s.])')


def files(bench: Bench, asked: Asked) -> Table:
    """The sound files of the folder, each with a guess at its role; where the guess is from its
    sound, `reason` says why. `maps` are its MIDI files, which may hold the tempo."""
    folder = bench.desk.folder
    opened: dict[str, AudioFile] = {}
    faults: dict[str, str] = {}
    for path in _files_of(folder, AUDIO_SUFFIXES)[:MAX_FILES]:
        try:
            opened[path.name] = open_audio(path)
        except InputError as error:
            faults[path.name] = str(error)
    guessed = guessed_parts(opened)
    if len(opened) == 1 and not faults:
        guessed = {name: PartGuess(_alone(folder / name)) for name in opened}
    rows = [
        {
            "file": name,
            "duration_s": opened[name].duration_s if name in opened else 0.0,
            "error": faults.get(name, ""),
            "role": guessed[name].role if name in guessed else "backing",
            "reason": guessed[name].reason if name in guessed else "",
        }
        for name in sorted([*opened, *faults])
    ]
    maps = [path.name for path in _files_of(folder, MIDI_SUFFIXES)]
    return {"folder": folder.name, "files": rows, "roles": list(ROLES), "maps": maps[:MAX_FILES]}


def _alone(path: Path) -> Role:
    """What a file without company likely is: a finished recording where it is of a kind that
    people pass on, or where its two channels differ in the middle; else one voice."""
    audio = open_audio(path)
    if path.suffix.lower() in _PASSED_ON:
        return "mix"
    half, middle = round(SEEN_S * audio.rate_hz / 2), round(audio.duration_s * audio.rate_hz / 2)
    seen = audio.read(max(middle - half, 0), middle + half)
    if seen.ndim < 2 or seen.shape[1] < 2:
        return "melody"
    mid, side = (np.sum((seen[:, 0] + way * seen[:, 1]) ** 2) for way in (1, -1))
    return "mix" if side > LEAST_SIDE * mid else "melody"


def _files_of(folder: Path, suffixes: Collection[str]) -> list[Path]:
    try:
        found = [path for path in folder.iterdir() if path.suffix.lower() in suffixes]
        return sorted(path for path in found if path.is_file())
    except OSError as error:
        raise UsageError(f"the folder {folder.name} cannot be read: {error.strerror}") from error


def new_song(bench: Bench, asked: Asked) -> Table:
    """Write a song file for stems of the folder and open it. Never over an existing one."""
    import tomlkit

    desk: Desk = bench.desk
    path = named_folder(desk.folder) / SONG_FILE
    if os.path.lexists(path):
        raise UsageError(f"{SONG_FILE} is already there: open it with retune serve {SONG_FILE}")
    document = tomlkit.document()
    document["format"] = FORMAT
    document["heard_with"] = __version__
    document["title"] = asked.line("title", "") or desk.folder.resolve().name
    document["rights"] = asked.line("rights", "")
    stems = tomlkit.table(is_super_table=True)
    for row in asked.objects("stems"):
        table = tomlkit.table()
        table["file"], table["role"] = row.line("file"), row.line("role")
        stems[_stem_name(row.line("file"), taken=set(stems))] = table
    document["stems"] = stems
    music = tomlkit.table()
    for row in asked.objects("music"):
        name, value = row.line("name"), row.text("value").strip()
        if name not in MUSIC_FIELDS:
            raise UsageError(f"{name} cannot be set here; there are {', '.join(MUSIC_FIELDS)}")
        if value:
            music[name] = music_value(name, value)
    document["music"] = music
    text = tomlkit.dumps(document)
    parse_song(text, path=path)
    with atomic_write(path, "w", in_place_of_others=False) as stream:
        stream.write(text)
    desk.open(path)
    try:
        return song_view(desk)
    except InputError:  # a fact that only the sound tells wrong: the form is sent again
        desk.shut()
        if path.is_file() and path.read_bytes() == text.encode():  # hearing took its time
            path.unlink()
        raise


def _stem_name(file: str, *, taken: set[str]) -> str:
    whole = file_stem(Path(file).stem, fallback="stem")
    base = re.sub(r"^[^A-Za-z]+", "", whole)
    first = re.match(r"\d+", whole)  # a track's number stays, behind its name
    base = "-".join(filter(None, (base[:50] or "stem", first and first[0][:8])))
    name, number = base, 2
    while name in taken:
        name, number = f"{base}-{number}", number + 1
    return name


def demo(bench: Bench, asked: Asked) -> Table:
    """Put a copy of the demo song into the folder and open it."""
    desk: Desk = bench.desk
    desk.open(pipeline.write_demo(place_in(desk.folder, "lantern-song")))
    return song_view(desk)


def upload(bench: Bench) -> Callable[[Request], Any]:
    """An endpoint that streams one sound or MIDI file into the folder: whole or not at all, and
    never over a file that is there. The guard holds it to `MAX_FILE_BYTES`."""

    async def receive(request: Request) -> Response:
        try:
            path = _place(bench.desk.folder, request.query_params.get("name", ""))
            with held(path.parent) as folder, unfinished_in(folder, suffix=path.suffix) as part:
                await _stream_to(request, part.handle)
                part.let_go()
                await run_in_threadpool(_finish, folder, part.name, path.name)
        except RetuneError as error:
            return told(error)
        except OSError as error:
            return told(OutputError(f"the file cannot be stored: {write_reason(error)}"))
        return JSONResponse({"file": path.name})

    return receive


def _place(folder: Path, name: str) -> Path:
    if not _PLAIN_NAME.fullmatch(name) or not name.isprintable() or lost_on_windows(name):
        raise UsageError(f"{printable(name[:80])} is not a plain file name; name it otherwise")
    path = named_folder(folder) / name
    if len(os.fsencode(name)) > MAX_NAME_BYTES:
        raise UsageError(f"{name[:40]}... is too long a name; use at most {MAX_NAME_BYTES} bytes")
    if path.suffix.lower() not in {*AUDIO_SUFFIXES, *MIDI_SUFFIXES}:
        taken = ", ".join(sorted({*AUDIO_SUFFIXES, *MIDI_SUFFIXES}))
        raise UsageError(f"{name} is neither sound nor MIDI: {taken} are taken")
    if os.path.lexists(path):
        raise UsageError(f"{name} is already in the folder; it is left as it is")
    for suffixes, what in ((AUDIO_SUFFIXES, "sound"), (MIDI_SUFFIXES, "MIDI")):
        if path.suffix.lower() in suffixes and len(_files_of(folder, suffixes)) >= MAX_FILES:
            raise UsageError(f"the folder holds {MAX_FILES} {what} files already")
    return path


async def _stream_to(request: Request, part: int) -> None:
    try:
        with open(part, "wb", closefd=False) as stream:
            async for chunk in request.stream():
                await run_in_threadpool(stream.write, chunk)
    except ClientDisconnect as error:
        raise UsageError("the upload broke off; nothing was kept") from error


def _finish(folder: HeldFolder, part: str, name: str) -> None:
    """Give a file its name once it reads as sound or MIDI; a refusal names it as it came."""
    path = Path(os.path.abspath(folder.path / part))
    try:
        if path.suffix.lower() in MIDI_SUFFIXES:
            read_midi(read_bytes(path, what="a MIDI file"))
        else:
            open_audio(path)
    except InputError as error:
        said = str(error).replace(str(path), name).replace(part, name)
        raise type(error)(f"{said}; nothing was kept") from error
    try:
        take_free_name(folder, part, name)
    except FileExistsError as error:
        raise UsageError(f"{name} is already in the folder; it is left as it is") from error
