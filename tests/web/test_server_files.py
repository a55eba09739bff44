"""What is read and written stays in the song's folder, whatever names and links lie there, and a
file is believed by what it holds, never by what its head says."""

from __future__ import annotations

import errno
import io
import os
import re
import struct
import zipfile
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from web_client import RULE, Client, client_of, demo_copy

from retune.faces.web import api_new
from retune.faces.web.desk import Desk
from retune.sound.folders import HeldFolder

LEAVING = (
    *("../secret.wav", "..%2fsecret.wav", "%2e%2e/secret.wav", "..\\secret.wav", "..%5csecret.wav"),
    *("/secret.wav", "//host/share/secret.wav", "\\\\host\\share\\secret.wav", "C:\\secret.wav"),
    *("C:secret.wav", "~/secret.wav", "a/../../secret.wav", "voice.wav\0.txt", "secret.wav\0"),
    *(
        "voice.wav:stream",
        "CON.wav",
        "nul.wav",
        "com1.wav",
        "voice.wav ",
        " voice.wav",
        ".hidden.wav",
    ),
    *("\u202evaw.exe.wav", "a\nb.wav", "a\x1b[2J.wav", "*.wav", "x" * 300 + ".wav"),
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A song's folder beside a file that is nobody's business."""
    (tmp_path / "secret.wav").write_bytes(b"RIFF secret")
    song = demo_copy(tmp_path / "song")
    return song.parent


def upload(client: Client, query: str, content: bytes) -> Any:
    kind = {"content-type": "application/octet-stream"}
    return client.ask("PUT", f"/api/upload?name={query}", headers=kind, content=content)


def names(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*"))


@pytest.mark.parametrize("name", LEAVING)
@pytest.mark.parametrize("times", [1, 2, 3])
def test_no_name_leads_out_however_it_is_coded(folder: Path, name: str, times: int) -> None:
    """Plain and percent-encoded once, twice and three times: an upload, a stem, an asset."""
    coded = name
    for _ in range(times):
        coded = quote(coded, safe="")
    before, client = names(folder.parent), client_of(folder / "song.toml")
    if times == 1:
        assert upload(client, coded, b"x").status_code == 400
    else:  # coded once too often it is a strange name for a sound that is none
        assert upload(client, coded, b"x").status_code in (200, 400)
    assert client.get(f"stem?name={coded}").status_code == 400
    assert client.ask("GET", f"/assets/{coded}").status_code == 404
    assert names(folder.parent) == before


@pytest.mark.parametrize("name", LEAVING[:11])
def test_a_new_song_takes_no_stem_by_a_way_out(tmp_path: Path, name: str) -> None:
    (tmp_path / "secret.wav").write_bytes(b"RIFF secret")
    (tmp_path / "song").mkdir()
    client = Client(Desk(None, folder=tmp_path / "song"))
    answer = client.post("new", {"stems": [{"file": name, "role": "melody"}]})
    assert answer.status_code == 400
    assert names(tmp_path) == ["secret.wav", "song"]


@pytest.mark.skipif(os.name == "nt", reason="links need a privilege on Windows")
def test_no_link_leads_out(folder: Path) -> None:
    """A stem, a place to write to, a song file or an upload that is a link to elsewhere."""
    outside = folder.parent / "outside"
    outside.mkdir()
    (folder / "vocal.flac").rename(outside / "vocal.flac")
    (folder / "vocal.flac").symlink_to(outside / "vocal.flac")
    answer = client_of(folder / "song.toml").get("song")
    assert answer.status_code == 400
    assert "leads out of the song's folder" in answer.json()["error"]
    (folder / "vocal.flac").unlink()
    (outside / "vocal.flac").rename(folder / "vocal.flac")
    client = client_of(folder / "song.toml")
    for name in ("renditions", "comparison", "take-away", "lantern-song"):
        (folder / name).symlink_to(outside)
    for what in ("render", "page", "export"):
        ask = {"what": what, "name": "a", "rules": [RULE], "formats": ["csv"]}
        assert "is a symbolic link" in client.post("make", ask).json()["error"]
    assert "is a symbolic link" in client.post("demo").json()["error"]
    (folder / "new.wav").symlink_to(outside / "new.wav")
    assert upload(client, "new.wav", b"x").status_code == 400
    assert list(outside.iterdir()) == []


@pytest.mark.skipif(os.name == "nt", reason="links need a privilege on Windows")
def test_a_song_file_is_not_made_through_a_link(tmp_path: Path) -> None:
    demo_copy(tmp_path / "song").unlink()
    (tmp_path / "song" / "song.toml").symlink_to(tmp_path / "elsewhere.toml")
    client = Client(Desk(None, folder=tmp_path / "song"))
    stems = [{"file": "vocal.flac", "role": "melody"}]
    assert client.post("new", {"stems": stems}).status_code == 400
    assert not (tmp_path / "elsewhere.toml").exists()


def test_a_stem_put_in_place_of_another_is_not_sent(folder: Path) -> None:
    client = client_of(folder / "song.toml")
    assert client.get("stem?name=vocal").status_code == 200
    (folder / "vocal.flac").write_bytes(b"something else altogether")
    answer = client.get("stem?name=vocal")
    assert answer.status_code == 400
    assert "vocal.flac changed while it was in use" in answer.json()["error"]


def riff(n_bytes: int, *, real: int = 64, ds64: bytes = b"", rate_hz: int = 48_000) -> bytes:
    """A mono WAV of 16 bits whose head declares `n_bytes` of samples."""
    kind = struct.pack("<HHIIHH", 1, 1, rate_hz, 2 * rate_hz, 2, 16)
    chunks = b"".join(
        name + struct.pack("<I", len(body)) + body for name, body in ((b"fmt ", kind),)
    )
    start = b"RF64" if ds64 else b"RIFF"
    size = struct.pack("<I", min(36 + n_bytes, 2**32 - 1))
    extra = b"ds64" + struct.pack("<I", len(ds64)) + ds64 if ds64 else b""
    data = b"data" + struct.pack("<I", min(n_bytes, 2**32 - 1))
    return start + size + b"WAVE" + extra + chunks + data + b"\0" * real


def flac_of(n_samples: int) -> bytes:
    """A FLAC head that promises `n_samples` (36 bits of STREAMINFO; RFC 9639) and no frame."""
    packed = (48_000 << 44) | (0 << 41) | (15 << 36) | n_samples
    info = struct.pack(">HH", 4096, 4096) + b"\0" * 6 + packed.to_bytes(8, "big") + b"\0" * 16
    return b"fLaC" + b"\x80" + len(info).to_bytes(3, "big") + info


def zipped(n_bytes: int) -> bytes:
    store = io.BytesIO()
    with zipfile.ZipFile(store, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("voice.wav", b"\0" * n_bytes)
    return store.getvalue()


DAY_S = 24 * 3600
BOMBS = {
    "a day": riff(DAY_S * 8000 * 2, rate_hz=8000),
    "four gigabytes": riff(2**32 - 2),
    "an hour too much": riff(3600 * 96_000 + 64, real=64),
    "sixteen exabytes": riff(2**40, ds64=struct.pack("<QQQI", 2**62, 2**62, 2**61, 0)),
    "a chunk of zeros": b"RIFF" + struct.pack("<I", 10**6) + b"WAVE" + b"\0" * 200_000,
    "a day of FLAC": flac_of(DAY_S * 48_000),
    "most of FLAC": flac_of(2**36 - 1),
    "a tag of a quarter gigabyte": b"ID3\x04\0\0\x7f\x7f\x7f\x7f" + b"\xff\xfb\x90\0" * 50,
    "a zip": zipped(50_000_000),
    "a picture": b"\x89PNG\r\n\x1a\n" + b"\0" * 100,
}


@pytest.mark.parametrize("bomb", BOMBS)
def test_a_head_is_not_believed(tmp_path: Path, bomb: str) -> None:
    """Refused soon and in one line, and nothing of it is kept."""
    client = Client(Desk(None, folder=tmp_path))
    for suffix in ("wav", "flac", "mp3"):
        answer = upload(client, f"voice.{suffix}", BOMBS[bomb])
        assert answer.status_code == 400, answer.text
        said = answer.json()["error"]
        assert said.count("\n") == 0
        assert said.startswith(f"voice.{suffix} ")
        assert ".retune-" not in said
    assert names(tmp_path) == []


def test_a_bomb_that_lies_in_the_folder_is_told_and_passed_over(tmp_path: Path) -> None:
    for number, content in enumerate(BOMBS.values()):
        (tmp_path / f"{number}.wav").write_bytes(content)
    client = Client(Desk(None, folder=tmp_path))
    rows = client.get("files").json()["files"]
    assert len(rows) == len(BOMBS)
    assert all(row["error"] and row["duration_s"] == 0 for row in rows)


# Files that open what the program itself made, and nobody else: compiled code, which numba keeps
# pickled in a folder that is the user's alone; slides just written in memory, dated alike.
OWN_ARCHIVES = {"compiled.py": {"pickle"}, "pptx_file.py": {"zipfile"}}


def test_no_archive_is_opened() -> None:
    """But the cache of what was heard (zip inside, in the user's own folder) and the weights that
    are part of the program, neither with objects in it; and those of OWN_ARCHIVES."""
    import retune

    archives = {"zipfile", "tarfile", "gzip", "bz2", "lzma", "pickle", "marshal", "shelve"}
    for path in Path(retune.__file__).parent.rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        named = re.findall(r"^\s*(?:import|from) (\w+)", text, re.MULTILINE)
        assert archives & set(named) <= OWN_ARCHIVES.get(path.name, set()), path.name
        assert "unpack_archive" not in text
        loads = re.findall(r"np\.load\(([^)]*)\)", text)
        assert not loads or path.name in {"cache.py", "netlayers.py", "unet.py"}
        assert all("allow_pickle=False" in arguments for arguments in loads)


def test_an_upload_works_without_hard_links(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def none(*given: Any, **more: Any) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", none)
    client, content = client_of(folder / "song.toml"), (folder / "vocal.flac").read_bytes()
    assert upload(client, "new.flac", content).status_code == 200
    assert (folder / "new.flac").read_bytes() == content
    assert upload(client, "new.flac", content).status_code == 400


def test_an_upload_that_cannot_be_stored_is_told(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = client_of(folder / "song.toml")
    long = upload(client, quote("歌" * 90 + ".wav"), b"x")
    assert long.status_code == 400
    assert "too long a name" in long.json()["error"]

    def read_only(*given: Any, **more: Any) -> int:
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr(HeldFolder, "open", read_only)
    answer = upload(client, "new.wav", b"x")
    assert answer.status_code == 422
    assert "the disk is read-only" in answer.json()["error"]
    assert answer.headers["x-content-type-options"] == "nosniff"


def test_a_track_number_stays_behind_the_name() -> None:
    """A stem's name begins with a letter; what a studio numbered keeps its number."""
    taken: set[str] = set()
    for file, name in (
        ("05 Bass DI.wav", "Bass-DI-05"),
        ("02_Lead Vox.wav", "Lead-Vox-02"),
        ("07.wav", "stem-07"),
        ("Kick.wav", "Kick"),
        ("Kick.flac", "Kick-2"),
    ):
        assert api_new._stem_name(file, taken=taken) == name
        taken.add(name)


def test_a_midi_file_is_taken_for_its_tempo_and_one_that_is_none_is_not(tmp_path: Path) -> None:
    client = Client(Desk(None, folder=tmp_path))
    track = bytes.fromhex("00ff510307a120 00ff2f00")
    head = b"MThd" + bytes.fromhex("00000006 0000 0001 0060") + b"MTrk"
    content = head + len(track).to_bytes(4, "big") + track
    assert upload(client, "band.mid", content).status_code == 200
    assert client.get("files").json()["maps"] == ["band.mid"]
    refused = upload(client, "other.mid", b"RIFF")
    assert refused.status_code == 400
    assert "it is no MIDI file" in refused.json()["error"]
    assert client.get("files").json()["maps"] == ["band.mid"]
    assert "neither sound nor MIDI" in upload(client, "words.txt", b"x").json()["error"]
