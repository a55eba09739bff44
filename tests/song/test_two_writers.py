"""Several programs that save to one song file: what was told to be saved is there, the rest was
told to be refused, and nothing else happens."""

from __future__ import annotations

import json
import multiprocessing
import os
from pathlib import Path

import pytest

from retune.carriers.errors import ChangedError
from retune.song.songfile import read_song
from retune.song.songsave import edit_song

TEXT = """format = 1
[stems.vocal]
file = "vocal.wav"
role = "melody"
"""


def write_often(path: str, writer: int, times: int, told: str) -> None:
    """Save one variant after another, on the text that stands there at the moment."""
    saved, refused = [], 0
    for number in range(times):
        editor = edit_song(path)
        name = f"v{writer}-{number}"
        editor.set_variant(name, ["keep highest note"])
        # So that the file stays small, as under a person's hands: three of its own are left.
        own = [key for key in editor._document["variants"] if key.startswith(f"v{writer}-")]
        for old in own[:-4]:
            editor.remove_variant(old)
        try:
            editor.save()
            saved.append(name)
        except ChangedError:
            refused += 1
    Path(told).write_text(json.dumps({"saved": saved, "refused": refused}))


def race(folder: Path, *, writers: int, times: int) -> tuple[int, int]:
    """How many saves were told as saved and as refused by processes side by side; fails when one
    of the last that were told as saved is not there."""
    (folder / "vocal.wav").write_bytes(b"\n")
    path = folder / "song.toml"
    path.write_text(TEXT)
    spawn = multiprocessing.get_context("spawn")
    processes = [
        spawn.Process(target=write_often, args=(str(path), k, times, str(folder / f"told{k}")))
        for k in range(writers)
    ]
    for process in processes:
        process.start()
    for process in processes:
        process.join()
        assert process.exitcode == 0
    kept = set(read_song(path).variants)
    n_saved = n_refused = 0
    for k in range(writers):
        told = json.loads((folder / f"told{k}").read_text())
        assert len(told["saved"]) + told["refused"] == times
        assert set(told["saved"][-3:]) <= kept
        n_saved, n_refused = n_saved + len(told["saved"]), n_refused + told["refused"]
    assert not [p for p in folder.iterdir() if p.name.startswith(".")]
    return n_saved, n_refused


def test_two_programs_lose_nothing(tmp_path: Path) -> None:
    n_saved, _ = race(tmp_path, writers=2, times=25)
    assert n_saved >= 25


@pytest.mark.slow
def test_four_programs_and_thousands_of_saves_lose_nothing(tmp_path: Path) -> None:
    """2 000 saves; 10 000 with RETUNE_FULL_SIZE=1."""
    times = 2500 if os.environ.get("RETUNE_FULL_SIZE") == "1" else 500
    n_saved, n_refused = race(tmp_path, writers=4, times=times)
    print(f"{n_saved} saved and there, {n_refused} refused, of {4 * times}")
    assert n_saved >= times
