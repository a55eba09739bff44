"""Sung voices with exact truth beside them, for measuring trackers.

Harmonics of a known f0 through a row of formants (additive, so nothing aliases and the truth is
exact), with vowels, voiced and unvoiced consonants, breaths, vibrato, scoops, glides, slow
wander, jitter and breath noise. Formants and their widths: common practice, no single source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
CONTROL_S = 0.0025
# Fades count as voiced down to 23 dB under the full voice.
VOICED_LEVEL = 0.07
VOWELS = {
    "a": (730, 1090, 2440, 3400, 4300),
    "e": (530, 1840, 2480, 3500, 4400),
    "i": (270, 2290, 3010, 3600, 4500),
    "o": (500, 900, 2400, 3300, 4200),
    "u": (310, 870, 2240, 3200, 4100),
    "m": (250, 1100, 2200, 3200, 4200),
    "n": (270, 1500, 2300, 3200, 4200),
    "l": (360, 1250, 2700, 3300, 4200),
    "v": (300, 1150, 2250, 3200, 4200),
}
WIDTHS_HZ = np.array([80.0, 100.0, 130.0, 200.0, 260.0])


@dataclass(frozen=True)
class Singer:
    """`tract` scales the formants (1 = adult man), `tilt` is the fall of the source in dB an
    octave, `vibrato_cents` is to each side, `breath_db` noise below the voice,
    `wander` the standard deviation of slow wavering in semitones."""

    name: str
    low_midi: int
    tract: float = 1.0
    tilt: float = -9.0
    vibrato_hz: float = 5.8
    vibrato_cents: float = 50.0
    jitter: float = 0.0015
    breath_db: float = -38.0
    glide_s: float = 0.07
    scoop_cents: float = 60.0
    wander: float = 0.06


SINGERS = (
    Singer("bass", 41, 1.0, -9.0, 5.4, 40.0),
    Singer("tenor", 50, 1.05, -8.0, 5.8, 60.0, glide_s=0.09),
    Singer("alto", 55, 1.15, -10.0, 5.5, 30.0, breath_db=-30.0, scoop_cents=120.0),
    Singer("soprano", 65, 1.18, -8.5, 6.2, 90.0, glide_s=0.06),
    Singer("child", 62, 1.3, -11.0, 5.0, 0.0, breath_db=-32.0),
)
TUNE = (0, 2, 4, 5, 4, 2, 7, 9, 7, 12, 11, 9, 7, 4, 5, 2, 0, -1, 0, 16, 12, 0)


@dataclass(frozen=True, eq=False)
class Sung:
    """Mono samples and the truth every `CONTROL_S`: `f0_hz`, NaN where nothing is voiced."""

    samples: Floats
    rate_hz: int
    time_s: Floats
    f0_hz: Floats


def smooth_noise(rng: np.random.Generator, n: int, width_s: float) -> Floats:
    """Unit-variance noise without anything faster than about 1 / `width_s`."""
    width = max(int(width_s / CONTROL_S), 1)
    raw = np.convolve(rng.standard_normal(n + 4 * width), np.hanning(2 * width + 1), "same")
    part: Floats = raw[2 * width : 2 * width + n]
    return part / part.std()


def plan_notes(
    singer: Singer, rng: np.random.Generator, tune: tuple[int, ...] = TUNE
) -> list[dict[str, object]]:
    """The tune as spans: pitch, vowel, how each note is reached."""
    spans: list[dict[str, object]] = []
    at = 0.4
    for i, step in enumerate(tune):
        link = ("legato", "voiced", "unvoiced", "rest")[int(rng.integers(4))] if i else "rest"
        at += {"legato": 0.0, "voiced": 0.0, "unvoiced": 0.09, "rest": 0.25}[link]
        length = float(rng.uniform(0.25, 0.9))
        pitch = singer.low_midi + step + float(rng.normal(0, 0.12))
        vowel = "aeiou"[int(rng.integers(5))]
        spans.append({"from": at, "to": at + length, "midi": pitch, "link": link, "vowel": vowel})
        at += length
    return spans


def plan_soft_notes(
    singer: Singer, rng: np.random.Generator, tune: tuple[int, ...] = TUNE
) -> list[dict[str, object]]:
    """The tune as people sing it who hardly part their notes: on voiced consonants that dip by 1
    to 6 dB (`soft`), or sliding in through a half closed vowel while the pitch is still on its way
    (`scoop`). `late_s` is how long after the start the vowel opens, where people put the onset."""
    spans = plan_notes(singer, rng, tune)
    at = 0.4
    for i, span in enumerate(spans):
        length = float(span["to"]) - float(span["from"])  # type: ignore[arg-type]
        link = ("soft", "soft", "scoop", "rest")[int(rng.integers(4))] if i else "rest"
        at += 0.25 if link == "rest" else 0.0
        late_s = float(rng.uniform(0.05, 0.12)) if link != "rest" else 0.0
        length = max(length, 0.2 + late_s)
        span |= {"from": at, "to": at + length, "link": link, "late_s": late_s}
        span["consonant"] = "mnlv"[int(rng.integers(4))] if link == "soft" else "u"
        span["depth"] = 10 ** (-float(rng.uniform(1, 6)) / 20)
        span["glide_s"] = late_s + (0.04 if link == "scoop" else 0.0) if late_s else singer.glide_s
        at += length
    return spans


def contour(
    spans: list[dict[str, object]], singer: Singer, rng: np.random.Generator
) -> tuple[Floats, Floats, Floats, Floats]:
    """Pitch (MIDI), voice level, noise level and formants (n, 5) on the control grid."""
    n = int((spans[-1]["to"] + 0.5) / CONTROL_S)  # type: ignore[operator]
    t = np.arange(n) * CONTROL_S
    midi, level, noise = np.full(n, np.nan), np.zeros(n), np.zeros(n)
    formants = np.tile(np.array(VOWELS["a"], float), (n, 1))
    for span, before in zip(spans, [None, *spans[:-1]], strict=True):
        start, stop = float(span["from"]), float(span["to"])  # type: ignore[arg-type]
        inside = (t >= start) & (t < stop)
        since = t[inside] - start
        pitch = np.full(len(since), float(span["midi"]))  # type: ignore[arg-type]
        joined = before is not None and span["link"] in ("legato", "voiced", "soft", "scoop")
        if joined and before is not None:
            glide_s = float(span.get("glide_s", singer.glide_s))  # type: ignore[arg-type]
            part = 0.5 - 0.5 * np.cos(np.pi * np.clip(since / glide_s, 0, 1))
            pitch = float(before["midi"]) + (pitch - float(before["midi"])) * part  # type: ignore[arg-type]
        else:
            pitch -= singer.scoop_cents / 100 * np.exp(-since / 0.04)
        grown = np.clip((since - 0.15) / 0.2, 0, 1)
        pitch += singer.vibrato_cents / 100 * grown * np.sin(2 * np.pi * singer.vibrato_hz * since)
        midi[inside] = pitch
        rise = 1.0 if joined else np.clip(since / 0.03, 0, 1)
        last = span is spans[-1] or spans[spans.index(span) + 1]["link"] in ("unvoiced", "rest")
        fall = np.clip((stop - t[inside]) / 0.04, 0, 1) if last else 1.0
        level[inside] = rise * fall
        formants[inside] = VOWELS[str(span["vowel"])]
        if span["link"] == "voiced":
            hum = inside & (t < start + 0.07)
            formants[hum], level[hum] = VOWELS["m"], 0.4 * level[hum]
        if span["link"] in ("soft", "scoop"):
            hum = inside & (t < start + float(span["late_s"]))  # type: ignore[arg-type]
            formants[hum] = VOWELS[str(span["consonant"])]
            level[hum] = float(span["depth"])  # type: ignore[arg-type]
        if span["link"] == "unvoiced":
            noise[(t >= start - 0.085) & (t < start - 0.005)] = 1.0
        if span["link"] == "rest":
            noise[(t >= start - 0.2) & (t < start - 0.08)] = 0.15
    kernel = np.hanning(13) / np.hanning(13).sum()
    formants = np.stack([np.convolve(np.pad(c, 6, "edge"), kernel, "valid") for c in formants.T], 1)
    voiced = np.isfinite(midi)
    level[voiced] = np.convolve(level, np.hanning(7) / np.hanning(7).sum(), "same")[voiced]
    return midi + singer.wander * smooth_noise(rng, n, 0.25), level, noise, formants * singer.tract


def tract_response(hz: Floats, formants: Floats) -> NDArray[np.complex128]:
    """Response (n,) of second-order resonances in series at one frequency a frame."""
    s = 2j * np.pi * hz[:, None]
    centre = 2 * np.pi * formants
    damping = 2 * np.pi * WIDTHS_HZ
    gain: NDArray[np.complex128] = np.prod(centre**2 / (s**2 + damping * s + centre**2), axis=1)
    return gain


def sing(
    singer: Singer,
    *,
    seed: int = 0,
    rate_hz: int = 44100,
    tune: tuple[int, ...] = TUNE,
    spans: list[dict[str, object]] | None = None,
) -> Sung:
    """The tune sung once, about 17 s, peak 0.5; or `spans`, as `plan_notes` makes them."""
    rng = np.random.default_rng([seed, singer.low_midi])
    spans = plan_notes(singer, rng, tune) if spans is None else spans
    midi, level, noise, formants = contour(spans, singer, rng)
    t = np.arange(len(midi)) * CONTROL_S
    time = np.arange(int(t[-1] * rate_hz)) / rate_hz
    sung_hz = 440.0 * 2.0 ** ((midi - 69.0) / 12.0)
    f0 = np.where(level >= VOICED_LEVEL, sung_hz, np.nan)
    filled = np.interp(t, t[np.isfinite(midi)], sung_hz[np.isfinite(midi)])
    wobble = 1.0 + singer.jitter * smooth_noise(rng, len(t), 0.006)
    phase = 2 * np.pi * np.cumsum(np.interp(time, t, filled * wobble)) / rate_hz
    shimmer = 1.0 + 0.02 * smooth_noise(rng, len(t), 0.01)
    voice = np.zeros(len(time))
    for k in range(1, int(min(9000, 0.45 * rate_hz) / filled.min()) + 1):
        hz = k * filled
        gain = tract_response(hz, formants) * level * shimmer * k ** (singer.tilt / 6.02)
        gain = gain * np.clip((9000.0 - hz) / 500.0, 0, 1)
        voice += np.interp(time, t, gain.real) * np.cos(k * phase)
        voice -= np.interp(time, t, gain.imag) * np.sin(k * phase)
    voice /= np.sqrt(np.mean(voice[np.interp(time, t, level) > 0.5] ** 2))
    white = rng.standard_normal(len(time))
    hiss = np.diff(white, prepend=0.0)
    breath = 10 ** (singer.breath_db / 20) * np.interp(time, t, level) * white
    samples = voice + breath + 0.15 * np.interp(time, t, noise) * hiss
    samples += 10 ** (-75 / 20) * rng.standard_normal(len(time))
    return Sung(0.5 * samples / np.abs(samples).max(), rate_hz, t, f0)


def with_noise(sung: Sung, *, snr_db: float, seed: int = 1) -> Sung:
    """White noise added at `snr_db` below the mean power of the whole."""
    noise = np.random.default_rng(seed).standard_normal(len(sung.samples))
    noise *= np.sqrt(np.mean(sung.samples**2)) * 10 ** (-snr_db / 20)
    return Sung(sung.samples + noise, sung.rate_hz, sung.time_s, sung.f0_hz)


def with_room(sung: Sung, *, rt60_s: float = 0.6, wet: float = 0.15, seed: int = 2) -> Sung:
    """A room as exponentially decaying noise; `wet` is its energy relative to the dry sound."""
    from scipy.signal import fftconvolve

    n = int(rt60_s * sung.rate_hz)
    tail = np.random.default_rng(seed).standard_normal(n) * 10 ** (-3 * np.arange(n) / n)
    tail[: int(0.008 * sung.rate_hz)] = 0.0
    tail *= np.sqrt(wet / np.sum(tail**2))
    tail[0] = 1.0
    samples = fftconvolve(sung.samples, tail)[: len(sung.samples)]
    return Sung(0.5 * samples / np.abs(samples).max(), sung.rate_hz, sung.time_s, sung.f0_hz)


def truth_at(sung: Sung, time_s: Floats) -> Floats:
    """The true f0 at given times; NaN unless voiced on both sides."""
    place = np.clip(time_s / CONTROL_S, 0, len(sung.f0_hz) - 1.001)
    before = place.astype(int)
    low, high = np.log(sung.f0_hz[before]), np.log(sung.f0_hz[before + 1])
    truth: Floats = np.exp(low + (high - low) * (place - before))
    return truth


def scores(time_s: Floats, f0_hz: Floats, sung: Sung) -> dict[str, float]:
    """How well a track matches the truth; an unvoiced answer on a voiced frame counts as wrong.

    rpa50: share of voiced frames within 50 cents; median: of |error|; bias: median error, both
    in cents over frames within 50; gross: share of answered frames off by more than 600; vfa:
    unvoiced frames called voiced; vrecall: voiced frames called voiced.
    """
    inside = time_s < sung.time_s[-1]
    truth, found = truth_at(sung, time_s[inside]), f0_hz[inside]
    voiced, called = np.isfinite(truth), np.isfinite(found)
    both = voiced & called
    error = 1200 * np.log2(found[both] / truth[both])
    close = np.abs(error) < 50
    return {
        "rpa50": float(close.sum() / voiced.sum()),
        "median": float(np.median(np.abs(error[close]))),
        "bias": float(np.median(error[close])),
        "gross": float(np.mean(np.abs(error) > 600)),
        "vfa": float((called & ~voiced).sum() / max((~voiced).sum(), 1)),
        "vrecall": float(both.sum() / voiced.sum()),
    }
