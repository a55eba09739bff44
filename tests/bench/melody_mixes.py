"""Mixes to teach a network to hear the melody on: voices and bands made by lot.

Other voices, tunes, instruments and rooms than `mixtures`, `practice` and `real_mixes` have, so
that what is taught here can be measured there. All at 22050 Hz, a mix 11 s long. Voices are made
from formants or of spoken syllables, bands of partials or of a soundfont's notes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import played_tones
from numpy.typing import NDArray
from rooms import panned
from scipy.signal import butter, fftconvolve, sosfilt
from spoken_leads import SPEAKERS, sing_words
from voices import Singer, Sung, sing

Floats = NDArray[np.float64]
Rng = np.random.Generator
Tone = Callable[[float, float], Floats]
RATE_HZ = 22050
LENGTH_S = 11.0
N = int(LENGTH_S * RATE_HZ)
SCALES = {False: (0, 2, 4, 5, 7, 9, 11), True: (0, 2, 3, 5, 7, 8, 10)}
LINKS = ("legato", "voiced", "unvoiced", "rest")
STEPS = {-7: 2, -4: 4, -3: 5, -2: 12, -1: 22, 0: 10, 1: 22, 2: 11, 3: 5, 4: 5, 7: 2}
SHORT_RESTS = {0.15: 0.4, 0.4: 0.4, 1.2: 0.2}
LONG_RESTS = {0.15: 0.25, 0.4: 0.3, 0.8: 0.25, 1.6: 0.2}
CHORDS = {0: 30, 1: 5, 2: 2, 3: 20, 4: 22, 5: 21}
KINDS = ("pad", "organ", "piano", "guitar", "strings", "bell", "reed")


def by_lot(weights: dict[int, int], rng: Rng) -> int:
    return int(
        rng.choice(list(weights), p=np.array(list(weights.values())) / sum(weights.values()))
    )


# --- voices ------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Lead:
    """A voice of loudness 1 with its true pitch, NaN where it is silent, its key, and its `notes`
    as (start_s, end_s, midi)."""

    samples: Floats
    time_s: Floats
    f0_hz: Floats
    key: tuple[int, bool]
    notes: tuple[tuple[float, float, float], ...]


def some_singer(rng: Rng) -> Singer:
    low = int(rng.integers(40, 67))
    vibrato = rng.choice([0, rng.uniform(5, 40), rng.uniform(40, 110)])
    return Singer(
        "any",
        low,
        tract=float(np.clip(0.95 + (low - 42) * 0.013 + rng.normal(0, 0.06), 0.9, 1.4)),
        tilt=float(rng.uniform(-12.5, -5.5)),
        vibrato_hz=float(rng.uniform(4.3, 7)),
        vibrato_cents=float(vibrato),
        jitter=float(rng.uniform(0.0005, 0.003)),
        breath_db=float(rng.uniform(-45, -24)),
        glide_s=float(rng.uniform(0.03, 0.13)),
        scoop_cents=float(rng.uniform(0, 160)),
        wander=float(rng.uniform(0.02, 0.13)),
    )


def some_spans(
    low_midi: int,
    scale: tuple[int, ...],
    rng: Rng,
    rests: dict[float, float] = SHORT_RESTS,
) -> list[dict[str, object]]:
    """A tune by lot, mostly in steps, as `voices.plan_notes` has it; `rests` are how long (s) and
    how likely."""
    at, place, spans = float(rng.uniform(0.1, 0.8)), int(rng.integers(0, 8)), []
    pace = rng.uniform(0.2, 0.7)
    while at < LENGTH_S - 1.0:
        link = str(rng.choice(LINKS, p=[0.3, 0.2, 0.3, 0.2])) if spans else "rest"
        if link == "rest":
            at += float(rng.choice(list(rests), p=list(rests.values())))
        at += 0.09 if link == "unvoiced" else 0.0
        length = float(np.clip(pace * 2 ** rng.normal(0, 0.6), 0.11, 2.0))
        step = by_lot(STEPS, rng)
        place += step if -2 <= place + step <= 11 else -step
        place = int(np.clip(place, -2, 11))
        midi = low_midi + 12 * (place // 7) + scale[place % 7] + float(rng.normal(0, 0.12))
        vowel = "aeiou"[int(rng.integers(5))]
        spans.append({"from": at, "to": at + length, "midi": midi, "link": link, "vowel": vowel})
        at += length
    return spans


def some_lead(k: int) -> Lead:
    rng = np.random.default_rng([77, k])
    singer, minor = some_singer(rng), bool(rng.random() < 0.4)
    spans = some_spans(singer.low_midi, SCALES[minor], rng)
    sung = sing(singer, seed=k, rate_hz=RATE_HZ, spans=spans)
    return _lead(sung, spans, singer, minor)


def spoken_lead(k: int, speaker: str = "") -> Lead:
    """The same of spoken syllables, with longer rests."""
    rng = np.random.default_rng([78, k])
    singer, minor = some_singer(rng), bool(rng.random() < 0.4)
    spans = some_spans(singer.low_midi, SCALES[minor], rng, LONG_RESTS)
    sung = sing_words(singer, spans, speaker or SPEAKERS[k % len(SPEAKERS)], rng)
    return _lead(sung, spans, singer, minor)


def _lead(sung: Sung, spans: list[dict[str, object]], singer: Singer, minor: bool) -> Lead:
    samples = np.zeros(N)
    samples[: len(sung.samples)] = sung.samples[:N]
    samples /= np.sqrt(np.mean(samples[np.abs(samples) > 0.02] ** 2))
    notes = tuple((float(s["from"]), float(s["to"]), float(s["midi"])) for s in spans)  # type: ignore[arg-type]
    return Lead(samples, sung.time_s, sung.f0_hz, (singer.low_midi % 12, minor), notes)


# --- bands -------------------------------------------------------------------------------------


def some_instrument(rng: Rng) -> Tone:
    """Tones (MIDI number, s) of one instrument: partials, attack, decay and waver by lot."""
    kind = str(rng.choice(KINDS))
    numbers = np.arange(1, int(rng.integers(4, 18)) + 1)
    level = numbers ** -rng.uniform(0.8, 1.9) * 10 ** (rng.normal(0, 3.5, len(numbers)) / 20)
    if kind == "reed":
        level[1::2] *= rng.uniform(0.05, 0.5)
    if kind == "organ":
        level *= np.isin(numbers, (1, 2, 3, 4, 6, 8)) + 0.02
    dies = kind in ("piano", "guitar", "bell")
    fall = rng.uniform(0.6, 3.0) + rng.uniform(0.1, 1.0) * numbers if dies else 0.0 * numbers
    stretch = 3e-4 * rng.random() if kind in ("piano", "bell") else 0.0
    rise_s = rng.uniform(0.05, 0.25) if kind in ("pad", "strings") else rng.uniform(0.003, 0.02)
    waver = {"strings": rng.uniform(5, 35), "reed": rng.uniform(0, 25)}.get(kind, 0.0)
    waver, waver_hz = waver * (rng.random() < 0.7), rng.uniform(4.5, 6.5)
    players = 3 if kind in ("pad", "strings") and rng.random() < 0.6 else 1

    def tone(midi: float, length_s: float) -> Floats:
        t = np.arange(int(length_s * RATE_HZ)) / RATE_HZ
        out, hz = np.zeros(len(t)), 440 * 2 ** ((midi - 69) / 12)
        count = min(len(numbers), max(int(7000 / hz), 1))
        for _ in range(players):
            swing = waver * np.sin(2 * np.pi * waver_hz * t + rng.uniform(0, 6.3))
            cents = rng.normal(0, 3 + 6 * (players > 1)) + swing * np.clip(t / 0.3, 0, 1)
            turn = 2 * np.pi * np.cumsum(hz * 2 ** (cents / 1200)) / RATE_HZ
            for h, a, d in zip(numbers[:count], level, fall, strict=False):
                partial = np.cos(h * np.sqrt(1 + stretch * h * h) * turn + rng.uniform(0, 6.3))
                out += a * np.exp(-d * t) * partial
        end = max(int(rng.uniform(0.01, 0.08) * RATE_HZ), 8)
        shape = np.minimum(t / rise_s, 1) * np.minimum((len(t) - np.arange(len(t))) / end, 1)
        return out * shape / np.sqrt(np.sum(level[:count] ** 2))

    return tone


def played_instrument(rng: Rng) -> Tone:
    """Tones of one instrument of a soundfont, a little out of tune."""
    program = int(rng.choice(played_tones.PROGRAMS))
    release_s = rng.uniform(0.02, 0.25)

    def tone(midi: float, length_s: float) -> Floats:
        off = rng.normal(0, 0.03)
        return played_tones.note(program, midi + off, length_s + release_s, release_s)

    return tone


def put(out: Floats, sound: Floats, at_s: float, side: float) -> None:
    first = int(at_s * RATE_HZ)
    sound = sound[: max(len(out) - first, 0)]
    out[first : first + len(sound)] += panned(sound, side)


@dataclass(frozen=True)
class Frame:
    """What the players of a band share."""

    beat_s: float
    bar_s: float
    chords: tuple[tuple[int, ...], ...]
    wide: float

    @property
    def bars(self) -> list[tuple[float, tuple[int, ...]]]:
        return [(i * self.bar_s, chord) for i, chord in enumerate(self.chords)]


def some_frame(tonic: int, scale: tuple[int, ...], rng: Rng) -> Frame:
    beat_s = rng.uniform(0.35, 0.75)
    bar_s = beat_s * int(rng.choice([2, 3, 4]))
    roots = [by_lot(CHORDS, rng) for _ in range(int(LENGTH_S / bar_s) + 2)]
    above = (0, 2, 4, 6) if rng.random() < 0.3 else (0, 2, 4)
    chords = tuple(tuple(tonic + scale[(r + j) % 7] for j in above) for r in roots)
    wide = rng.uniform(0.2, 0.95) if rng.random() < 0.75 else rng.uniform(0.0, 0.2)
    return Frame(beat_s, bar_s, chords, wide)


def add_chords(out: Floats, frame: Frame, tone: Tone, rng: Rng) -> None:
    base = int(rng.choice([36, 48, 60], p=[0.1, 0.6, 0.3]))
    style, level = (
        rng.choice(["bars", "halves", "beats", "broken"]),
        10 ** (rng.uniform(-6, 2) / 20),
    )
    sides = rng.uniform(-frame.wide, frame.wide, 6)
    for at_s, chord in frame.bars:
        notes = [base + p % 12 + 12 * int(rng.random() < 0.3) for p in chord]
        notes += [notes[0] + 12] * int(rng.random() < 0.5)
        if style == "broken":
            step_s = frame.beat_s / 2
            for j in range(round(frame.bar_s / step_s)):
                sound = level * tone(notes[j % len(notes)], 2.5 * step_s)
                put(out, sound, at_s + j * step_s, sides[j % 6])
            continue
        part = {"bars": frame.bar_s, "halves": frame.bar_s / 2, "beats": frame.beat_s}[str(style)]
        for j in range(round(frame.bar_s / part)):
            for q, midi in enumerate(notes):
                sound = 0.7 * level * tone(midi, part * rng.choice([1.0, 0.6]))
                put(out, sound, at_s + j * part + rng.uniform(0, 0.015), sides[q % 6])


def add_bass(out: Floats, frame: Frame, tone: Tone, rng: Rng) -> None:
    level, walks = 10 ** (rng.uniform(-3, 5) / 20), rng.random() < 0.4
    for at_s, chord in frame.bars:
        for j in range(round(frame.bar_s / frame.beat_s) if walks else 1):
            midi = 28 + (chord[j % 3 if walks else 0] - 28) % 12 + 12 * int(rng.random() < 0.3)
            length_s = 0.95 * (frame.beat_s if walks else frame.bar_s)
            put(out, level * tone(midi, length_s), at_s + j * frame.beat_s, 0.0)


def add_line(
    out: Floats, frame: Frame, tonic: int, scale: tuple[int, ...], tone: Tone, rng: Rng
) -> None:
    """Another melody, played, aside from the middle."""
    level = 10 ** (rng.uniform(-6, 1) / 20)
    side, at_s, place = rng.choice([-1, 1]) * rng.uniform(0.3, 0.9), rng.uniform(0, 2), 5
    while at_s < LENGTH_S:
        length_s = frame.beat_s * rng.choice([0.5, 1, 2])
        if rng.random() < 0.8:
            midi = 60 + tonic % 12 + 12 * (place // 7) + scale[place % 7]
            put(out, level * tone(midi, length_s), at_s, side)
        place, at_s = int(np.clip(place + rng.integers(-2, 3), -3, 11)), at_s + length_s


def add_drums(out: Floats, frame: Frame, rng: Rng) -> None:
    edges = [rng.uniform(200, 500), 5000]
    snare = butter(2, edges, "bandpass", fs=RATE_HZ, output="sos")
    kick_hz, kick, hit, hat = rng.uniform([45, 0.5, 0.5, 0.1], [70, 3, 3, 0.8])
    n = int(0.3 * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    for i in range(int(2 * LENGTH_S / frame.beat_s)):
        at_s, noise = i * frame.beat_s / 2, rng.standard_normal(n + 1)
        put(out, hat * np.diff(noise) * np.exp(-t / 0.02), at_s, 0.25)
        if i % 4 == 2:
            put(out, hit * sosfilt(snare, noise[:n]) * np.exp(-t / 0.06), at_s, 0.0)
        if i % 4 == 0:
            turn = 2 * np.pi * (kick_hz * t + 1.5 * (1 - np.exp(-t / 0.03)))
            put(out, kick * np.sin(turn) * np.exp(-t / 0.12), at_s, 0.0)


def play_drums(out: Floats, frame: Frame, rng: Rng) -> None:
    """The soundfont's drums, in a pattern by lot."""
    level = {name: 10 ** (rng.uniform(-8, 6) / 20) for name in played_tones.DRUMS}
    picked = {name: int(rng.choice(keys)) for name, keys in played_tones.DRUMS.items()}
    for i in range(int(2 * LENGTH_S / frame.beat_s)):
        at_s = i * frame.beat_s / 2
        hits = ["hat"] * int(rng.random() < 0.8) + ["kick"] * int(i % 4 == 0 or rng.random() < 0.1)
        hits += ["snare"] * int(i % 4 == 2) + ["tom"] * int(rng.random() < 0.04)
        hits += ["open"] * int(rng.random() < 0.08)
        for name in hits:
            sound = level[name] * played_tones.drum_of(picked[name]).astype(np.float64)
            put(out, sound, at_s, 0.3 if name in ("hat", "open") else 0.0)


def played_band(k: int) -> tuple[Floats, tuple[int, bool]]:
    """The same, two of three instruments out of the soundfont."""
    return _band(
        k,
        np.random.default_rng([98, k]),
        lambda rng: (played_instrument if rng.random() < 0.67 else some_instrument)(rng),
        lambda *rest: (play_drums if rest[-1].random() < 0.67 else add_drums)(*rest),
    )


def some_band(k: int) -> tuple[Floats, tuple[int, bool]]:
    """A band of loudness 1, (N, 2), and its key."""
    return _band(k, np.random.default_rng([99, k]), some_instrument, add_drums)


def _band(
    k: int,
    rng: Rng,
    instrument: Callable[[Rng], Tone],
    drums: Callable[[Floats, Frame, Rng], None],
) -> tuple[Floats, tuple[int, bool]]:
    tonic, minor = k % 12, (k // 12) % 5 < 2
    scale, out = SCALES[minor], np.zeros((N, 2))
    frame = some_frame(tonic, scale, rng)
    for _ in range(int(rng.choice([1, 2, 3], p=[0.45, 0.4, 0.15]))):
        add_chords(out, frame, instrument(rng), rng)
    if rng.random() < 0.85:
        add_bass(out, frame, instrument(rng), rng)
    if rng.random() < 0.35:
        add_line(out, frame, tonic, scale, instrument(rng), rng)
    if rng.random() < 0.7:
        drums(out, frame, rng)
    return out / (np.sqrt(np.mean(out**2)) + 1e-9), (tonic, minor)


def in_key(key: tuple[int, bool], rng: Rng) -> int:
    """A number that `some_band` and `played_band` make a band in this key of."""
    tonic, minor = key
    return int(rng.choice([tonic + t for t in range(0, 600, 12) if (t // 12 % 5 < 2) == minor]))


# --- mixes -------------------------------------------------------------------------------------


def some_room(y: Floats, rng: Rng, *, rt60_s: float, wet_db: float) -> Floats:
    """`y` (n, 2) with a few echoes and a tail, other in each ear."""
    n, out = int(rt60_s * RATE_HZ), np.empty_like(y)
    low = butter(1, rng.uniform(2500, 9000), fs=RATE_HZ, output="sos")
    for c in range(2):
        tail = rng.standard_normal(n) * np.exp(-6.9 * np.arange(n) / n)
        tail[: int(rng.uniform(0.003, 0.03) * RATE_HZ)] = 0
        for place_s in rng.uniform(0.005, 0.06, 3):
            tail[int(place_s * RATE_HZ)] += rng.normal(0, 3)
        tail = np.asarray(sosfilt(low, tail))
        tail *= 10 ** (wet_db / 20) / np.sqrt(np.sum(tail**2) + 1e-12)
        tail[0] += 1
        out[:, c] = fftconvolve(y[:, c], tail)[: len(y)]
    return out


def some_colour(y: Floats, rng: Rng) -> Floats:
    """Up to two bands raised or lowered, and a level that comes and goes."""
    for _ in range(int(rng.integers(0, 3))):
        hz, gain = np.exp(rng.uniform(np.log(150), np.log(6000))), 10 ** (rng.normal(0, 5) / 20)
        edges = [hz / 1.6, min(1.6 * hz, 10500)]
        sos = butter(1, edges, "bandpass", fs=RATE_HZ, output="sos")
        y = y + (gain - 1) * sosfilt(sos, y, axis=0)
    if rng.random() < 0.5:
        knots = rng.normal(0, 2.5, 8)
        level_db = np.interp(np.arange(len(y)), np.linspace(0, len(y), 8), knots)
        y = y * 10 ** (level_db / 20)[:, None]
    return np.asarray(y)


def some_parts(lead: Lead, band: Floats, rng: Rng) -> tuple[Floats, Floats]:
    """Voice and band (N, 2): the voice near the middle, about as loud; six in ten in a room."""
    sung = np.abs(lead.samples) > 0.05
    voice = some_colour(panned(np.sqrt(2) * lead.samples, rng.normal(0, 0.03)), rng)
    voice /= np.sqrt(np.mean(voice[sung] ** 2))
    band = np.roll(band, int(rng.integers(N)), axis=0) * np.sqrt(2)
    band *= 10 ** (-rng.normal(0, 4.5) / 20)
    if rng.random() < 0.6:
        rt60_s, wet_db = rng.uniform(0.25, 2.0), rng.uniform(-17, -5)
        voice = some_room(voice, rng, rt60_s=rt60_s, wet_db=wet_db + rng.normal(0, 1))
        if rng.random() < 0.85:
            band = some_room(band, rng, rt60_s=rt60_s, wet_db=wet_db + rng.normal(0, 2))
    return voice, band


def some_mix(lead: Lead, band: Floats, rng: Rng) -> Floats:
    """Voice and band together (N, 2), one in five pressed, one in eight mono."""
    mix = np.sum(some_parts(lead, band, rng), axis=0)
    if rng.random() < 0.2:
        gain = 0.7 / np.abs(mix).max() * rng.uniform(1, 3)
        mix = np.tanh(mix * gain) / gain
    return np.repeat(mix.mean(axis=1, keepdims=True), 2, axis=1) if rng.random() < 0.12 else mix
