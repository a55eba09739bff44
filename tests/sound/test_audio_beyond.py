"""A head that states less than the file holds: what lies behind is never lost in silence."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from hypothesis import given, settings
from hypothesis import strategies as st

from retune.carriers.errors import AudioError
from retune.sound import audiobeyond
from retune.sound.audio import open_audio

N = 3 * 8000
Change = Callable[[bytearray], None]


def put(name: bytes, behind: int, form: str, value: int) -> Change:
    """Writes a number so many bytes behind a name."""

    def change(data: bytearray) -> None:
        at = data.index(name) + behind
        data[at : at + struct.calcsize(form)] = struct.pack(form, value)

    return change


def flac_states(n_samples: int) -> Change:
    """The last 36 bits of 8 bytes in STREAMINFO (RFC 9639, section 8.2)."""

    def change(data: bytearray) -> None:
        kept = int.from_bytes(data[18:26], "big") >> 36 << 36
        data[18:26] = (kept | n_samples).to_bytes(8, "big")

    return change


LIES: dict[str, tuple[str, Change]] = {
    "flac, half": ("flac", flac_states(N // 2)),
    "flac, one sample": ("flac", flac_states(N - 1)),
    "flac, nearly nothing": ("flac", flac_states(10)),
    "wav, half": ("wav", put(b"data", 4, "<I", N)),
    "aiff, half": ("aiff", put(b"SSND", 4, ">I", N)),
    "mp3, a third": ("mp3", put(b"Xing", 8, ">I", 14)),
}


def written(kind: str, folder: Path, *, n: int = N, scale: float = 0.1) -> Path:
    path = folder / f"a.{kind}"
    noise = np.random.default_rng(1).standard_normal(n).astype(np.float32)
    sf.write(path, scale * noise, 8000)
    return path


@pytest.mark.parametrize("lie", LIES)
def test_a_head_that_states_less_than_there_is_is_told(lie: str, tmp_path: Path) -> None:
    kind, change = LIES[lie]
    path = written(kind, tmp_path)
    open_audio(path)
    data = bytearray(path.read_bytes())
    change(data)
    path.write_bytes(data)
    with pytest.raises(AudioError, match=r"holds more sound than the \d\.\d{3} s that its head"):
        open_audio(path)


@pytest.mark.parametrize(
    ("kind", "behind"),
    [
        ("wav", b"LIST\4\0\0\0INFO"),
        ("wav", b"\0LIST\4\0\0\0INFO"),
        ("wav", b"TAG" + b"a title".ljust(125, b"\0")),
        ("wav", b"ID3\4\0\0\0\0\1\1" + b"\1" * 129),
        ("wav", bytes(100_000)),
        ("aiff", b"ANNO\0\0\0\4word"),
        ("flac", b"TAG" + b"a title".ljust(125, b"\0")),
        ("mp3", b"TAG" + b"a title".ljust(125, b"\0")),
    ],
)
def test_words_behind_the_sound_are_none(kind: str, behind: bytes, tmp_path: Path) -> None:
    path = written(kind, tmp_path)
    n_samples = open_audio(path).n_samples
    path.write_bytes(path.read_bytes() + behind)
    assert open_audio(path).n_samples == n_samples


@settings(max_examples=20, deadline=None)
@given(
    n=st.sampled_from((1, 15, 16, 191, 4095, 4096, 4097, 9000)) | st.integers(1, 20_000),
    n_channels=st.integers(1, 2),
    rate_hz=st.sampled_from((8000, 11_025, 12_345, 44_100, 48_000, 192_000)),
    subtype=st.sampled_from(("PCM_S8", "PCM_16", "PCM_24")),
    scale=st.sampled_from((0.0, 0.001, 0.2)),
)
def test_the_last_frame_of_a_whole_flac_file_is_where_it_ends(
    n: int,
    n_channels: int,
    rate_hz: int,
    subtype: str,
    scale: float,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    from retune.sound.audiobeyond import last_of_flac

    path = tmp_path_factory.getbasetemp() / "one.flac"
    noise = np.random.default_rng(n).standard_normal((n, n_channels))
    sf.write(path, scale * noise, rate_hz, subtype=subtype)
    assert last_of_flac(path) == n


def test_what_looks_like_frames_without_end_is_looked_at_a_little(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = written("flac", tmp_path)
    data = path.read_bytes()
    at = len(data) - 500
    head = bytes.fromhex("fff8")
    path.write_bytes(data[:at] + head * 400_000)
    looked: list[int] = []

    def tried(*given: object) -> int:
        looked.append(1)
        return 0

    monkeypatch.setattr(audiobeyond, "_end_of_frame", tried)
    audiobeyond.last_of_flac(path)
    path.write_bytes(b"fLaC" + bytes(4_000_000))
    assert audiobeyond.last_of_flac(path) == 0
    assert 0 < len(looked) <= 1000
