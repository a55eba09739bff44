"""Films as PyAV decodes them: length, sound in time with the picture, the reading line."""

from __future__ import annotations

import io
import sys
from dataclasses import replace
from typing import Any

import av
import numpy as np
import pytest
from compare_songs import lantern, tension_of
from export_songs import lantern_material

from retune.carriers.errors import UsageError
from retune.comparison.exports.film import (
    FPS,
    GAP_S,
    HEIGHT,
    WIDTH,
    Scene,
    Still,
    _caption,
    film_bars,
    frames_of,
    write_film,
)
from retune.comparison.exports.material import Material
from retune.comparison.picture_style import text_width

RATE_HZ = 44_100
SPAN_S = (6.0, 8.0)
TICK_S = 0.5


def ticks(frequency_hz: float) -> np.ndarray:
    """Two seconds of silence but for a short tone at half a second."""
    n = round((SPAN_S[1] - SPAN_S[0]) * RATE_HZ)
    sound = np.zeros((n, 2), np.float32)
    first = round(TICK_S * RATE_HZ)
    time = np.arange(round(0.2 * RATE_HZ)) / RATE_HZ
    sound[first : first + len(time)] = 0.5 * np.sin(2 * np.pi * frequency_hz * time)[:, None]
    return sound


def film(material: Material) -> bytes:
    scenes = [
        Scene("original", None, ticks(440.0), "1 of 2"),
        Scene("home-early", material.plans[0], ticks(880.0), "2 of 2"),
    ]
    stream = io.BytesIO()
    write_film(stream, material=material, scenes=scenes, span_s=SPAN_S, rate_hz=RATE_HZ)
    return stream.getvalue()


@pytest.fixture(scope="module")
def made() -> bytes:
    return film(lantern_material())


def decoded(data: bytes) -> tuple[list[np.ndarray], np.ndarray, Any]:
    with av.open(io.BytesIO(data)) as container:
        facts = dict(container.metadata)
        frames = [frame.to_ndarray(format="gray") for frame in container.decode(video=0)]
    with av.open(io.BytesIO(data)) as container:
        sound = [frame.to_ndarray() for frame in container.decode(audio=0)]
    return frames, np.concatenate(sound, axis=1), facts


def test_length_size_and_labels(made: bytes) -> None:
    frames, sound, facts = decoded(made)
    total_s = 2 * (SPAN_S[1] - SPAN_S[0]) + GAP_S
    assert len(frames) == round(total_s * FPS)
    assert frames[0].shape == (HEIGHT, WIDTH)
    assert sound.shape[1] / RATE_HZ == pytest.approx(total_s, abs=0.05)
    assert facts["title"] == "Lantern Song"
    assert facts["copyright"] == "CC0 1.0"
    assert "altered with retune: home-early" in facts["comment"]


def test_sound_is_in_time_with_the_picture(made: bytes) -> None:
    _, sound, _ = decoded(made)
    level = np.abs(sound[0])
    for start_s, frequency_hz in ((0.0, 440.0), (SPAN_S[1] - SPAN_S[0] + GAP_S, 880.0)):
        cut = level[round((start_s + 0.1) * RATE_HZ) : round((start_s + 1.5) * RATE_HZ)]
        onset_s = 0.1 + float(np.argmax(cut > 0.1)) / RATE_HZ
        # A coder that did not tell what it put before the sound would be 23 ms late.
        assert onset_s == pytest.approx(TICK_S, abs=0.003)
        first = round((start_s + TICK_S + 0.05) * RATE_HZ)
        tone = sound[0, first : first + 4096] * np.hanning(4096)
        peak_hz = np.argmax(np.abs(np.fft.rfft(tone, 16 * 4096))) * RATE_HZ / (16 * 4096)
        assert peak_hz == pytest.approx(frequency_hz, abs=3)


def line_x(frame: np.ndarray, still: np.ndarray) -> float:
    """Where a frame is darker than its page without the line, all down the lanes."""
    difference = np.clip(still.astype(float) - frame, 0, None)[250:500].mean(axis=0)
    return float(np.average(np.arange(WIDTH), weights=difference**2))


def test_the_reading_line_moves_evenly_across(made: bytes) -> None:
    frames, _, _ = decoded(made)
    count = round((SPAN_S[1] - SPAN_S[0]) * FPS)
    still = np.median(np.stack(frames[2:count:3]), axis=0)
    xs = [line_x(frames[k], still) for k in range(5, count - 5, 5)]
    steps = np.diff(xs)
    assert steps.min() > 0
    assert steps == pytest.approx(steps.mean(), abs=2.5)


def test_a_second_of_silence_keeps_the_line_still(made: bytes) -> None:
    frames, _, _ = decoded(made)
    first = round((SPAN_S[1] - SPAN_S[0]) * FPS)
    gap = frames[first + 2 : first + round(GAP_S * FPS) - 2]
    assert np.abs(gap[0].astype(int) - gap[-1]).mean() < 0.5
    assert np.abs(gap[0].astype(int) - frames[first - 2]).mean() > 0.5


def test_a_film_draws_the_tension_that_is_known(made: bytes) -> None:
    """Ink under the chords that is not there without a curve."""
    material = lantern_material()
    plan = material.plans[0]
    curve = tuple(tension_of(material.analysis, plan))
    with_curve = decoded(film(replace(material, tension={plan.name: curve})))[0]
    without = decoded(made)[0]
    assert (np.abs(with_curve[-2].astype(int) - without[-2]) > 100).sum() > 5000


def test_nothing_jumps_where_one_version_follows_another(made: bytes) -> None:
    """The lines across the picture above its key stand in the same rows."""
    frames, _, _ = decoded(made)
    one, other = ((frame[60:660] < 140).mean(axis=1) > 0.3 for frame in (frames[2], frames[-2]))
    assert one.sum() > 3
    assert np.array_equal(one, other)


def test_equal_input_gives_equal_bytes(made: bytes) -> None:
    assert film(lantern_material()) == made


def test_a_long_song_turns_its_pages() -> None:
    still = [
        Still(np.full((HEIGHT * 3 // 2, WIDTH), value, np.uint8), times, (100.0, 900.0), 50, 60)
        for value, times in ((200, (0.0, 10.0)), (220, (10.0, 20.0)))
    ]
    frames = list(frames_of([still], (0.0, 20.0), [20.0]))
    assert len(frames) == 20 * FPS
    turned = [int(frame[0, 0]) for frame in frames]
    assert turned == [200] * (10 * FPS) + [220] * (10 * FPS)
    line = frames[5 * FPS][55]
    assert np.flatnonzero(line != 200).tolist() == [499, 500]


def test_bars_of_a_passage() -> None:
    analysis = lantern()
    downbeats = analysis.bars.downbeats_s
    whole = film_bars(analysis, (0.0, analysis.duration_s))
    assert whole == [(0, 12), (13, 24)]  # three phrases a page
    assert film_bars(analysis, (downbeats[4], downbeats[8])) == [(5, 8)]
    assert film_bars(analysis, (0.1, downbeats[2])) == [(0, 2)]


def test_a_missing_library_names_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "av", None)
    with pytest.raises(UsageError, match=r"pip install 'retune\[video\]'"):
        film(lantern_material())


@pytest.mark.parametrize("name", ["home-early", "w" * 64, "home-early-and-everything-else-" * 2])
def test_the_caption_keeps_to_one_line(name: str) -> None:
    (plan,) = lantern_material().plans
    scene = Scene(name, plan, ticks(440.0), "1 of 2")
    for aside in (
        "Lantern Song, 1 of 2",
        "from a full mix: approximate, A long title of a song, 2",
    ):
        taken = text_width(aside, 13.0)
        caption = _caption(scene, taken)
        assert text_width(caption, 22.0, bold=True) + taken + 18.0 <= 912.0
        assert caption.startswith("Variant ")
        assert caption.endswith(", altered with retune")
        assert (name in caption) == (name == "home-early")
