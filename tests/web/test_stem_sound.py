"""A stem on its way to the page: every range exact, a block at a time, and only as it was heard."""

from __future__ import annotations

import io
import os
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from web_client import client_of, demo_copy

from retune.carriers.errors import AudioError
from retune.faces.web.stem_sound import BLOCK_SAMPLES, SentStem, asked_range
from retune.sound.audio import KEPT_BYTES, open_audio
from retune.sound.files import sha256_file

RATE_HZ = 16_000
KINDS = {
    "wave": ("a.wav", "PCM_16"),
    "fine": ("a.flac", "PCM_24"),
    "decoded whole": ("a.ogg", "VORBIS"),
}


def sound(path: Path, subtype: str, n_samples: int = 150_000) -> SentStem:
    noise = np.random.default_rng(1).uniform(-0.5, 0.5, (n_samples, 2))
    soundfile.write(path, noise, RATE_HZ, subtype=subtype)
    return SentStem(open_audio(path), sha256_file(path))


@pytest.fixture(scope="module", params=KINDS)
def stem(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> SentStem:
    return sound(tmp_path_factory.mktemp("stem") / KINDS[request.param][0], KINDS[request.param][1])


def test_the_whole_is_the_stem_sample_for_sample(stem: SentStem) -> None:
    whole = b"".join(stem.read(0, stem.n_bytes))
    assert len(whole) == stem.n_bytes
    heard, rate = soundfile.read(io.BytesIO(whole), dtype="float32", always_2d=True)
    assert rate == RATE_HZ
    assert np.array_equal(heard, stem.audio.read())


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=40)
@given(data=st.data())
def test_every_range_is_that_part_of_the_whole(stem: SentStem, data: st.DataObject) -> None:
    whole = b"".join(stem.read(0, stem.n_bytes))
    near = st.sampled_from(
        [0, 1, 700, 701, 8 * BLOCK_SAMPLES, 8 * BLOCK_SAMPLES + 3, stem.n_bytes - 1]
    )
    start = data.draw(near | st.integers(0, stem.n_bytes - 1))
    stop = data.draw(near | st.integers(0, stem.n_bytes))
    start, stop = min(start, stem.n_bytes), min(stop, stem.n_bytes)
    assert b"".join(stem.read(start, stop)) == whole[start:stop]


@pytest.mark.parametrize(
    ("text", "span"),
    [
        ("", (0, 100)),
        ("bytes=0-", (0, 100)),
        ("bytes=10-19", (10, 20)),
        ("bytes=90-500", (90, 100)),
        ("bytes=-10", (90, 100)),
        ("bytes=-500", (0, 100)),
        ("bytes=-0", None),
        ("bytes=100-", None),
        ("bytes=20-10", None),
        ("bytes=1-2,5-6", (0, 100)),
        ("bytes=-", (0, 100)),
        ("bytes=" + "9" * 5000 + "-", (0, 100)),
        ("seconds=1-2", (0, 100)),
    ],
)
def test_ranges_are_read_as_the_standard_has_them(text: str, span: tuple[int, int] | None) -> None:
    assert asked_range(text, 100) == span


def test_a_long_stem_takes_the_memory_of_a_block(tmp_path: Path) -> None:
    stem = sound(tmp_path / "a.flac", "PCM_24", n_samples=4_000_000)
    assert stem.n_bytes > 30_000_000
    tracemalloc.start()
    for _ in stem.read(0, stem.n_bytes):
        pass
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 8_000_000


def test_an_hour_is_sent_from_any_place_in_the_memory_of_a_block(tmp_path: Path) -> None:
    rate_hz, second = 10_000, np.random.default_rng(1).integers(-9, 9, 10_000, dtype=np.int16)
    path = tmp_path / "a.flac"
    with soundfile.SoundFile(path, "w", rate_hz, 1, "PCM_24", format="FLAC") as stream:
        for _ in range(3600):
            stream.write(second)
    stem = SentStem(open_audio(path), sha256_file(path))
    assert stem.n_bytes > KEPT_BYTES  # else a process keeps the whole, outside of its memory
    tracemalloc.start()
    for at_s in (3590, 1800, 0, 3599):
        stop = stem.n_bytes - 4 * rate_hz * (3599 - at_s)
        sent = np.frombuffer(b"".join(stem.read(stop - 4 * rate_hz, stop)), dtype="<f4")
        assert np.array_equal(sent * 2**15, second)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 8_000_000


@pytest.mark.parametrize("how", ["written over", "grown", "exchanged", "gone"])
@pytest.mark.parametrize("kind", ["wave", "fine"])
def test_a_stem_that_changes_while_it_is_sent_is_noticed(
    how: str, kind: str, tmp_path: Path
) -> None:
    path = tmp_path / KINDS[kind][0]
    stem = sound(path, KINDS[kind][1], n_samples=600_000)
    pieces = stem.read(0, stem.n_bytes)
    next(pieces)
    status, content = path.stat(), path.read_bytes()
    if how == "written over":
        with open(path, "r+b") as stream:
            stream.seek(len(content) - 1000)
            stream.write(bytes(500))
    elif how == "grown":
        path.write_bytes(content + b"more")
    elif how == "exchanged":
        (tmp_path / "new").write_bytes(content[:-1000] + bytes(1000))
        os.replace(tmp_path / "new", path)
    else:
        path.unlink()
    if how != "gone":
        os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
    with pytest.raises(AudioError, match=r"changed while it was in use|has gone"):
        list(pieces)


def test_a_head_tells_the_length_and_decodes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = client_of(demo_copy(tmp_path / "song"))
    whole = client.get("stem?name=bass")
    monkeypatch.setattr(SentStem, "read", None)
    answer = client.ask("HEAD", "/api/stem?name=bass")
    assert answer.status_code == 200
    assert answer.headers["content-length"] == str(len(whole.content))
    assert not answer.content
    beyond = client.get("stem?name=bass", headers={"range": "bytes=999999999999-"})
    assert beyond.status_code == 416
