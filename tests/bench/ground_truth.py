"""Sung stems that exist twice: with the pitch as sung, and with some notes at another pitch.

Both are rendered from the same controls, so that a re-pitcher can be judged against what the
voice would have been. Three kinds:

speech   one-syllable words spoken by festival (Debian: festival, festvox-us-slt-hts), stretched
         to the notes and rendered by WORLD; this favours engines that work like WORLD
pulse    glottal pulses (KLGLOTT88: Klatt & Klatt 1990, JASA 87, 820-857) through a cascade of
         formants, with jitter, shimmer, breath and fricatives; four singers
room     a pulse voice with decaying reverberation and room noise

Vowel formants: Peterson & Barney 1952, JASA 24, 175-184 (from memory), rounded.
"""

from __future__ import annotations

import math
import shutil
import subprocess
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.signal import butter, fftconvolve, resample_poly, sosfilt

Floats = NDArray[np.float64]
RATE_HZ = 44100
FRAME_S = 0.005
VOWELS = {
    "a": (730, 1090, 2440, 3400, 4500),
    "e": (530, 1840, 2480, 3450, 4500),
    "i": (270, 2290, 3010, 3600, 4600),
    "o": (570, 840, 2410, 3300, 4400),
    "u": (300, 870, 2240, 3250, 4400),
}
HISS = {"s": (5200.0, 0.09), "sh": (3000.0, 0.10), "t": (4200.0, 0.05), "h": (1500.0, 0.06)}
WORDS = {
    "ma": ("m", "a"), "no": ("n", "o"), "la": ("l", "a"), "me": ("m", "i"), "we": ("w", "i"),
    "see": ("s", "i"), "show": ("sh", "o"), "too": ("t", "u"), "ray": ("r", "e"),
    "you": ("y", "u"), "hay": ("h", "e"), "low": ("l", "o"), "new": ("n", "u"), "sow": ("s", "o"),
}  # fmt: skip


@dataclass(frozen=True)
class Sung:
    """One note: semitones above the tonic, seconds, the word; `legato` slides into it."""

    word: str
    semitones: int
    start_s: float
    end_s: float
    legato: bool
    moved: bool


@dataclass(frozen=True)
class Singer:
    name: str
    kind: str
    tonic_midi: int
    tract: float = 1.0
    open_share: float = 0.6
    jitter: float = 0.004
    breath: float = 0.02
    vibrato_cents: float = 40.0
    glides_s: tuple[float, float] = (0.06, 0.10)
    late_s: tuple[float, float] = (0.0, 0.0)
    scoop_cents: float = 0.0
    seed: int = 1


SINGERS = {
    s.name: s
    for s in (
        Singer("speech", "speech", 57, seed=2),
        Singer("baritone", "pulse", 47, 1.0, 0.6, 0.005, 0.02),
        Singer("tenor", "pulse", 53, 1.04, 0.5, 0.003, 0.012, 60.0, (0.04, 0.16), (-0.03, 0.03), 60.0, 3),
        Singer("alto", "pulse", 58, 1.14, 0.65, 0.003, 0.05, 25.0, (0.04, 0.16), (-0.03, 0.03), 90.0, 4),
        Singer("soprano", "pulse", 65, 1.18, 0.6, 0.002, 0.02, 70.0, (0.05, 0.12), (-0.02, 0.02), 40.0, 5),
        Singer("room", "room", 47, 1.0, 0.6, 0.005, 0.02),
    )
}  # fmt: skip

# word, semitones above the tonic, seconds, rest before it (0: sung on without a break), moved
TUNES: dict[str, tuple[tuple[str, int, float, float, bool], ...]] = {
    "a": (
        ("la", 4, 0.45, 0.25, False), ("no", 2, 0.40, 0.0, False), ("ma", 0, 0.50, 0.0, False),
        ("we", 2, 0.90, 0.0, True), ("see", 7, 0.40, 0.25, False), ("low", 5, 0.35, 0.0, True),
        ("me", 4, 0.55, 0.0, False), ("show", 2, 0.75, 0.05, True), ("ray", -1, 0.45, 0.30, False),
        ("you", 0, 0.40, 0.0, True), ("new", 2, 1.00, 0.0, True), ("too", 0, 0.60, 0.04, False),
        ("la", 5, 0.50, 0.30, False), ("no", 7, 0.70, 0.0, True), ("ma", 5, 0.45, 0.0, False),
        ("hay", 2, 0.90, 0.05, True),
    ),
    "b": (
        ("me", 0, 0.50, 0.25, False), ("la", 1, 0.60, 0.0, True), ("we", 0, 0.45, 0.0, False),
        ("sow", 3, 0.50, 0.06, True), ("no", 5, 0.40, 0.0, False), ("ray", 7, 0.90, 0.0, True),
        ("you", 8, 0.40, 0.30, False), ("ma", 7, 0.55, 0.0, True), ("low", 3, 0.50, 0.0, False),
        ("new", 2, 1.00, 0.0, True), ("too", 5, 0.35, 0.25, True), ("we", 3, 0.30, 0.0, False),
        ("me", 2, 0.55, 0.0, True), ("la", 0, 0.80, 0.0, False), ("hay", -2, 0.50, 0.05, True),
    ),
}  # fmt: skip
TAIL_S = 0.4


def tune(name: str) -> tuple[tuple[Sung, ...], float]:
    """The notes of a tune and its length in seconds."""
    now, notes = 0.0, []
    for word, semitones, length, rest, moved in TUNES[name]:
        now += rest
        notes.append(Sung(word, semitones, now, now + length, rest == 0, moved))
        now += length
    return tuple(notes), now + TAIL_S


def pitch_curve(
    notes: tuple[Sung, ...], total_s: float, singer: Singer, shift_cents: float
) -> Floats:
    """Cents (MIDI x 100) every FRAME_S; slides, scoops, vibrato and wander as the singer's."""
    rng = np.random.default_rng(singer.seed)
    time_s = np.arange(round(total_s / FRAME_S) + 1) * FRAME_S
    level = np.array([100.0 * (singer.tonic_midi + n.semitones) + (shift_cents if n.moved else 0)
                      for n in notes])  # fmt: skip
    cents = np.full(len(time_s), level[0])
    for i, note in enumerate(notes[1:], start=1):
        width, late = rng.uniform(*singer.glides_s), rng.uniform(*singer.late_s)
        if not note.legato:
            width, late = 1e-3, -0.01
        part = np.clip((time_s - note.start_s - late) / width + 0.5, 0, 1)
        cents += (level[i] - level[i - 1]) * (0.5 - 0.5 * np.cos(np.pi * part))
    for note in notes:
        inside = (time_s >= note.start_s) & (time_s < note.end_s)
        since = time_s - note.start_s
        if note.end_s - note.start_s > 0.38:
            grown = np.clip((since - 0.15) / 0.15, 0, 1) * np.clip(
                (note.end_s - 0.04 - time_s) / 0.06, 0, 1
            )
            rate = rng.uniform(5.0, 6.2)
            cents += (
                inside * grown * singer.vibrato_cents * np.sin(2 * np.pi * rate * (since - 0.15))
            )
        if not note.legato:
            cents -= inside * singer.scoop_cents * np.exp(-np.maximum(since, 0) / 0.04)
    kernel = np.hanning(60)
    wander = np.convolve(rng.standard_normal(len(time_s)), kernel / kernel.sum(), "same")
    return np.asarray(cents + 20.0 * wander)


def hertz(cents: Floats) -> Floats:
    return np.asarray(440.0 * 2.0 ** ((cents - 6900.0) / 1200.0))


# --- glottal pulses and formants ---------------------------------------------------------------


@njit(cache=True)
def _cascade(x, freq, band, rate, hop):  # type: ignore[no-untyped-def]
    n_formants = freq.shape[1]
    one, two, out = np.zeros(n_formants), np.zeros(n_formants), np.zeros(len(x))
    for n in range(len(x)):
        i = min(int(n / hop), freq.shape[0] - 2)
        part = min(n / hop - i, 1.0)
        value = x[n]
        for k in range(n_formants):
            f = (1 - part) * freq[i, k] + part * freq[i + 1, k]
            b = (1 - part) * band[i, k] + part * band[i + 1, k]
            r = math.exp(-math.pi * b / rate)
            c1, c2 = 2 * r * math.cos(2 * math.pi * f / rate), -r * r
            value = (1 - c1 - c2) * value + c1 * one[k] + c2 * two[k]
            two[k], one[k] = one[k], value
        out[n] = value
    return out


def _source(f0_hz: Floats, singer: Singer, phase: float, seed: int) -> tuple[Floats, Floats]:
    """Derivative of the glottal flow and the open share of each moment, at RATE_HZ."""
    rng = np.random.default_rng(seed)
    over = 4
    fine = np.repeat(f0_hz, over)
    count = int(np.sum(fine) / (RATE_HZ * over)) + 64
    jitter = 1 + singer.jitter * rng.standard_normal(count)
    shimmer = 1 + 0.03 * rng.standard_normal(count)
    rough = phase + np.cumsum(fine) / (RATE_HZ * over)
    cycles = phase + np.cumsum(fine * jitter[np.minimum(rough.astype(int), count - 1)]) / (
        RATE_HZ * over
    )
    number = np.minimum(cycles.astype(int), count - 1)
    part = (cycles - np.floor(cycles)) / singer.open_share
    flow = np.where(part < 1, 2 * part - 3 * part**2, 0.0) * shimmer[number]
    flow = resample_poly(flow, 1, over)[: len(f0_hz)]
    opened = np.where(part < 1, np.sin(np.pi * np.minimum(part, 1)), 0.0)[::over]
    return flow - flow.mean(), opened[: len(f0_hz)]


def _articulation(notes: tuple[Sung, ...], n: int, singer: Singer) -> dict[str, Floats]:
    """Formants, widths, voice and hiss every FRAME_S."""
    time_s = np.arange(n) * FRAME_S
    formants = np.full((n, 5), np.nan)
    voice, nasal = np.zeros(n), np.zeros(n)
    hiss = {key: np.zeros(n) for key in HISS}
    for i, note in enumerate(notes):
        consonant, vowel = WORDS[note.word]
        goes_on = i + 1 < len(notes) and notes[i + 1].legato
        inside = (time_s >= note.start_s) & (time_s < note.end_s)
        formants[inside] = VOWELS[vowel]
        begin = note.start_s
        if consonant in HISS:
            hiss[consonant][(time_s >= begin) & (time_s < begin + HISS[consonant][1])] = 1
            begin += HISS[consonant][1] - 0.01
        elif consonant in ("m", "n"):
            nasal[(time_s >= begin) & (time_s < begin + 0.06)] = 1
        voice[(time_s >= begin) & (time_s < note.end_s - (0 if goes_on else 0.03))] = 1
    known = np.isfinite(formants[:, 0])
    for k in range(5):
        formants[:, k] = np.interp(time_s, time_s[known], formants[known, k])
        formants[:, k] = _smooth(formants[:, k], 13) * singer.tract
    nasal = _smooth(nasal, 11)
    formants[:, 0] += nasal * (270 - formants[:, 0])
    formants[:, 1] += nasal * (1250 - formants[:, 1])
    widths = np.stack([60 + 0.03 * formants[:, 0] + 60 * nasal, 80 + 0.02 * formants[:, 1] + 100 * nasal,
                       np.full(n, 120.0), np.full(n, 190.0), np.full(n, 260.0)], axis=1)  # fmt: skip
    voice = _smooth(voice, 9) * (1 - 0.5 * nasal)
    return {"formants": formants, "widths": widths, "voice": voice} | {
        k: _smooth(v, 7) for k, v in hiss.items()
    }


def _smooth(values: Floats, width: int) -> Floats:
    kernel = np.hanning(width + 2)[1:-1]
    padded = np.pad(values, width // 2, mode="edge")
    return np.asarray(np.convolve(padded, kernel / kernel.sum(), "valid")[: len(values)])


def render_pulse(
    notes: tuple[Sung, ...], cents: Floats, singer: Singer, *, phase: float = 0.0, seed: int = 11
) -> Floats:
    """A pulse voice at RATE_HZ; another phase and seed give the floor of any measure."""
    n = int((len(cents) - 1) * FRAME_S * RATE_HZ)
    time_s, frames = np.arange(n) / RATE_HZ, np.arange(len(cents)) * FRAME_S
    f0_hz = hertz(np.interp(time_s, frames, cents))
    flow, opened = _source(f0_hz, singer, phase, seed)
    rng = np.random.default_rng(seed + 100)
    breath = rng.standard_normal(n) * singer.breath * (0.25 + opened)
    parts = _articulation(notes, len(cents), singer)
    voice = np.interp(time_s, frames, parts["voice"])
    sung = _cascade(
        (flow + breath) * voice, parts["formants"], parts["widths"], RATE_HZ, FRAME_S * RATE_HZ
    )
    sung /= np.sqrt(np.mean(sung[voice > 0.5] ** 2))
    noise = np.random.default_rng(7).standard_normal(n)  # consonants are the same in both versions
    for key, (middle, _) in HISS.items():
        band = butter(2, [0.7 * middle, 1.6 * middle], "bandpass", fs=RATE_HZ, output="sos")
        hiss = np.asarray(sosfilt(band, noise))
        sung += 0.2 * hiss / hiss.std() * np.interp(time_s, frames, parts[key])
    return np.asarray(sung)


def add_room(y: Floats, *, seed: int = 7) -> Floats:
    """Reverberation of 0.35 s, 12 dB under the voice, and noise at -62 dB."""
    rng = np.random.default_rng(seed)
    n = int(0.35 * RATE_HZ)
    tail = rng.standard_normal(n) * np.exp(-6.9 * np.arange(n) / n)
    tail[: int(0.004 * RATE_HZ)] = 0
    tail = np.asarray(sosfilt(butter(1, 6000, fs=RATE_HZ, output="sos"), tail))
    tail *= 0.25 / np.sqrt(np.sum(tail**2))
    tail[0] = 1
    return np.asarray(
        fftconvolve(y, tail)[: len(y)] + 10 ** (-62 / 20) * rng.standard_normal(len(y))
    )


# --- spoken words through WORLD ----------------------------------------------------------------

SPEAKER = "cmu_us_slt_arctic_hts"
STRONG_DB = 15.0  # the faint ends of a spoken word would break a legato line


def has_speech() -> bool:
    return shutil.which("festival") is not None


def _spoken(word: str) -> Floats:
    import soundfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "word.wav"
        script = (
            f'(begin (voice_{SPEAKER}) (utt.save.wave (SynthText "{word}.") "{path}" (quote riff)))'
        )
        subprocess.run(["festival", "-b", script], check=True, capture_output=True)
        y, rate = soundfile.read(path)
    common = math.gcd(RATE_HZ, rate)
    y = resample_poly(y, RATE_HZ // common, rate // common)
    return np.asarray(y + 1e-5 * np.random.default_rng(0).standard_normal(len(y)))


@dataclass(frozen=True, eq=False)
class Speech:
    """What WORLD needs besides f0, every FRAME_S."""

    envelope: Floats
    noise: Floats
    voiced: NDArray[np.bool_]


def _analysed(word: str, size: int) -> tuple[Floats, Floats, Floats]:
    """f0, envelope and noise of a spoken word, silence cut off."""
    import pyworld

    y = _spoken(word)
    f0, at = pyworld.harvest(y, RATE_HZ, f0_floor=80, f0_ceil=400, frame_period=FRAME_S * 1000)
    envelope = pyworld.cheaptrick(y, f0, at, RATE_HZ, fft_size=size)
    noise = pyworld.d4c(y, f0, at, RATE_HZ, fft_size=size)
    level = 10 * np.log10(envelope.mean(axis=1))
    heard = np.flatnonzero(level > level.max() - 40)
    part = slice(heard[0], heard[-1] + 1)
    return f0[part], envelope[part], noise[part]


def _placed(length: int, first: int, stop: int, consonant: int) -> Floats:
    """Source frame for each frame of a note: consonant and ends as spoken, vowel stretched."""
    voiced = length - consonant
    edge = min(14, voiced // 3, (stop - first) // 3)
    return np.concatenate([
        np.arange(first - consonant, first + edge, dtype=np.float64),
        np.linspace(first + edge, stop - edge - 1, voiced - 2 * edge),
        np.arange(stop - edge, stop, dtype=np.float64),
    ])  # fmt: skip


def sung_speech(notes: tuple[Sung, ...], n: int) -> Speech:
    """Spoken words laid out over the notes of a tune."""
    import pyworld

    size = pyworld.get_cheaptrick_fft_size(RATE_HZ, 71.0)
    envelope, noise = np.full((n, size // 2 + 1), 1e-12), np.ones((n, size // 2 + 1))
    voiced = np.zeros(n, dtype=bool)
    words = {word: _analysed(word, size) for word in {note.word for note in notes}}
    for i, note in enumerate(notes):
        f0, spoken, breath = words[note.word]
        turns = np.flatnonzero(np.diff(np.concatenate([[0], f0 > 0, [0]])))
        first, stop = max(turns.reshape(-1, 2), key=lambda run: run[1] - run[0])
        level = 10 * np.log10(spoken[first:stop].sum(axis=1))
        strong = np.flatnonzero(level > level.max() - STRONG_DB)
        first, stop = first + strong[0], first + strong[-1] + 1
        a, b = round(note.start_s / FRAME_S), round(note.end_s / FRAME_S)
        hissing = WORDS[note.word][0] in HISS
        consonant = min(int(first), (b - a) // 3) if hissing else 0
        place = _placed(b - a, int(first), int(stop), consonant)
        low = np.clip(place.astype(int), 0, len(f0) - 2)
        part = np.clip(place - low, 0, 1)[:, None]
        shape = np.exp(
            (1 - part) * np.log(spoken[low] + 1e-16) + part * np.log(spoken[low + 1] + 1e-16)
        )
        shape *= 10.0 / shape[(b - a) // 2].sum()
        if not (i + 1 < len(notes) and notes[i + 1].legato):
            k = min(14, (b - a) // 3)
            shape[-k:] *= np.linspace(1, 0.003, k)[:, None] ** 2
        envelope[a:b] = shape
        noise[a:b] = (1 - part) * breath[low] + part * breath[low + 1]
        voiced[a + consonant : b] = True
    for note in notes:
        b = round(note.start_s / FRAME_S)
        if note.legato and voiced[b]:
            mix = np.linspace(0, 1, 8)[:, None]
            envelope[b - 4 : b + 4] = np.exp(
                (1 - mix) * np.log(envelope[b - 5]) + mix * np.log(envelope[b + 4])
            )
    return Speech(envelope, noise, voiced)


def render_speech(speech: Speech, cents: Floats, *, lead: int = 0) -> Floats:
    """WORLD synthesis; `lead` frames before the start give other pulses and other noise."""
    import pyworld

    f0 = np.where(speech.voiced, hertz(cents), 0.0)
    envelope, noise = speech.envelope, speech.noise
    if lead:
        f0 = np.concatenate([np.full(lead, 1.013 * f0[speech.voiced][0]), f0])
        envelope = np.vstack([np.repeat(envelope[:1], lead, 0), envelope])
        noise = np.vstack([np.repeat(noise[:1], lead, 0), noise])
    y = pyworld.synthesize(
        f0, np.ascontiguousarray(envelope), np.ascontiguousarray(noise), RATE_HZ, FRAME_S * 1000
    )
    return np.asarray(y[int(lead * FRAME_S * RATE_HZ) :])


# --- pairs -------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Pair:
    """`original` and `truth` (and `other`, the truth rendered again with other noise and pulses),
    float32 mono at RATE_HZ; cents curves every FRAME_S."""

    name: str
    notes: tuple[Sung, ...]
    shift_cents: float
    original: NDArray[np.float32]
    truth: NDArray[np.float32]
    other: NDArray[np.float32]
    cents: Floats
    cents_truth: Floats


_speech: dict[str, Speech] = {}


def make_pair(singer_name: str, tune_name: str, shift_cents: float) -> Pair:
    """Render one singer and tune, with the marked notes moved by `shift_cents` in the truth."""
    singer = SINGERS[singer_name]
    notes, total_s = tune(tune_name)
    cents = pitch_curve(notes, total_s, singer, 0.0)
    moved = pitch_curve(notes, total_s, singer, shift_cents)
    if singer.kind == "speech":
        if tune_name not in _speech:
            _speech[tune_name] = sung_speech(notes, len(cents))
        speech = _speech[tune_name]
        sounds = [
            render_speech(speech, cents),
            render_speech(speech, moved),
            render_speech(speech, moved, lead=23),
        ]
    else:
        again = replace(singer)
        sounds = [render_pulse(notes, cents, singer), render_pulse(notes, moved, singer),
                  render_pulse(notes, moved, again, phase=0.37, seed=12)]  # fmt: skip
    n = min(len(y) for y in sounds)
    gain = 0.6 / max(float(np.abs(y).max()) for y in sounds)
    sounds = [y[:n] * gain for y in sounds]
    if singer.kind == "room":
        sounds = [add_room(y) for y in sounds]
    else:
        hum = 10 ** (-78 / 20) * np.random.default_rng(1).standard_normal(n)
        sounds = [y + hum for y in sounds]
    original, truth, other = (y.astype(np.float32) for y in sounds)
    return Pair(
        f"{singer_name}-{tune_name}", notes, shift_cents, original, truth, other, cents, moved
    )
