"""Long use: many clients at once, many edits, many renders, long songs. Memory stays, nothing is
lost, and the end is what a fresh start gives.

By default at a size for every day; at full size (10 000 edits by 20 clients, 1 000 renders, an
hour) with

    RETUNE_FULL_SIZE=1 pytest -m slow -s tests/web/test_endurance.py
"""

from __future__ import annotations

import gc
import http.client
import json
import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
import soundfile
from web_client import Client, client_of, demo_copy
from workbench_browser import TOKEN, running

from retune import pipeline

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="reads memory from /proc"),
]
FULL_SIZE = os.environ.get("RETUNE_FULL_SIZE") == "1"
CLIENTS = 20
FLAT = 1.10
MB_A_MINUTE = 4.0  # 1.24 measured from 2 to 60 minutes


def memory_mb() -> float:
    """What this process holds now."""
    gc.collect()
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1000
    raise AssertionError("no VmRSS")


class Wire:
    """One client with a connection of its own, closed at the end of `with`."""

    def __init__(self, address: str) -> None:
        self.link = http.client.HTTPConnection(address.removeprefix("http://").split("/")[0])

    def __enter__(self) -> Wire:
        return self

    def __exit__(self, *_: object) -> None:
        self.link.close()

    def ask(self, method: str, path: str, body: Any = None) -> tuple[int, Any]:
        headers = {"x-retune-token": TOKEN, "content-type": "application/json"}
        data = None if body is None else json.dumps(body)
        self.link.request(method, f"/api/{path}", body=data, headers=headers)
        answer = self.link.getresponse()
        content = answer.read()
        return answer.status, content if path == "sound" else json.loads(content)


def edit_of(client: int, number: int) -> dict[str, Any]:
    """The edit `number` of a client: its variant gets another rule, and a text of its own."""
    steps, bar = 1 + number % 5, 1 + (client + number) % 20
    way = "up" if number % 2 else "down"
    rule = f"shift vocal {way} {steps} semitones in bar {bar}"
    return {"name": f"client-{client}", "about": f"edit {number}", "rules": [rule]}


def edits_by(address: str, client: int, numbers: range) -> list[tuple[str, str, dict[str, Any]]]:
    """Makes its edits one after the other, again where another client was first; returns those
    taken as (revision before, revision after, edit)."""
    with Wire(address) as wire:
        return [_taken(wire, edit_of(client, number), number) for number in numbers]


def _taken(wire: Wire, edit: dict[str, Any], number: int) -> tuple[str, str, dict[str, Any]]:
    status, told = wire.ask("POST", "plan", {"rules": edit["rules"]})
    assert status == 200, told
    if number % 10 == 0:
        assert wire.ask("POST", "sound", {"rules": edit["rules"]})[0] == 200
    while True:
        seen = wire.ask("GET", "state")[1]["revision"]
        status, told = wire.ask("POST", "variant", {**edit, "revision": seen})
        if status == 200:
            return seen, told["revision"], edit
        assert status == 409, told


def in_order(
    taken: list[tuple[str, str, dict[str, Any]]], *, first: str, last: str
) -> list[dict[str, Any]]:
    """Edits in the order in which the server took them: each made on the one before it."""
    after = {before: (then, edit) for before, then, edit in taken}
    assert len(after) == len(taken), "two edits were taken on one revision: one of them is lost"
    found, at = [], first
    while at != last:
        at, edit = after[at]
        found.append(edit)
    assert len(found) == len(taken)
    return found


def saved(client: Client, edit: dict[str, Any]) -> None:
    answer = client.post("variant", {**edit, "revision": client.desk.revision})
    assert answer.status_code == 200, answer.text


def test_many_clients_at_once_lose_nothing(tmp_path: Path) -> None:
    """20 clients change one song file: every edit that was taken is in the order that the server
    took it, the file is what those edits make one by one, and memory stays."""
    each = 10_000 // CLIENTS if FULL_SIZE else 3
    song = demo_copy(tmp_path / "song")
    with running(song, folder=song.parent) as (address, desk), ThreadPoolExecutor(CLIENTS) as pool:
        with Wire(address) as wire:
            wire.ask("GET", "song")
        first = desk.revision

        def round_of(numbers: range) -> list[tuple[str, str, dict[str, Any]]]:
            rounds = pool.map(lambda n: edits_by(address, n, numbers), range(CLIENTS))
            return [row for rows in rounds for row in rows]

        n_warm = each // 7 + 2
        warm = round_of(range(n_warm))
        middle, before_mb = desk.revision, memory_mb()
        taken = round_of(range(n_warm, n_warm + each))
        after_mb, last = memory_mb(), desk.revision
        print(f"{len(taken)} edits: {before_mb:.0f} MB before, {after_mb:.0f} MB after")
        order = in_order(warm, first=first, last=middle) + in_order(taken, first=middle, last=last)
        rules = order[-1]["rules"]
        with Wire(address) as wire:
            plan = wire.ask("POST", "plan", {"rules": rules})[1]
            sound = wire.ask("POST", "sound", {"rules": rules})[1]
    assert after_mb < FLAT * before_mb
    assert len(desk._past) <= 200
    again = client_of(demo_copy(tmp_path / "again"))
    again.song()
    for edit in order if not FULL_SIZE else order[-2000:]:
        saved(again, edit)
    assert again.desk.path is not None
    if not FULL_SIZE:
        assert again.desk.path.read_bytes() == song.read_bytes()
    fresh = client_of(song)
    assert fresh.post("plan", {"rules": rules}).json() == plan
    assert fresh.post("sound", {"rules": rules}).content == sound


def test_many_renders_keep_memory_flat(tmp_path: Path) -> None:
    """The same renders over and over, and each the same as the first time."""
    times = 1000 if FULL_SIZE else 60
    opened = pipeline.open_song(demo_copy(tmp_path / "song"))
    rules = [f"shift vocal up {1 + k % 3} semitones in bar {2 + k}" for k in range(15)]

    def rendered(number: int) -> list[bytes]:
        made = pipeline.render(opened, rules=[rules[number % len(rules)]])
        return [patch.samples.tobytes() for stem in made.stems.values() for patch in stem.patches]

    first = [rendered(number) for number in range(len(rules))]
    assert all(first)
    before_mb = memory_mb()
    for number in range(times):
        assert rendered(number) == first[number % len(rules)]
    after_mb = memory_mb()
    print(f"{times} renders: {before_mb:.0f} MB before, {after_mb:.0f} MB after")
    assert after_mb < FLAT * before_mb


LONG_JOB = """
import resource, sys
from pathlib import Path
from retune import pipeline
opened = pipeline.open_song(sys.argv[1], use_cache=False, key="Bb major")
plan = pipeline.plan(opened, rules=["shift vocal up 2 semitones from 20s to 24s"])
pipeline.write_versions(opened, plans=[plan], out=Path(sys.argv[2]), control=False)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000)
"""


def peak_mb(folder: Path, minutes: int) -> float:
    """The most memory that a fresh process takes to analyze and render a voice so long."""
    folder.mkdir()
    voice, rate_hz = soundfile.read(demo_copy(folder / "song").parent / "vocal.flac", dtype="int16")
    with soundfile.SoundFile(folder / "vocal.wav", "w", rate_hz, 1, "PCM_16") as out:
        left = minutes * 60 * rate_hz
        while left > 0:
            out.write(voice[:left])
            left -= min(left, len(voice))
    done = subprocess.run(
        [sys.executable, "-c", LONG_JOB, str(folder / "vocal.wav"), str(folder / "out")],
        capture_output=True,
        text=True,
        check=True,
    )
    return float(done.stdout.split()[-1])


def test_a_long_stem_takes_bounded_memory(tmp_path: Path) -> None:
    """Each further minute may take no more than `MB_A_MINUTE`: of 10.6 MB of float samples a
    minute at 44.1 kHz, nearly nothing is held."""
    short, long = (2, 60) if FULL_SIZE else (2, 4)
    peaks = [peak_mb(tmp_path / str(minutes), minutes) for minutes in (short, long)]
    growth = (peaks[1] - peaks[0]) / (long - short)
    print(
        f"{short} and {long} minutes: {peaks[0]:.0f} and {peaks[1]:.0f} MB, {growth:.2f} a minute"
    )
    assert growth < MB_A_MINUTE


def test_a_whole_song_is_opened_again_and_again(tmp_path: Path) -> None:
    """Files are closed and temporary ones gone, however often a song is opened and changed."""
    song = demo_copy(tmp_path / "song")
    handles = Path("/proc/self/fd")
    client = client_of(song)
    saved_before = None
    for number in range(100 if FULL_SIZE else 6):
        client.desk.open(song)
        client.song()
        client.post("levels", {"rules": ["shift vocal up 1 semitone in bar 4"]})
        if number == 2:
            saved_before = len(list(handles.iterdir()))
    assert saved_before is not None
    assert len(list(handles.iterdir())) <= saved_before + 2
    assert not [path for path in song.parent.rglob("*") if path.name.endswith(".tmp")]
