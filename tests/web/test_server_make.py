"""Files made over the wire: renditions, pages, take-away files, blind tests, new songs."""

from __future__ import annotations

import re
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import soundfile
from web_client import RULE, Client, client_of, demo_copy

from retune.carriers.errors import AudioError, UsageError
from retune.comparison.statistics import verdict
from retune.faces.web import api_make, api_new
from retune.faces.web.desk import Desk
from retune.faces.web.work import MAX_ENDED, Tasks
from retune.pipeline.export_formats import FORMATS
from retune.pipeline.rendition_files import write_versions

RATE_HZ = 22_050


@pytest.fixture
def client(tmp_path: Path) -> Client:
    return client_of(demo_copy(tmp_path / "song"))


def ended(client: Client, task: dict[str, Any], *, within_s: float = 120.0) -> dict[str, Any]:
    until = time.monotonic() + within_s
    while task["state"] == "running":
        assert time.monotonic() < until, task
        time.sleep(0.05)
        task = client.get(f"task?id={task['id']}").json()
    return task


def sung(path: Path, *, seconds: float = 4.0) -> Path:
    """A tone that steps through a scale, as a sound file."""
    time_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    steps = np.array([0, 2, 4, 5, 7, 5, 4, 2, 0])[np.minimum((time_s / 0.45).astype(int), 8)]
    phase = 2 * np.pi * np.cumsum(220 * 2 ** (steps / 12)) / RATE_HZ
    tone = sum(np.sin(k * phase) / k for k in range(1, 6))
    soundfile.write(path, 0.1 * tone, RATE_HZ, subtype="PCM_16")
    return path


@pytest.mark.slow
def test_a_comparison_page_is_made(client: Client) -> None:
    task = client.post("make", {"what": "page", "name": "try-1", "rules": [RULE]}).json()
    done = ended(client, task)
    assert done["result"]["places"] == ["comparison/try-1.html"], done
    page = (client.desk.folder / "comparison" / "try-1.html").read_text(encoding="utf-8")
    assert "Lantern Song" in page


def test_unsaved_rules_are_rendered_into_the_songs_folder(client: Client) -> None:
    task = client.post("make", {"what": "render", "name": "try-1", "rules": [RULE]}).json()
    done = ended(client, task)
    assert done["state"] == "done", done["error"]
    folder = client.desk.folder / "renditions"
    assert done["result"]["places"] == ["renditions/try-1"]
    assert (folder / "try-1" / "vocal.wav").is_file()
    assert (folder / "try-1" / "matched-control" / "mix.wav").is_file()
    assert (folder / "original" / "mix.wav").is_file()


def test_a_stopped_work_leaves_nothing_half_written(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    client.song()

    def endless(opened: Any, *, progress: Any, out: Path, **more: Any) -> None:
        while True:
            progress("waiting", 0.5)
            time.sleep(0.01)

    monkeypatch.setattr(api_make.pipeline, "write_versions", endless)
    task = client.post("make", {"what": "render", "rules": [RULE]}).json()
    assert client.get(f"task?id={task['id']}").json()["state"] == "running"
    client.post("task/stop", {"id": task["id"]})
    assert ended(client, task, within_s=5)["state"] == "stopped"
    assert not list(client.desk.folder.rglob("*.tmp"))


def test_ended_works_are_forgotten() -> None:
    tasks = Tasks()
    for number in range(1, 3 * MAX_ENDED):
        task = tasks.begin("export", lambda tell: {"places": []})
        until = time.monotonic() + 10
        while task.state == "running":
            assert time.monotonic() < until
            time.sleep(0.001)
        assert tasks.find(str(number)) is task
    assert len(tasks._tasks) == len(tasks._threads) <= MAX_ENDED + 1
    with pytest.raises(UsageError, match="no work has the number 1"):
        tasks.find("1")


def test_the_page_offers_every_format() -> None:
    script = (Path(api_make.__file__).parent / "assets" / "keep.js").read_text(encoding="utf-8")
    offered = script.split("const FORMATS = {")[1].split("};")[0]
    assert set(re.findall(r"^ +(\w+):", offered, re.MULTILINE)) == set(FORMATS)


def test_take_away_files_and_what_goes_wrong_with_them(client: Client) -> None:
    ask = {"what": "export", "name": "a", "rules": [RULE], "formats": ["csv", "lab"]}
    done = ended(client, client.post("make", ask).json())
    assert done["state"] == "done", done["error"]
    assert all((client.desk.folder / place).is_file() for place in done["result"]["places"])
    assert client.post("make", {**ask, "formats": []}).status_code == 400
    wrong = ended(client, client.post("make", {**ask, "formats": ["wax"]}).json())
    assert wrong["state"] == "failed"
    assert "wax" in wrong["error"]


def test_a_name_cannot_lead_out_of_the_folder(client: Client) -> None:
    ask = {"what": "export", "name": "../../evil", "rules": [RULE], "formats": ["csv", "midi"]}
    done = ended(client, client.post("make", ask).json())
    assert done["state"] == "done", done["error"]
    assert all((client.desk.folder / place).is_file() for place in done["result"]["places"])
    assert not list(client.desk.folder.parent.glob("evil*"))


def test_a_blind_test_is_balanced_and_counted(client: Client) -> None:
    ask = {"first": "matched-control", "second": "a", "passages": ["phrase 2", "phrase 4"]}
    design = client.post("blind", {**ask, "n_pairs": 8}).json()
    pairs = [t for t in design["trials"] if t["kind"] == "pair"]
    assert sum(t["first"] == "a" for t in pairs) == sum(t["second"] == "a" for t in pairs) == 4
    assert client.post("blind", {**ask, "n_pairs": 8}).json() == design
    assert client.post("blind", {**ask, "n_pairs": 7}).status_code == 400
    assert design["verdicts"]["pair"][8] == verdict(8, 8, version="a")
    assert len(design["verdicts"]["pair"]) == 9
    # One-sided p of 8 of 8 in closed form: 1 of 2^8 outcomes.
    assert "p = 0.004" in design["verdicts"]["naming"][8]


def test_one_file_alone_is_asked_to_be_a_voice_or_a_finished_recording(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    middle, side = rng.normal(0, 0.1, (2, 20_000))
    client = Client(Desk(None, folder=tmp_path))
    for apart, role in ((0.01, "melody"), (0.5, "mix")):
        sound = np.stack([middle + apart * side, middle - apart * side], axis=1)
        soundfile.write(tmp_path / "take.wav", sound, 8000)
        (row,) = client.get("files").json()["files"]
        assert row["role"] == role


def test_a_new_song_from_files_of_the_folder(tmp_path: Path) -> None:
    sung(tmp_path / "My voice (take 2).wav")
    sung(tmp_path / "bass.wav")
    (tmp_path / "notes.txt").write_text("no sound", encoding="utf-8")
    (tmp_path / "broken.wav").write_bytes(b"RIFF")
    client = Client(Desk(None, folder=tmp_path))
    assert client.get("state").json()["open"] is False
    assert client.get("song").status_code == 400
    listed = {row["file"]: row for row in client.get("files").json()["files"]}
    assert set(listed) == {"My voice (take 2).wav", "bass.wav", "broken.wav"}
    assert listed["My voice (take 2).wav"]["role"] == "melody"
    assert listed["bass.wav"]["role"] == "bass"
    assert listed["broken.wav"]["error"]
    stems = [{"file": name, "role": listed[name]["role"]} for name in list(listed)[:2]]
    music = [
        {"name": "key", "value": "A major"},
        {"name": "meter", "value": "4/4"},
        {"name": "tempo_bpm", "value": "120"},
        {"name": "first_downbeat_s", "value": ""},
    ]
    wrong = [{"name": "key", "value": "H"}]
    refused = client.post("new", {"stems": stems, "music": wrong})
    assert refused.status_code == 400
    assert not (tmp_path / "song.toml").exists()
    made = client.post("new", {"title": "Steps", "stems": stems, "music": music})
    assert made.status_code == 200, made.text
    assert made.json()["title"] == "Steps"
    assert made.json()["stems"][made.json()["melody"]]["notes"]
    assert client.get("state").json()["open"] is True
    assert client.post("new", {"stems": stems, "music": music}).status_code == 400


@pytest.mark.parametrize(
    ("field", "value", "why"),
    [
        ("key", "H flat", '"flat" is not a mode'),
        ("tempo_bpm", "fast", '"fast" is not a number'),
        ("chords", "Bb | Xx", 'Bar 2 ("Xx")'),
        ("first_downbeat_s", "9999", "9999 s is past the end"),  # only the sound tells it wrong
    ],
)
def test_a_fault_of_a_new_song_names_its_field_and_leaves_nothing(
    tmp_path: Path, field: str, value: str, why: str
) -> None:
    sung(tmp_path / "voice.wav")
    client = Client(Desk(None, folder=tmp_path))
    stems = [{"file": "voice.wav", "role": "melody"}]
    given = {"meter": "4/4", "tempo_bpm": "120", "first_downbeat_s": "0", field: value}
    music = [{"name": name, "value": text} for name, text in given.items()]
    told = client.post("new", {"stems": stems, "music": music}).json()
    assert told.get("field") == field, told
    assert told["why"].startswith(why)
    assert not told["why"].endswith("..")
    assert not (tmp_path / "song.toml").exists()
    assert not client.get("state").json()["open"]


def test_a_new_song_that_was_edited_as_it_was_heard_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sung(tmp_path / "voice.wav")
    client, song = Client(Desk(None, folder=tmp_path)), tmp_path / "song.toml"

    def edited(*given: object) -> None:
        song.write_bytes(b"# a night's work\n" + song.read_bytes())
        raise AudioError("the sound tells it wrong")

    monkeypatch.setattr(api_new, "song_view", edited)
    stems = [{"file": "voice.wav", "role": "melody"}]
    assert client.post("new", {"stems": stems}).status_code == 400
    assert song.read_bytes().startswith(b"# a night's work\nformat = ")


def test_a_new_song_takes_no_stem_from_elsewhere(tmp_path: Path) -> None:
    outside = sung(tmp_path / "voice.wav")
    folder = tmp_path / "song"
    folder.mkdir()
    client = Client(Desk(None, folder=folder))
    for file in ("../voice.wav", str(outside)):
        stems = [{"file": file, "role": "melody"}]
        assert client.post("new", {"stems": stems}).status_code == 400
    assert not (folder / "song.toml").exists()


def test_the_demo_can_be_opened_from_an_empty_page(tmp_path: Path) -> None:
    client = Client(Desk(None, folder=tmp_path))
    assert client.post("demo").json()["title"] == "Lantern Song"
    assert (tmp_path / "lantern-song" / "song.toml").is_file()


def put(client: Client, name: str, content: bytes, **headers: str) -> Any:
    given = {"content-type": "application/octet-stream", **headers}
    params = {"name": name}
    return client.ask("PUT", "/api/upload", headers=given, content=content, params=params)


def test_an_upload_is_stored_whole_and_never_over_a_file(tmp_path: Path) -> None:
    source = sung(tmp_path / "source.wav").read_bytes()
    folder = tmp_path / "song"
    folder.mkdir()
    client = Client(Desk(None, folder=folder))
    assert put(client, "voice.wav", source).json() == {"file": "voice.wav"}
    assert (folder / "voice.wav").read_bytes() == source
    assert put(client, "voice.wav", b"other").status_code == 400
    assert (folder / "voice.wav").read_bytes() == source
    assert [path.name for path in folder.iterdir()] == ["voice.wav"]


@pytest.mark.parametrize(
    "name",
    ["../voice.wav", "/tmp/voice.wav", "a/b.wav", "..\\voice.wav", ".wav", "run.sh", "", "a.wav\0"],
)
def test_an_upload_keeps_to_the_folder_and_to_sound(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "song"
    folder.mkdir()
    client = Client(Desk(None, folder=folder))
    assert put(client, name, b"x").status_code == 400
    assert not list(folder.iterdir())
    assert [path.name for path in tmp_path.iterdir()] == ["song"]


def test_what_is_no_sound_or_too_large_is_not_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(api_new, "MAX_FILE_BYTES", 1000)
    client = Client(Desk(None, folder=tmp_path))
    assert put(client, "voice.wav", b"not sound at all").status_code == 400
    assert put(client, "voice.wav", b"x" * 1001).status_code == 413
    other = {"content-type": "text/plain"}
    answer = client.ask("PUT", "/api/upload", headers=other, content=b"x", params={"name": "a.wav"})
    assert answer.status_code == 415
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("name", ["original", "ORIGINAL", "matched-control"])
@pytest.mark.parametrize("what", ["render", "page", "export"])
def test_a_version_takes_no_name_of_the_unaltered_files(
    client: Client, what: str, name: str
) -> None:
    answer = client.post("make", {"what": what, "name": name, "rules": [RULE], "formats": ["csv"]})
    assert answer.status_code == 400
    assert "has a meaning of its own" in answer.json()["error"]


@pytest.mark.parametrize("name", ["Original", "matched-control"])
def test_nor_does_one_made_from_python(name: str, tmp_path: Path) -> None:
    opened: Any = SimpleNamespace()
    plan: Any = SimpleNamespace(name=name)
    with pytest.raises(UsageError, match="has a meaning of its own"):
        write_versions(opened, plans=[plan], out=tmp_path / "out")
    assert not (tmp_path / "out").exists()
