"""Sound out of phones' and films' files, written here by FFmpeg's own encoders."""

from __future__ import annotations

import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import fftconvolve

from retune.carriers.errors import AudioError
from retune.sound.audio import open_audio
from retune.sound.audiochecks import audio_warnings

av = pytest.importorskip("av", reason="needs the extra media")
RATE_HZ = 44100
FORMS = {
    "song.m4a": ("aac", "fltp"),
    "song.mp4": ("aac", "fltp"),
    "song.mov": ("alac", "s16p"),
    "song.webm": ("libopus", "flt"),
    "song.wma": ("wmav2", "fltp"),
    "song.aac": ("aac", "fltp"),
}


def clicks(rate_hz: int = RATE_HZ, seconds: float = 2.0) -> np.ndarray:
    """A rising tone with clicks at .5 and 1.5 s, (n, 2); a codec keeps where they are."""
    t = np.arange(int(seconds * rate_hz)) / rate_hz
    y = 0.1 * np.sin(2 * np.pi * (220 * t + 400 * t**2))
    for at_s in (0.5, 1.5):
        first = int(at_s * rate_hz)
        y[first : first + 40] += 0.7 * np.hanning(40)
    return np.stack([y, 0.5 * y], axis=1).astype(np.float32)


def write_media(path: Path, y: np.ndarray, codec: str, form: str, rate_hz: int) -> None:
    with av.open(str(path), "w") as container:
        layout = {1: "mono", 2: "stereo", 6: "5.1"}[y.shape[1]]
        stream = container.add_stream(codec, rate=rate_hz, layout=layout)
        stream.bit_rate = 192_000
        fit = av.AudioResampler(format=form, layout=layout, rate=rate_hz)
        frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(y.T), format="fltp", layout=layout)
        frame.sample_rate = rate_hz
        frame.pts = 0
        fifo = av.AudioFifo()
        for part in fit.resample(frame):
            part.pts = None
            fifo.write(part)
        size = stream.codec_context.frame_size or 1024
        done = 0
        while part := fifo.read(size, partial=True):
            part.pts, part.time_base = done, Fraction(1, rate_hz)
            done += part.samples
            container.mux(stream.encode(part))
        container.mux(stream.encode(None))


@pytest.mark.parametrize("name", FORMS)
def test_sound_comes_out_where_it_was(tmp_path: Path, name: str) -> None:
    codec, form = FORMS[name]
    rate_hz = 48000 if codec == "libopus" else RATE_HZ
    y = clicks(rate_hz)
    write_media(tmp_path / name, y, codec, form, rate_hz)
    audio = open_audio(tmp_path / name)
    assert (audio.rate_hz, audio.n_channels) == (rate_hz, 2)
    found = audio.read()
    # Formats without an edit list (raw AAC, WMA) cannot say how much their encoder put before.
    late = 2048 if name.endswith((".aac", ".wma")) else 0
    assert abs(len(found) - len(y)) <= 2048 + late
    lag = int(np.argmax(fftconvolve(found[:, 0], y[::-1, 0]))) - (len(y) - 1)
    assert -late <= lag <= late
    np.testing.assert_array_equal(audio.read(100, 5000), found[100:5000])
    told = audio_warnings(audio)
    assert any("lossy" in line for line in told) == (codec != "alac")


def test_alac_gives_every_sample_back(tmp_path: Path) -> None:
    y = np.round(clicks() * 32768) / np.float32(32768)
    write_media(tmp_path / "a.m4a", y, "alac", "s16p", RATE_HZ)
    np.testing.assert_array_equal(open_audio(tmp_path / "a.m4a").read(), y)


def test_six_channels_become_two(tmp_path: Path) -> None:
    six = np.repeat(clicks()[:, :1], 6, axis=1) * np.float32(0.3)
    write_media(tmp_path / "film.mp4", six, "aac", "fltp", RATE_HZ)
    assert open_audio(tmp_path / "film.mp4").n_channels == 2


def test_a_torn_file_is_told(tmp_path: Path) -> None:
    path = tmp_path / "a.m4a"
    write_media(path, clicks(), "aac", "fltp", RATE_HZ)
    path.write_bytes(path.read_bytes()[:3000])
    with pytest.raises(AudioError, match=r"damaged|cut off|no sound"):
        open_audio(path)


def test_a_film_without_sound_is_told(tmp_path: Path) -> None:
    path = tmp_path / "mute.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("mpeg4", rate=10)
        stream.width, stream.height, stream.pix_fmt = 32, 32, "yuv420p"
        frame = av.VideoFrame.from_ndarray(np.zeros((32, 32, 3), np.uint8), format="rgb24")
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    with pytest.raises(AudioError, match="no sound track"):
        open_audio(path)


def test_the_extra_is_named_where_it_is_missing(tmp_path: Path) -> None:
    path = tmp_path / "a.m4a"
    write_media(path, clicks(), "aac", "fltp", RATE_HZ)
    code = (
        "import sys; sys.modules['av'] = None\n"
        "from retune.sound.audio import open_audio\n"
        f"try:\n    open_audio({str(path)!r})\nexcept Exception as e:\n    print(e)"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "retune[media]" in said.stdout
