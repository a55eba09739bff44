"""Every command and request that writes, to be run in a room that holds a song and files of the
user's own."""

from __future__ import annotations

import os
import shutil
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent / "bad_input"))
sys.path.insert(0, str(Path(__file__).parent.parent / "web"))

from hostile_songs import RULE, write_song
from web_client import client_of

from retune.faces.cli import main
from retune.pipeline import stages
from retune.pipeline.demo import write_demo
from retune.pipeline.export_formats import FORMATS
from retune.song.songsave import edit_song

CORPUS = Path(__file__).parent / "corpus"
SONG, BARE, ANSWERS = "song/song.toml", "bare", "song/answers.csv"
MINE = {"out/mine.txt": b"a diary\n", "out/home/take.wav": b"not yours\n"}
CACHE = "cache"


@dataclass(frozen=True)
class Command:
    """What is run; `is_long` where it takes so long that it is tried less often; `is_threaded`
    where it leaves threads behind, which no child of this process would have, but their locks;
    `once` names a file that is never written over: where it stands, the next run is refused."""

    run: Callable[[], int]
    is_long: bool = False
    is_threaded: bool = False
    once: str = ""


def _line(*words: str) -> Callable[[], int]:
    return lambda: main([*words, "--quiet"])


def _save() -> int:
    editor = edit_song(SONG)
    editor.set_variant("saved", ["keep highest note"], about="by a workbench")
    editor.save()
    return 0


def _demo() -> int:
    write_demo("out")
    return 0


def _analyze_anew() -> int:
    os.environ["RETUNE_CACHE"] = str(Path(CACHE).absolute())
    stages._memory_over.cache_clear()
    return main(["analyze", SONG, "--quiet"])


# --- requests to the workbench -------------------------------------------------------------------


def _code(answer: Any) -> int:
    """As a command line tells it: 0 done, 1 refused in words."""
    if answer.status_code == 200:
        return 0
    os.write(2, f"{answer.json()['error']}\n".encode())
    return 70 if answer.status_code == 500 else 1


def _make(what: str, **more: Any) -> Callable[[], int]:
    def run() -> int:
        client = client_of(Path(SONG))
        asked = {"what": what, "name": "home", "rules": [RULE], **more}
        answer = client.post("make", asked)
        task = answer.json()
        while answer.status_code == 200 and task["state"] == "running":
            time.sleep(0.01)
            task = client.get(f"task?id={task['id']}").json()
        if task.get("error"):
            os.write(2, f"{task['error']}\n".encode())
        return int(task.get("state") != "done")

    return run


def _variant() -> int:
    client = client_of(Path(SONG))
    variant = {"name": "saved", "rules": [RULE], "about": "", "revision": _revision(client)}
    return _code(client.post("variant", variant))


def _revision(client: Any) -> str:
    return str(client.song()["revision"])


def _upload() -> int:
    sound = Path("song/bass.wav").read_bytes()
    client = client_of(Path(SONG))
    kind: dict[str, str | bytes] = {"content-type": "application/octet-stream"}
    return _code(client.ask("PUT", "/api/upload?name=new.wav", content=sound, headers=kind))


def _new() -> int:
    client = client_of(Path(SONG))
    client.desk.path, client.desk.folder = None, Path(BARE)
    stems = [{"file": "vocal.wav", "role": "melody"}]
    music = [{"name": "tempo_bpm", "value": "120"}]
    return _code(client.post("new", {"title": "New", "stems": stems, "music": music}))


def _served_demo() -> int:
    return _code(client_of(Path(SONG)).post("demo"))


COMMANDS: dict[str, Command] = {
    "save": Command(_save),
    "demo": Command(_demo),
    "whole demo": Command(_line("demo", "--out", "out"), is_long=True, is_threaded=True),
    "cache": Command(_analyze_anew),
    "suggest": Command(_line("suggest", SONG, "--write")),
    "render": Command(_line("render", SONG, "--all", "--control", "--out", "out")),
    "changed": Command(_line("render", SONG, "--all", "--changed-only", "--out", "out")),
    "compare": Command(_line("compare", SONG, "--out", "out/page.html")),
    "batch": Command(_line("batch", SONG, "--out", "out")),
    "report": Command(_line("batch", SONG, "--out", "out", "--report", "out/report")),
    "study": Command(_line("batch", SONG, "--report", "out/study", "--format", "csv,parquet,jams")),
    "voice": Command(_line("voice", "song/vocal.wav", "--out", "out/voice.wav")),
    "tally": Command(_line("tally", ANSWERS, "--plot", "out/shares.svg")),
    **{
        f"export {name}": Command(
            _line("export", SONG, "--format", name, "--out", "out"),
            is_long=name == "mp4",
            is_threaded=name in ("mp4", "pptx", "pdf", "png", "blind"),
        )
        for name in FORMATS
    },
    "serve: save": Command(_variant, is_threaded=True),
    "serve: render": Command(_make("render"), is_threaded=True),
    "serve: page": Command(_make("page"), is_threaded=True),
    "serve: export": Command(_make("export", formats=["midi", "csv", "svg"]), is_threaded=True),
    "serve: upload": Command(_upload, is_threaded=True, once="song/new.wav"),
    "serve: new song": Command(_new, is_threaded=True, once="bare/song.toml"),
    "serve: demo": Command(_served_demo, is_threaded=True),
}


def furnish(folder: Path) -> None:
    """What a room begins with: a song, a folder of sound without a song file, answers."""
    song = write_song(folder / "song")
    (folder / BARE).mkdir()
    shutil.copyfile(song.parent / "vocal.wav", folder / BARE / "vocal.wav")
    shutil.copyfile(CORPUS / "responses" / "seed", folder / ANSWERS)
    for name, content in MINE.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)
