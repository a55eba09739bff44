"""A film: the picture, a moving reading line, the sound of one version after another.

The picture is set once for each version and stretch of bars; for every frame only the line is
drawn into a copy of it. H.264 and AAC in MP4, for slides and phones.
"""

from __future__ import annotations

import io
import re
from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from retune.carriers.changes import Plan
from retune.carriers.heard import Analysis, Samples
from retune.comparison.exports.classroom import shortened
from retune.comparison.exports.fitting import cut_to
from retune.comparison.exports.material import Material, label, need, origin, software
from retune.comparison.exports.passages import stretches
from retune.comparison.exports.typesetting import typeset
from retune.comparison.picture import View, lane_svg
from retune.comparison.picture_style import text_width
from retune.comparison.svg import size_of

WIDTH, HEIGHT, FPS = 1280, 720, 25
GAP_S = 1.0
"""Silence before every version but the first, its caption in view."""
_POINTS = 72 / 96  # the page is 960 by 540 points
_ROOM = (24.0, 66.0, 912.0, 466.0)  # left, top, width, height in points, under the caption
MOST_BARS = 14
"""Bars of one page, a little more than three phrases of four: larger than in a handout, for phones
and halls."""
_DRAWN_WIDTH = 1720.0
_CAPTION_PT, _ASIDE_PT = 22.0, 13.0
_SYSTEM = re.compile(
    r'<g class="system" data-times="([^"]+)" data-xs="([^"]+)" '
    r'data-top="([^"]+)" data-bottom="([^"]+)">'
)
_AAC_RATES_HZ = (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000)
_INK_Y, _PAPER_Y = 45, 235  # luma of the line and of the paper, BT.709 limited range
_HALF_LINE = 1
_THREADS = 4  # fixed, so that machines with other numbers of processors make the same film
Plane = NDArray[np.uint8]
Progress = Callable[[str, float], None]


@dataclass(frozen=True, eq=False)
class Scene:
    """One version in a film: its name, plan (None for the original), and the passage's sound,
    float32 (n, channels); `place` such as "2 of 3"."""

    name: str
    plan: Plan | None
    sound: Samples
    place: str = ""


@dataclass(frozen=True, eq=False)
class Still:
    """A page of the picture as YUV 4:2:0 planes stacked (3/2 height, width), and where times lie
    on it, in pixels."""

    yuv: Plane
    times_s: tuple[float, ...]
    xs: tuple[float, ...]
    top: int
    bottom: int

    def at(self, time_s: float) -> Plane:
        """The page with the reading line (an I-beam) at a time."""
        frame = self.yuv.copy()
        x = round(float(np.interp(time_s, self.times_s, self.xs)))
        left, right = x - _HALF_LINE, x + _HALF_LINE
        luma = frame[:HEIGHT]
        luma[self.top : self.bottom, left:right] = _INK_Y
        for y in (self.top, self.bottom - 2):
            luma[y : y + 2, x - 5 : x + 5] = _INK_Y
        return frame


def write_film(
    stream: IO[bytes],
    *,
    material: Material,
    scenes: Sequence[Scene],
    span_s: tuple[float, float],
    rate_hz: int,
    progress: Progress = lambda stage, fraction: None,
) -> None:
    """Write an MP4 of `scenes` in turn, each the passage `span_s` of the song.

    Raises
    ------
    UsageError
        PyAV or Typst is not installed.
    """
    av = need("av", extra="video")
    container = av.open(stream, "w", format="mp4", container_options={"fflags": "+bitexact"})
    _describe(container, material, scenes)
    picture = _picture_stream(container)
    channels = scenes[0].sound.shape[1]
    sound = _sound_stream(container, rate_hz, channels)
    stills = _stills(av, material, scenes, span_s)
    seconds = _seconds(scenes, rate_hz)
    frames = frames_of(stills, span_s, seconds)
    total = sum(seconds) * FPS
    samples = _samples(scenes, seconds, rate_hz)
    written = 0
    for number, frame in enumerate(frames):
        image = av.VideoFrame.from_ndarray(frame, format="yuv420p")
        image.pts, image.time_base = number, Fraction(1, FPS)
        image.colorspace, image.color_range = 1, 1  # BT.709, limited
        container.mux(picture.encode(image))
        # Sound keeps up with the picture, so that the file plays without seeking.
        for block in samples:
            container.mux(sound.encode(_sound_frame(av, block, written, rate_hz)))
            written += len(block)
            if written > (number + 1) * rate_hz / FPS:
                break
        if number % 100 == 0:
            progress("filming", number / max(total, 1))
    container.mux(picture.encode(None))
    container.mux(sound.encode(None))
    container.close()


def _describe(container: Any, material: Material, scenes: Sequence[Scene]) -> None:
    container.metadata["title"] = material.title
    plans = list(dict.fromkeys(scene.plan for scene in scenes))
    # Players show the comment cut short: the label first, hashes at a length that still tells.
    container.metadata["comment"] = "; ".join(
        [software(), *map(label, plans), origin(material, digits=12)]
    )
    container.metadata["encoding_tool"] = software()
    if material.rights:
        container.metadata["copyright"] = material.rights


def _picture_stream(container: Any) -> Any:
    stream = container.add_stream("libx264", rate=FPS)
    stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
    stream.options = {"preset": "veryfast", "crf": "20", "tune": "animation", "g": str(5 * FPS)}
    stream.codec_context.thread_count = _THREADS
    stream.codec_context.flags |= 0x800000  # AV_CODEC_FLAG_BITEXACT
    return stream


def _sound_stream(container: Any, rate_hz: int, channels: int) -> Any:
    stored = rate_hz if rate_hz in _AAC_RATES_HZ else 48_000
    layout = "stereo" if channels == 2 else "mono"
    stream = container.add_stream("aac", rate=stored, layout=layout)
    stream.bit_rate = 96_000 * channels
    stream.codec_context.flags |= 0x800000
    return stream


def _sound_frame(av: Any, block: Samples, start: int, rate_hz: int) -> Any:
    """A block of sound with its place in time, which lets the coder say what it put before."""
    planar = np.ascontiguousarray(np.clip(block, -1, 1).T)
    layout = "stereo" if len(planar) == 2 else "mono"
    frame = av.AudioFrame.from_ndarray(planar, format="fltp", layout=layout)
    frame.sample_rate = rate_hz
    frame.pts, frame.time_base = start, Fraction(1, rate_hz)
    return frame


# --- time ------------------------------------------------------------------------------------


def _seconds(scenes: Sequence[Scene], rate_hz: int) -> list[float]:
    """How long each scene lasts, its gap before it included, in whole frames."""
    lengths = []
    for number, scene in enumerate(scenes):
        gap_s = GAP_S if number else 0.0
        lengths.append(np.ceil((len(scene.sound) / rate_hz + gap_s) * FPS) / FPS)
    return lengths


def _samples(scenes: Sequence[Scene], seconds: Sequence[float], rate_hz: int) -> Iterator[Samples]:
    """The sound of all scenes in blocks, with the gaps and filled up to whole frames."""
    channels = scenes[0].sound.shape[1]
    for number, (scene, length_s) in enumerate(zip(scenes, seconds, strict=True)):
        gap = np.zeros((round((GAP_S if number else 0.0) * rate_hz), channels), np.float32)
        rest = round(length_s * rate_hz) - len(gap) - len(scene.sound)
        whole = np.concatenate([gap, scene.sound, np.zeros((max(rest, 0), channels), np.float32)])
        for start in range(0, len(whole), 1024):
            yield whole[start : start + 1024]


def frames_of(
    stills: Sequence[Sequence[Still]],
    span_s: tuple[float, float],
    seconds: Sequence[float],
) -> Iterator[Plane]:
    """Every frame of every scene: the page that sounds, with the reading line on it."""
    for number, (pages, length_s) in enumerate(zip(stills, seconds, strict=True)):
        gap_s = GAP_S if number else 0.0
        turns = [page.times_s[0] for page in pages]
        for k in range(round(length_s * FPS)):
            time_s = min(max(span_s[0] + k / FPS - gap_s, span_s[0]), span_s[1])
            page = pages[max(bisect_right(turns, time_s) - 1, 0)]
            yield page.at(time_s)


# --- pictures --------------------------------------------------------------------------------


def _stills(
    av: Any, material: Material, scenes: Sequence[Scene], span_s: tuple[float, float]
) -> list[list[Still]]:
    """The pages of every scene; those of the same bars have their lanes at one place, so that
    nothing jumps where one version follows another."""
    pages = [_page(av, material, scenes, bars) for bars in film_bars(material.analysis, span_s)]
    return [list(scene) for scene in zip(*pages, strict=True)]


def _page(
    av: Any, material: Material, scenes: Sequence[Scene], bars: tuple[int, int] | None
) -> list[Still]:
    """The same bars in every scene."""
    keep_row = any(scene.plan is not None for scene in scenes)
    plans = list(dict.fromkeys(scene.plan for scene in scenes))

    def drawn(plan: Plan | None, height: float) -> str:
        return _drawn(material, plan, bars, keep_row=keep_row, height=height)

    # Drawn as low as can be, to know what each needs beside its lanes: these become alike in all.
    least = {plan: size_of(drawn(plan, 1.0))[1] for plan in plans}
    room = _DRAWN_WIDTH * _ROOM[3] / _ROOM[2] - max(least.values())
    svgs = {plan: drawn(plan, least[plan] + room) for plan in plans}
    tops = {plan: _places(svg)[2] for plan, svg in svgs.items()}
    lowest = max(tops.values())
    high = max(lowest - tops[plan] + size_of(svg)[1] for plan, svg in svgs.items())
    scale = min(_ROOM[2] / size_of(svgs[scenes[0].plan])[0], _ROOM[3] / high)
    return [
        _still(av, material, scene, svgs[scene.plan], scale, (lowest - tops[scene.plan]) * scale)
        for scene in scenes
    ]


def film_bars(analysis: Analysis, span_s: tuple[float, float]) -> list[tuple[int, int] | None]:
    """The bars shown page by page while a passage sounds."""
    downbeats = analysis.bars.downbeats_s
    if len(downbeats) < 2 or span_s == (0.0, analysis.duration_s):
        return list(stretches(analysis, most=MOST_BARS))
    total = len(downbeats) - 1
    first = min(bisect_right(downbeats, span_s[0] + 0.05), total)
    last = min(max(bisect_right(downbeats, span_s[1] - 0.05), first, 1), total)
    if last - first < MOST_BARS:
        return [(first, last)]
    return [
        bars
        for bars in stretches(analysis, most=MOST_BARS)
        if bars is None or _meets(bars, first, last)
    ]


def _meets(bars: tuple[int, int], first: int, last: int) -> bool:
    return bars[0] <= last and bars[1] >= first


def _drawn(
    material: Material,
    plan: Plan | None,
    bars: tuple[int, int] | None,
    *,
    keep_row: bool,
    height: float,
) -> str:
    return lane_svg(
        material.analysis,
        plan,
        View(
            width=_DRAWN_WIDTH,
            font=30,
            bars=bars,
            height=height,
            tension=material.curve(plan),
            keep_row=keep_row,
            embed_fonts=False,
            ident="film",
        ),
    )


def _caption(scene: Scene, taken: float) -> str:
    """What sounds, in one line beside an aside that is `taken` points wide."""
    if scene.plan is None:
        return scene.name.capitalize()
    around = text_width("Variant , altered with retune", _CAPTION_PT, bold=True)
    room = _ROOM[2] - 2 * _ASIDE_PT - taken - around
    return f"Variant {cut_to(scene.name, _CAPTION_PT, room, bold=True)}, altered with retune"


def _still(
    av: Any, material: Material, scene: Scene, svg: str, scale: float, lower: float
) -> Still:
    """One page with its caption, the picture `lower` points below its place."""
    width = size_of(svg)[0]
    left, top, room_width, _ = _ROOM
    left, top = left + (room_width - width * scale) / 2, top + lower
    caveat = scene.plan.caveat if scene.plan is not None else ""
    aside = ", ".join(filter(None, (caveat, shortened(material.title), scene.place)))
    data = {
        "title": material.title,
        "caption": _caption(scene, text_width(aside, _ASIDE_PT)),
        "altered": scene.plan is not None,
        "aside": aside,
        "left": left,
        "top": top,
        "width": width * scale,
    }
    png = typeset("frame", data, svgs={"picture.svg": svg}, fmt="png", ppi=96)
    times_s, xs, high, low = _places(svg)
    to_px = scale / _POINTS
    return Still(
        yuv=_planes(av, png),
        times_s=times_s,
        xs=tuple(left / _POINTS + x * to_px for x in xs),
        top=round(top / _POINTS + high * to_px),
        bottom=round(top / _POINTS + low * to_px),
    )


def _places(svg: str) -> tuple[tuple[float, ...], tuple[float, ...], float, float]:
    """Times and where they lie across, and top and bottom of the only system of a picture."""
    match = _SYSTEM.search(svg)
    if match is None:
        raise ValueError("the picture has no system")
    times, xs = (tuple(map(float, match[k].split())) for k in (1, 2))
    return times, xs, float(match[3]), float(match[4])


def _planes(av: Any, png: bytes) -> Plane:
    """A PNG as the planes that the encoder takes, converted once."""
    with av.open(io.BytesIO(png), format="png_pipe") as container:
        frame = next(container.decode(video=0))
    made = frame.reformat(width=WIDTH, height=HEIGHT, format="yuv420p", dst_colorspace="ITU709")
    planes: Plane = np.ascontiguousarray(made.to_ndarray(), dtype=np.uint8)
    return planes
