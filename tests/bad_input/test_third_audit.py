"""What a third look from outside found: small files that ask for all room or memory, and moments in
which the user's own words were lost."""

from __future__ import annotations

import shutil
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from retune.carriers.errors import AudioError, OutputError
from retune.sound.audio import open_audio


def box(name: bytes, *parts: bytes) -> bytes:
    content = b"".join(parts)
    return struct.pack(">I", 8 + len(content)) + name + content


def long_box(name: bytes, *parts: bytes) -> bytes:
    content = b"".join(parts)
    return struct.pack(">I4sQ", 1, name, 16 + len(content)) + content


MANY = 80_000_000
COUNTS: dict[str, bytes] = {
    "sizes": box(b"stsz", struct.pack(">III", 0, 8, MANY)),
    "sizes in a long box": long_box(b"stsz", struct.pack(">III", 0, 8, MANY)),
    "small sizes": box(b"stz2", struct.pack(">III", 0, 4, MANY)),
    "a run": box(b"trun", struct.pack(">II", 0, MANY)),
    "many runs": box(b"trun", struct.pack(">II", 0, 700)) * 100,
}


@pytest.mark.parametrize("name", COUNTS)
@pytest.mark.parametrize("home", [b"stbl", b"traf", b"udta"])
def test_a_film_that_counts_more_than_it_holds_is_not_opened(
    tmp_path: Path, name: str, home: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    av = pytest.importorskip("av")
    monkeypatch.setattr(av, "open", lambda *_, **__: pytest.fail("FFmpeg was asked"))
    path = tmp_path / "a.m4a"
    inside = box(b"moov", box(b"trak", box(home, box(b"free", b"\0" * 5), COUNTS[name])))
    path.write_bytes(box(b"ftyp", b"M4A \0\0\0\0") + inside + box(b"mdat", bytes(40)))
    with pytest.raises(AudioError, match="damaged or cut off"):
        open_audio(path)


def test_a_sound_takes_half_of_the_room_to_decode(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def room(free: int) -> Any:
        return lambda _: shutil._ntuple_diskusage(10 * free, 9 * free, free)  # type: ignore[attr-defined]

    soundfile.write(tmp_path / "a.mp3", np.zeros(480_000), 48_000)
    monkeypatch.setattr(shutil, "disk_usage", room(3_000_000))
    with pytest.raises(OutputError, match=r"no room to decode a\.mp3 in .*half of what is free"):
        open_audio(tmp_path / "a.mp3")
    monkeypatch.setattr(shutil, "disk_usage", room(5_000_000))
    assert open_audio(tmp_path / "a.mp3").duration_s == pytest.approx(10.0, abs=0.1)
