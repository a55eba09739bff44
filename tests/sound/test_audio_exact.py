"""Sound files come back bit for bit; random access equals the whole decode."""

from __future__ import annotations

import pickle
import struct
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from hypothesis import given, settings
from hypothesis import strategies as st

from retune.carriers.heard import Audio, AudioLike
from retune.sound.audio import blocks_of, default_subtype, open_audio, write_wav
from retune.sound.audiohead import common_time_reference
from retune.sound.audiowrite import quantize

INTEGER_KINDS = [
    ("wav", "PCM_U8", 8),
    ("aiff", "PCM_S8", 8),
    ("wav", "PCM_16", 16),
    ("aiff", "PCM_16", 16),
    ("flac", "PCM_16", 16),
    ("wav", "PCM_24", 24),
    ("flac", "PCM_24", 24),
]


def every_code(bits: int) -> np.ndarray:
    """Integers over the whole range: all of them at 8 bits, else the edges and a random lot."""
    low, high = -(2 ** (bits - 1)), 2 ** (bits - 1) - 1
    if bits == 8:
        return np.arange(low, high + 1)
    rng = np.random.default_rng(bits)
    return np.concatenate(([low, low + 1, -1, 0, 1, high - 1, high], rng.integers(low, high, 9001)))


def noise(n: int, channels: int, *, seed: int = 3) -> np.ndarray:
    rng = np.random.default_rng(seed)
    tone = 0.3 * np.sin(0.05 * np.arange(n))[:, None]
    return (tone + 0.1 * rng.standard_normal((n, channels))).astype(np.float32)


@pytest.mark.parametrize(("suffix", "subtype", "bits"), INTEGER_KINDS)
def test_integer_files_survive_the_round_trip(
    tmp_path: Path, suffix: str, subtype: str, bits: int
) -> None:
    codes = every_code(bits)
    source = tmp_path / f"in.{suffix}"
    sf.write(source, (codes << (32 - bits)).astype(np.int32), 48000, subtype=subtype)
    audio = open_audio(source)
    samples = audio.read()
    assert samples.dtype == np.float32
    np.testing.assert_array_equal(samples[:, 0].astype(np.float64) * 2 ** (bits - 1), codes)

    assert default_subtype(audio) == ("PCM_24" if bits == 24 else "PCM_16")
    write_wav(
        tmp_path / "out.wav",
        blocks_of(audio, size=777),
        rate_hz=48000,
        n_channels=1,
        subtype="PCM_24",
    )
    written, _ = sf.read(tmp_path / "out.wav", dtype="int32")
    np.testing.assert_array_equal(written >> 8, codes << (24 - bits))
    np.testing.assert_array_equal(open_audio(tmp_path / "out.wav").read(), samples)


def test_16_bit_input_can_go_back_to_16_bits(tmp_path: Path) -> None:
    codes = np.arange(-32768, 32768)
    sf.write(tmp_path / "in.wav", codes.astype(np.int16), 44100, subtype="PCM_16")
    audio = open_audio(tmp_path / "in.wav")
    over = write_wav(
        tmp_path / "out.wav", [audio.read()], rate_hz=44100, n_channels=1, subtype="PCM_16"
    )
    np.testing.assert_array_equal(sf.read(tmp_path / "out.wav", dtype="int16")[0], codes)
    assert over == 0


@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE", "PCM_32"])
def test_wider_input_is_kept_as_float(tmp_path: Path, subtype: str) -> None:
    samples = noise(5000, 2) * (1.0 if subtype == "PCM_32" else 3.0)
    sf.write(tmp_path / "in.wav", samples, 96000, subtype=subtype)
    audio = open_audio(tmp_path / "in.wav")
    assert default_subtype(audio) == "FLOAT"
    write_wav(tmp_path / "out.wav", [audio.read()], rate_hz=96000, n_channels=2, subtype="FLOAT")
    again = open_audio(tmp_path / "out.wav")
    assert again.subtype == "FLOAT"
    np.testing.assert_array_equal(again.read(), audio.read())


def test_audio_in_memory_defaults_to_float() -> None:
    assert default_subtype(Audio(np.zeros(4), 48000)) == "FLOAT"


def test_over_full_scale_is_clipped_and_counted(tmp_path: Path) -> None:
    block = np.array([[1.5], [-1.5], [1.0], [-1.0], [0.25]], dtype=np.float32)
    over = write_wav(tmp_path / "a.wav", [block], rate_hz=8000, n_channels=1, subtype="PCM_16")
    assert over == 2
    codes = sf.read(tmp_path / "a.wav", dtype="int16")[0]
    assert codes.tolist() == [32767, -32768, 32767, -32768, 8192]


@given(st.lists(st.floats(-1, 1, width=32), min_size=1, max_size=50))
@settings(deadline=None)
def test_24_bits_hold_every_sample_within_half_a_step(values: list[float]) -> None:
    samples = np.array(values, dtype=np.float32)[:, None]
    packed, _ = quantize(samples, subtype="PCM_24")
    padded = np.concatenate([np.zeros((*packed.shape[:2], 1), np.uint8), packed], axis=2)
    codes = np.ascontiguousarray(padded).view("<i4")[..., 0] >> 8
    step = 2.0**-23
    errors = np.abs(codes * step - np.minimum(samples.astype(np.float64), 1 - step))
    assert errors.max() <= step / 2


CODECS = [
    ("ogg", "OGG", "VORBIS", 44100),
    ("opus", "OGG", "OPUS", 48000),
    ("mp3", "MP3", "MPEG_LAYER_III", 22050),
    ("flac", "FLAC", "PCM_24", 48000),
    ("aiff", "AIFF", "PCM_24", 48000),
    ("wav", "WAV", "IMA_ADPCM", 44100),
    ("wav", "WAV", "MS_ADPCM", 44100),
    ("wav", "WAV", "ULAW", 8000),
    ("wav", "RF64", "PCM_16", 192000),
]


@pytest.mark.parametrize(("suffix", "kind", "subtype", "rate_hz"), CODECS)
def test_random_access_equals_the_whole_decode(
    tmp_path: Path, suffix: str, kind: str, subtype: str, rate_hz: int
) -> None:
    path = tmp_path / f"a.{suffix}"
    sf.write(path, noise(rate_hz * 2 + 77, 2), rate_hz, format=kind, subtype=subtype)
    with sf.SoundFile(path) as stream:  # sf.read would seek first, which moves MP3 by 6e-8
        whole = stream.read(dtype="float32", always_2d=True)
    audio = open_audio(path)
    assert isinstance(audio, AudioLike)
    assert (audio.n_samples, audio.n_channels, audio.rate_hz) == (len(whole), 2, rate_hz)
    for start in np.random.default_rng(5).integers(0, len(whole), 12):
        stop = int(start) + 2500
        np.testing.assert_array_equal(audio.read(int(start), stop), whole[int(start) : stop])
    np.testing.assert_array_equal(np.concatenate(list(blocks_of(audio))), whole)


def test_a_flac_that_does_not_say_its_length_is_read_to_its_end(tmp_path: Path) -> None:
    sf.write(tmp_path / "a.flac", noise(30000, 1), 48000)
    data = bytearray((tmp_path / "a.flac").read_bytes())
    data[21] &= 0xF0  # the 36-bit sample count of STREAMINFO (RFC 9639, section 8.2): 0 = unknown
    data[22:26] = bytes(4)
    (tmp_path / "b.flac").write_bytes(data)
    assert open_audio(tmp_path / "b.flac").n_samples == 30000


def test_tags_before_the_sound_are_passed_over(tmp_path: Path) -> None:
    sf.write(tmp_path / "a.mp3", noise(30000, 1), 48000)
    plain = (tmp_path / "a.mp3").read_bytes()
    tag = b"ID3\4\0\0\0\0\1\x48" + bytes(200)  # 0x0148 in 7-bit bytes = 200 (ID3v2.4, 3.1)
    (tmp_path / "b.mp3").write_bytes(tag + plain)
    tagged = open_audio(tmp_path / "b.mp3")
    np.testing.assert_array_equal(tagged.read(), open_audio(tmp_path / "a.mp3").read())


def test_reads_are_clipped_to_what_exists(tmp_path: Path) -> None:
    sf.write(tmp_path / "a.wav", noise(1000, 2), 48000)
    audio = open_audio(tmp_path / "a.wav")
    assert audio.read(-50, 10).shape == (10, 2)
    assert audio.read(990, 5000).shape == (10, 2)
    assert audio.read(2000).shape == (0, 2)
    assert audio.read(10, 5).shape == (0, 2)
    assert audio.duration_s == 1000 / 48000


def test_one_sample_is_a_sound(tmp_path: Path) -> None:
    sf.write(tmp_path / "a.wav", np.array([0.5]), 48000)
    assert open_audio(tmp_path / "a.wav").read().tolist() == [[0.5]]


def test_crosses_to_another_process_as_a_path(tmp_path: Path) -> None:
    sf.write(tmp_path / "a.ogg", noise(200_000, 1), 48000)
    audio = open_audio(tmp_path / "a.ogg")
    packed = pickle.dumps(audio)
    assert len(packed) < 1000
    np.testing.assert_array_equal(pickle.loads(packed).read(5, 90), audio.read(5, 90))


def test_threads_may_share_one_file(tmp_path: Path) -> None:
    samples = noise(100_000, 2)
    sf.write(tmp_path / "a.wav", samples, 48000, subtype="FLOAT")
    audio = open_audio(tmp_path / "a.wav")
    starts = [int(s) for s in np.random.default_rng(0).integers(0, 99_000, 200)]
    with ThreadPoolExecutor(8) as pool:
        for start, block in zip(
            starts, pool.map(lambda s: audio.read(s, s + 500), starts), strict=True
        ):
            np.testing.assert_array_equal(block, samples[start : start + 500])


def test_what_is_read_can_be_changed_without_touching_the_next_read(tmp_path: Path) -> None:
    sf.write(tmp_path / "a.mp3", noise(30_000, 1), 44100)
    audio = open_audio(tmp_path / "a.mp3")
    block = audio.read(0, 100)
    block[:] = 9.0
    assert audio.read(0, 100).max() < 2.0


def chunks(data: bytes) -> dict[bytes, bytes]:
    found, at = {}, 12
    while at + 8 <= len(data):
        size = struct.unpack("<I", data[at + 4 : at + 8])[0]
        found[data[at : at + 4]] = data[at + 8 : at + 8 + size]
        at += 8 + size + size % 2
    assert at == len(data)
    return found


def test_the_file_carries_bext_and_info(tmp_path: Path) -> None:
    path = tmp_path / "new" / "a.wav"
    path.parent.mkdir()
    info = {"ISFT": "retune 0.1.0", "ICMT": "altered", "INAM": "Lantern Song", "ICOP": "CC0 é"}
    write_wav(
        path, [noise(333, 1)], rate_hz=48000, n_channels=1, subtype="PCM_24",
        description="altered with retune", info=info, time_reference=5_000_000_000,
    )  # fmt: skip
    data = path.read_bytes()
    assert struct.unpack("<I", data[4:8])[0] == len(data) - 8
    found = chunks(data)
    bext = found[b"bext"]  # field sizes: EBU Tech 3285 version 2
    assert bext[:256].rstrip(b"\0") == b"altered with retune"
    assert bext[320:338] == bytes(18)  # no date and time: equal input, equal bytes
    assert struct.unpack("<QH", bext[338:348]) == (5_000_000_000, 2)
    assert bext[602:].startswith(b"A=PCM,F=48000,W=24,M=mono")
    assert bext[602:].endswith(b"\r\n")
    for name, text in info.items():  # a checksum follows the name of the program
        end = b" " if name == "ISFT" else b"\0"
        assert text.encode() + end in found[b"LIST"]
    assert sf.info(path).extra_info  # libsndfile reads it as well
    with sf.SoundFile(path) as stream:
        assert stream.title == "Lantern Song"
        assert stream.comment == "altered"


def test_long_text_is_cut_between_characters(tmp_path: Path) -> None:
    write_wav(
        tmp_path / "a.wav", [noise(10, 1)], rate_hz=48000, n_channels=1, subtype="PCM_16",
        description="x" + "é" * 200,
    )  # fmt: skip
    field = chunks((tmp_path / "a.wav").read_bytes())[b"bext"][:256].rstrip(b"\0")
    assert field.decode("utf-8") == "x" + "é" * 127


def test_a_row_of_samples_is_one_channel(tmp_path: Path) -> None:
    row = noise(50, 1)[:, 0]
    write_wav(tmp_path / "a.wav", [row], rate_hz=48000, n_channels=1, subtype="FLOAT")
    np.testing.assert_array_equal(open_audio(tmp_path / "a.wav").read()[:, 0], row)


def test_equal_input_gives_equal_bytes_however_it_is_cut(tmp_path: Path) -> None:
    samples = noise(10_001, 1)
    for name, size in (("a.wav", 10_001), ("b.wav", 64)):
        write_wav(
            tmp_path / name, blocks_of(Audio(samples, 48000), size=size), rate_hz=48000,
            n_channels=1, subtype="PCM_24",
        )  # fmt: skip
    assert (tmp_path / "a.wav").read_bytes() == (tmp_path / "b.wav").read_bytes()


def test_over_4_gb_the_header_is_rf64(tmp_path: Path) -> None:
    from retune.sound.wavmeta import WavHeader

    header = WavHeader(48000, 2, "FLOAT")
    small, large = header.pack(100), header.pack(1 << 30)
    assert len(small) == len(large)
    assert (small[:4], large[:4]) == (b"RIFF", b"RF64")
    assert large[4:8] == b"\xff" * 4
    assert large[12:16] == b"ds64"
    riff, data, count = struct.unpack("<QQQ", large[20:44])
    assert (data, count) == ((1 << 30) * 8, 1 << 30)
    assert riff == len(large) + data - 8


def stamped(path: Path, time_reference: int) -> Path:
    write_wav(
        path, [noise(64, 1)], rate_hz=48000, n_channels=1, subtype="PCM_16",
        time_reference=time_reference,
    )  # fmt: skip
    return path


def test_the_time_reference_on_which_stems_agree_is_found(tmp_path: Path) -> None:
    hour = 3600 * 48000
    one, same = stamped(tmp_path / "a.wav", hour), stamped(tmp_path / "b.wav", hour)
    other = stamped(tmp_path / "c.wav", hour + 1)
    sf.write(tmp_path / "plain.wav", noise(64, 1), 48000)
    sf.write(tmp_path / "plain.flac", noise(64, 1), 48000)
    plain = [tmp_path / "plain.wav", tmp_path / "plain.flac"]
    assert common_time_reference([one, same, *plain]) == hour
    assert common_time_reference([one, other]) == 0
    assert common_time_reference(plain) == 0
