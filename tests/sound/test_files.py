"""Files appear whole, keep inside their folder, and clash-free."""

from __future__ import annotations

import hashlib
import os
import signal
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from retune.carriers.errors import InputError, OutputError
from retune.sound.files import atomic_write, case_clash, safe_child_path, same_file, sha256_file


def test_a_file_appears_only_when_it_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    with atomic_write(path, "w") as stream:
        stream.write("Größe\n")
        assert not path.exists()
    assert path.read_bytes() == "Größe\n".encode()
    assert os.listdir(tmp_path) == ["a.txt"]


def test_an_error_keeps_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "a.bin"
    path.write_bytes(b"old")
    with pytest.raises(TypeError, match="bytes-like"), atomic_write(path) as stream:
        stream.writelines([b"new", "text where bytes belong"])
    assert path.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["a.bin"]


def test_permissions_survive(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_text("old")
    path.chmod(0o640)
    with atomic_write(path, "w") as stream:
        stream.write("new")
    assert path.read_text() == "new"
    assert stat.S_IMODE(path.stat().st_mode) == 0o640


def test_a_new_file_follows_the_umask(tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        with atomic_write(tmp_path / "a.txt", "w") as stream:
            stream.write("x")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "a.txt").stat().st_mode) == 0o640


def test_a_link_loop_is_an_output_error(tmp_path: Path) -> None:
    (tmp_path / "loop").mkdir()
    os.symlink("b", tmp_path / "a")
    os.symlink("a", tmp_path / "b")
    with (
        pytest.raises(OutputError, match="is a symbolic link"),
        atomic_write(tmp_path / "a" / "x.txt", "w"),
    ):
        pass


def test_sha256_is_that_of_the_bytes(tmp_path: Path) -> None:
    (tmp_path / "abc").write_bytes(b"abc")
    # FIPS 180-2, appendix B.1
    assert sha256_file(tmp_path / "abc") == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )
    (tmp_path / "long").write_bytes(b"x" * 3_000_001)
    assert sha256_file(tmp_path / "long") == hashlib.sha256(b"x" * 3_000_001).hexdigest()


@pytest.mark.parametrize("relative", ["a.wav", "sub/a.wav", "歌.wav"])
def test_a_path_inside_is_taken(tmp_path: Path, relative: str) -> None:
    assert safe_child_path(tmp_path, relative) == (tmp_path / relative).resolve()


@pytest.mark.parametrize(
    ("relative", "message"),
    [
        ("", "is not a file name"),
        ("   ", "is not a file name"),
        ("a\0b", "is not a file name"),
        ("../a.wav", "leaves the song's folder"),
        ("sub/../../a.wav", "leaves the song's folder"),
        ("..", "leaves the song's folder"),
        (".", "leads out of the song's folder"),
        ("/etc/passwd", "is absolute"),
        ("~/a.wav", "is absolute"),
        ("C:/a.wav", "is absolute"),
        ("C:a.wav", "is absolute"),
        ("..\\a.wav", "holds a backslash"),
        ("\\\\host\\share\\a.wav", "holds a backslash"),
        ("out/a.wav", "leads out of the song's folder"),
        ("loop/a.wav", r"cannot be followed|leads out"),
    ],
)
def test_a_path_that_leaves_is_refused(tmp_path: Path, relative: str, message: str) -> None:
    home = tmp_path / "song"
    home.mkdir()
    os.symlink(tmp_path, home / "out")
    os.symlink("loop", home / "loop")
    with pytest.raises(InputError, match=message):
        safe_child_path(home, relative)


def test_a_link_that_stays_inside_is_followed(tmp_path: Path) -> None:
    (tmp_path / "real.wav").write_text("")
    os.symlink("real.wav", tmp_path / "link.wav")
    assert safe_child_path(tmp_path, "link.wav") == (tmp_path / "real.wav").resolve()


def test_one_file_by_two_names(tmp_path: Path) -> None:
    (tmp_path / "a").write_text("")
    os.link(tmp_path / "a", tmp_path / "hard")
    os.symlink("a", tmp_path / "soft")
    (tmp_path / "b").write_text("")
    assert same_file(tmp_path / "a", tmp_path / "hard")
    assert same_file(tmp_path / "soft", tmp_path / "hard")
    assert not same_file(tmp_path / "a", tmp_path / "b")
    assert not same_file(tmp_path / "a", tmp_path / "none")
    assert same_file(tmp_path / "none", tmp_path / "." / "none")


def test_names_that_one_disk_takes_for_one() -> None:
    assert case_clash(["vocal", "Bass", "VOCAL", "bass"]) == ("vocal", "VOCAL")
    assert case_clash(["Straße", "STRASSE"]) == ("Straße", "STRASSE")
    assert case_clash(["vocal", "vocal2"]) is None


LEAVE = """
import os, signal, sys
from retune.sound.files import atomic_write
with atomic_write(sys.argv[1]) as stream:
    stream.write(b"half")
    stream.flush()
    if sys.argv[2] == "die":
        os.kill(os.getpid(), signal.SIGKILL)
    print("writing", flush=True)
    sys.stdin.read()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs locks of POSIX")
def test_what_a_killed_process_left_goes_and_what_another_writes_stays(tmp_path: Path) -> None:
    path = tmp_path / "a.bin"
    words = [sys.executable, "-c", LEAVE, str(path)]
    assert subprocess.run([*words, "die"], check=False).returncode == -signal.SIGKILL
    (left,) = tmp_path.iterdir()
    with subprocess.Popen(
        [*words, "wait"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "writing\n"
        assert not left.exists()
        (at_work,) = tmp_path.iterdir()
        with atomic_write(path) as stream:
            assert at_work.exists()
            stream.write(b"mine")
        assert path.read_bytes() == b"mine"
        other.communicate("", timeout=60)
    assert path.read_bytes() == b"half"
    assert os.listdir(tmp_path) == ["a.bin"]
