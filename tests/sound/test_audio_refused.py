"""Sound that cannot be used is refused in one line that names the file and the fix."""

from __future__ import annotations

import errno
import os
import struct
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile as sf

from retune.carriers.errors import AudioError, OutputError, UsageError
from retune.carriers.heard import Audio
from retune.sound.audio import check_stems, open_audio, write_wav
from retune.sound.audiochecks import audio_warnings


def tone(n: int = 48000, channels: int = 1) -> np.ndarray:
    return np.tile(0.5 * np.sin(0.05 * np.arange(n))[:, None], (1, channels))


def cut(path: Path, kind: str, *, keep: float = 0.5) -> None:
    sf.write(path, tone(), 48000, format=kind)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * keep)])


def long_header(path: Path) -> None:
    """One second of sound under a header that promises a day."""
    sf.write(path, tone(), 8000)
    data = bytearray(path.read_bytes())
    at = data.index(b"data")
    data[at + 4 : at + 8] = struct.pack("<I", 8000 * 2 * 86400)
    path.write_bytes(data)


def long_flac(path: Path) -> None:
    sf.write(path, tone(), 48000)
    data = bytearray(path.read_bytes())
    data[21] |= 0x0F  # 36-bit sample count of STREAMINFO (RFC 9639, section 8.2)
    path.write_bytes(data)


def endless_header(path: Path) -> None:
    """Chunks that promise more than a disk can hold, and a ds64 that is cut short."""
    path.write_bytes(
        b"RF64\xff\xff\xff\xffWAVEdata\xff\xff\xff\xff" + b"ds64\x1c\0\0\0" + b"\xff" * 9
    )


def zeros_behind_a_header(path: Path) -> None:
    with open(path, "wb") as stream:
        stream.write(b"RIFF\xff\xff\xff\x7fWAVE")
        stream.truncate(1 << 30)  # sparse: takes no room on disk


def loop(path: Path) -> None:
    os.symlink(path, path)


CASES: list[tuple[str, Callable[[Path], Any], str]] = [
    ("none.wav", lambda p: None, "does not exist; check the name"),
    ("empty.wav", lambda p: p.write_bytes(b""), "is empty"),
    ("folder.wav", lambda p: p.mkdir(), "is a folder"),
    ("pipe.wav", lambda p: os.mkfifo(p), "is not a regular file"),
    ("loop.wav", loop, "cannot be read"),
    ("text.wav", lambda p: p.write_text("la la la\n" * 99), "is not a sound file; convert"),
    ("zeros.mp3", lambda p: p.write_bytes(bytes(5000)), "is not a sound file"),
    ("song.m4a", lambda p: p.write_bytes(b"\0\0\0 ftypM4A " + bytes(99)), "is damaged or cut off"),
    ("renamed.flac", lambda p: p.write_bytes(b"PK\3\4" + bytes(99)), "is ZIP, which is not read"),
    ("riff.wav", lambda p: p.write_bytes(b"RIFF\4\0\0\0WAVE"), "is damaged or not WAV"),
    ("no_samples.wav", lambda p: sf.write(p, np.zeros(0), 48000), "holds no samples"),
    ("cut.wav", lambda p: cut(p, "WAV"), r"is cut off: its header promises \d+ more bytes"),
    ("cut.aiff", lambda p: cut(p, "AIFF"), "is cut off: its header promises"),
    ("cut.flac", lambda p: cut(p, "FLAC"), "is damaged or cut off"),
    ("cut.mp3", lambda p: cut(p, "MP3"), r"is cut off: it holds .* of the 1\.000 s"),
    ("head.flac", lambda p: p.write_bytes(b"fLaC\0\0\0\x22" + bytes(40)), "damaged"),
    ("day.wav", long_header, "is cut off: its header promises"),
    ("endless.wav", endless_header, r"damaged|cut off"),
    ("hollow.wav", zeros_behind_a_header, "damaged"),
    ("day.flac", long_flac, "is longer than 6 hours; cut it"),
    ("eight.wav", lambda p: sf.write(p, tone(channels=8), 48000), "has 8 channels; export it as"),
    ("low.wav", lambda p: sf.write(p, tone(), 4000), "rate of 4000 Hz; allowed are 8000 to 192000"),
    ("high.wav", lambda p: sf.write(p, tone(), 384000), "rate of 384000 Hz"),
    ("gsm.wav", lambda p: sf.write(p, tone(), 8000, subtype="GSM610"), "is coded as GSM610"),
]


@pytest.mark.parametrize(("name", "make", "message"), CASES, ids=[case[0] for case in CASES])
def test_refused_in_one_line(
    tmp_path: Path, name: str, make: Callable[[Path], Any], message: str
) -> None:
    path = tmp_path / name
    make(path)
    with pytest.raises(AudioError, match=message) as caught:
        open_audio(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_nan_and_infinity_are_errors(tmp_path: Path, bad: float) -> None:
    samples = tone()
    samples[24000] = bad
    sf.write(tmp_path / "a.wav", samples, 48000, subtype="FLOAT")
    audio = open_audio(tmp_path / "a.wav")
    with pytest.raises(AudioError, match=r"a\.wav holds NaN or infinity at 0\.500 s"):
        audio.read(23990, 24010)
    with pytest.raises(AudioError, match="NaN or infinity"):
        audio_warnings(audio)
    with pytest.raises(AudioError, match="mix holds NaN"):
        audio_warnings(Audio(samples, 48000), name="mix")


def test_a_file_that_changes_while_in_use_is_noticed(tmp_path: Path) -> None:
    sf.write(tmp_path / "a.wav", tone(), 48000)
    audio = open_audio(tmp_path / "a.wav")
    sf.write(tmp_path / "a.wav", tone(500), 48000)
    with pytest.raises(AudioError, match="changed while it was in use"):
        audio.read()
    (tmp_path / "a.wav").unlink()
    with pytest.raises(AudioError, match="has gone"):
        audio.read()


def test_a_sound_that_decodes_to_any_length_is_stopped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("retune.sound.audio._MAX_DECODED_S", 2)
    sf.write(tmp_path / "a.mp3", np.zeros(48000 * 5), 48000)
    with pytest.raises(AudioError, match="is longer than 6 hours"):
        open_audio(tmp_path / "a.mp3")


def test_no_room_to_decode_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full() -> Any:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("tempfile.TemporaryFile", full)
    sf.write(tmp_path / "a.mp3", tone(), 48000)
    with pytest.raises(OutputError, match=r"no room to decode a\.mp3 in .*; free some space"):
        open_audio(tmp_path / "a.mp3")


def test_damage_in_the_middle_is_found_when_it_is_read(tmp_path: Path) -> None:
    rng = np.random.default_rng(0)
    sf.write(tmp_path / "a.flac", 0.3 * rng.standard_normal(200_000), 48000)
    data = bytearray((tmp_path / "a.flac").read_bytes())
    middle = len(data) // 2
    data[middle : middle + 20_000] = bytes(20_000)
    (tmp_path / "a.flac").write_bytes(data)
    audio = open_audio(tmp_path / "a.flac")
    with pytest.raises(AudioError, match=r"damaged or cut off|cut off at"):
        audio.read()


def test_a_wav_left_open_by_a_pipe_is_read(tmp_path: Path) -> None:
    sf.write(tmp_path / "a.wav", tone(), 48000)
    data = bytearray((tmp_path / "a.wav").read_bytes())
    at = data.index(b"data")
    data[at + 4 : at + 8] = b"\xff" * 4
    (tmp_path / "a.wav").write_bytes(data)
    assert open_audio(tmp_path / "a.wav").n_samples == 48000


def test_a_sound_file_is_known_by_its_content(tmp_path: Path) -> None:
    sf.write(tmp_path / "a.flac", tone(), 48000)
    os.rename(tmp_path / "a.flac", tmp_path / "歌 \u202eα🎵.wav")
    assert open_audio(tmp_path / "歌 \u202eα🎵.wav").format == "FLAC"


# --- warnings --------------------------------------------------------------------------------


def test_clean_sound_has_no_warning() -> None:
    assert audio_warnings(Audio(tone(100_000, 2), 48000)) == []


def test_silence_is_warned_of(tmp_path: Path) -> None:
    sf.write(tmp_path / "quiet.wav", np.zeros(100), 48000)
    assert audio_warnings(open_audio(tmp_path / "quiet.wav")) == ["quiet.wav is silent"]


@pytest.mark.parametrize("start", [10, 65_530, 65_536, 65_535, 99_000])
@pytest.mark.parametrize("length", [3, 200])
def test_a_clipped_run_counts_once_wherever_it_lies(start: int, length: int) -> None:
    samples = tone(140_000, 2)
    samples[start : start + length, 1] = 1.0
    (line,) = audio_warnings(Audio(samples, 48000), name="a")
    assert "clipped in 1 place," in line
    assert f"first at {start / 48000:.3f} s" in line


def test_a_clipped_run_over_whole_blocks_counts_once() -> None:
    samples = tone(300_000)
    samples[1000:250_000] = -1.0
    samples[260_000:260_003] = 1.0
    lines = audio_warnings(Audio(samples, 48000), name="a")
    assert "clipped in 2 places, first at 0.021 s" in lines[0]


def test_two_full_samples_are_no_clipping() -> None:
    samples = tone(1000)
    samples[500:502] = 1.0
    assert audio_warnings(Audio(samples, 48000)) == []


def test_dc_is_warned_of() -> None:
    assert "DC offset of +0.100" in audio_warnings(Audio(tone() + 0.1, 48000), name="a")[0]
    assert audio_warnings(Audio(tone() + 0.005, 48000)) == []


def test_stems_of_different_rate_are_refused_by_name() -> None:
    stems = {"vocal": Audio(tone(), 48000), "bass": Audio(tone(), 44100)}
    with pytest.raises(AudioError, match="stem vocal has 48000 Hz but stem bass has 44100 Hz"):
        check_stems(stems)


def test_stems_of_different_length_are_warned_of() -> None:
    stems = {"vocal": Audio(tone(48000), 48000), "bass": Audio(tone(24000), 48000)}
    (line,) = check_stems(stems)
    assert "bass lasts 0.500 s, vocal 1.000 s" in line
    assert check_stems({"vocal": stems["vocal"], "harp": stems["vocal"]}) == []
    assert check_stems({}) == []


# --- writing ---------------------------------------------------------------------------------


def write(path: Path, blocks: Any = None, **options: Any) -> int:
    settings = {"rate_hz": 48000, "n_channels": 1, "subtype": "PCM_16", **options}
    return write_wav(path, [tone(100)] if blocks is None else blocks, **settings)


@pytest.mark.parametrize("link", ["same", "symlink", "hardlink"])
def test_an_input_is_never_written_over(tmp_path: Path, link: str) -> None:
    source, target = tmp_path / "in.wav", tmp_path / "out.wav"
    sf.write(source, tone(), 48000)
    before = source.read_bytes()
    if link == "symlink":
        os.symlink(source, target)
    elif link == "hardlink":
        os.link(source, target)
    else:
        target = tmp_path / "." / "in.wav"
    with pytest.raises(UsageError, match="is an input; choose another --out"):
        write(target, protect=[source])
    assert source.read_bytes() == before


def test_an_error_midway_leaves_what_was_there(tmp_path: Path) -> None:
    write(tmp_path / "a.wav")
    before = (tmp_path / "a.wav").read_bytes()

    def broken() -> Iterator[np.ndarray]:
        yield tone(100_000)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write(tmp_path / "a.wav", broken())
    assert (tmp_path / "a.wav").read_bytes() == before
    assert os.listdir(tmp_path) == ["a.wav"]


def test_nan_is_never_written(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="the result holds NaN"):
        write(tmp_path / "a.wav", [np.full((5, 1), np.nan, np.float32)])
    assert os.listdir(tmp_path) == []


def test_no_blocks_make_an_empty_but_valid_file(tmp_path: Path) -> None:
    write(tmp_path / "a.wav", [])
    assert sf.info(tmp_path / "a.wav").frames == 0


def test_a_block_of_the_wrong_width_is_a_mistake_of_the_caller(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"shape \(100, 2\) where \(n, 1\) is needed"):
        write(tmp_path / "a.wav", [tone(100, 2)])


def test_unknown_subtype_and_tag(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="'PCM_12' is not written; use PCM_16, PCM_24"):
        write(tmp_path / "a.wav", subtype="PCM_12")
    with pytest.raises(UsageError, match="INFO tag 'IXXX'"):
        write(tmp_path / "a.wav", info={"IXXX": "no"})


@pytest.mark.parametrize(
    ("path", "message"),
    [
        ("none/a.wav", "its folder does not exist"),
        ("file/a.wav", "is a file, not a folder"),
        ("folder", "a folder of that name is in the way"),
        ("x" * 300 + ".wav", "the name is too long"),
    ],
)
def test_what_cannot_be_written_is_said_in_one_line(
    tmp_path: Path, path: str, message: str
) -> None:
    (tmp_path / "file").write_text("")
    (tmp_path / "folder").mkdir()
    with pytest.raises(OutputError, match=message):
        write(tmp_path / path)
    assert sorted(os.listdir(tmp_path)) == ["file", "folder"]


@pytest.mark.parametrize(
    ("code", "message"),
    [(errno.ENOSPC, "the disk is full"), (errno.EROFS, "read-only"), (errno.EIO, "error")],
)
def test_a_disk_that_fails_while_writing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int, message: str
) -> None:
    def fail(handle: int) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(OutputError, match=message):
        write(tmp_path / "a.wav")
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize(
    ("kind", "said"), [("FLAC", "MB that are no sound"), ("MP3", "6 hours"), ("OGG", "6 hours")]
)
def test_gigabytes_of_nothing_behind_the_sound(kind: str, said: str, tmp_path: Path) -> None:
    """A sparse file takes no disk, and a decoder minutes, or memory for all of it."""
    path = tmp_path / "sound"
    sf.write(path, tone(), 48000, format=kind)
    os.truncate(path, 2_000_000_000)
    with pytest.raises(AudioError, match=said):
        open_audio(path)


def test_junk_between_frames_is_not_walked_through_without_end(tmp_path: Path) -> None:
    path = tmp_path / "sound"
    sf.write(path, tone(), 48000, format="MP3")
    with open(path, "ab") as stream:
        stream.write(b"\xff\xe3" * 4_000_000)
    assert open_audio(path).n_samples >= 48000
