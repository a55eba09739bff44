"""The sung voice: spoken phrases from festival, sung through the WORLD vocoder.

Needs Debian's ``festival`` and ``festvox-us-slt-hts`` and the wheels pyworld and scipy.
Each phrase is spoken once. Its spectral envelope is taken apart from its pitch, the
vowels are stretched to their notes, and the pitch curve of the performance is put in
the place of the spoken one (Morise, Yokomori, Ozawa 2016, WORLD).
"""

from __future__ import annotations

import subprocess
import tempfile
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyworld
import soundfile
from lantern_performance import HOP_S, Performance, SpokenPhone, SungNote, SungPhone
from lantern_score import DURATION_S
from numpy.typing import NDArray
from scipy.signal import butter, resample_poly, sosfilt

RATE_HZ = 44100
VOICE = "cmu_us_slt_arctic_hts"
_FFT_SIZE = pyworld.get_cheaptrick_fft_size(RATE_HZ)
# Power gain by bin: up to 4 dB about 3 kHz, where a trained voice rings more than speech.
_OCTAVES_FROM_RING = np.log2(
    np.maximum(np.arange(_FFT_SIZE // 2 + 1), 1) * RATE_HZ / _FFT_SIZE / 3000
)
_BRIGHTEN = 10 ** (0.4 * np.exp(-0.5 * (_OCTAVES_FROM_RING / 0.6) ** 2))
_SCRIPT = """(voice_{voice})
(set! utt (SynthText "{text}"))
(utt.save.wave utt "{wav}" 'riff)
(mapcar (lambda (s) (format t "%s %f %s\\n" (item.name s) (item.feat s 'end)
  (item.feat s "R:SylStructure.parent.parent.name"))) (utt.relation.items utt 'Segment))
"""


def speak(words: list[str]) -> tuple[NDArray[np.float64], list[SpokenPhone]]:
    """Speak a phrase; returns mono samples at RATE_HZ and its speech sounds."""
    with tempfile.TemporaryDirectory() as folder:
        wav, script = Path(folder) / "spoken.wav", Path(folder) / "speak.scm"
        script.write_text(_SCRIPT.format(voice=VOICE, text=" ".join(words), wav=wav))
        done = subprocess.run(
            ["festival", "-b", str(script)], capture_output=True, text=True, check=True
        )
        samples, rate_hz = soundfile.read(wav)
    common = np.gcd(RATE_HZ, rate_hz)
    return (
        resample_poly(samples, RATE_HZ // common, rate_hz // common),
        _read_phones(done.stdout, words),
    )


def _read_phones(listing: str, words: list[str]) -> list[SpokenPhone]:
    phones: list[SpokenPhone] = []
    word, start_s, before = -1, 0.0, ""
    for line in listing.splitlines():
        name, end, spoken = line.split()
        if name != "pau":
            if spoken != before:
                word += 1
                if spoken != words[word]:
                    raise ValueError(f"festival spoke {spoken!r} where {words[word]!r} was asked")
            phones.append(SpokenPhone(name, round(start_s, 4), round(float(end), 4), word))
            before = spoken
        start_s = float(end)
    return phones


def _source_time(
    phones: list[SungPhone], time_s: NDArray[np.float64], vowel_end_s: dict[int, float]
) -> NDArray[np.float64]:
    """Where in the spoken recording each sung instant takes its sound from.

    Of a vowel, the beginning and the end keep the spoken speed; between them the
    sung vowel dwells on the early middle and moves on late, as singers do with diphthongs.
    """
    anchors: list[tuple[float, float]] = []
    for phone in phones:
        source, end_s = phone.source, vowel_end_s.get(phone.note, phone.end_s)
        if not phone.is_vowel:
            anchors += [(phone.start_s, source.start_s), (phone.end_s, source.end_s)]
            continue
        spoken_s, sung_s = source.end_s - source.start_s, end_s - phone.start_s
        edge_s = min(0.3 * spoken_s, 0.3 * sung_s)
        leave_s = min(0.14, 0.3 * sung_s)
        close = 0.75 if phone is phones[-1] else 1.0  # a last open vowel does not die away
        anchors += [
            (phone.start_s, source.start_s),
            (phone.start_s + edge_s, source.start_s + edge_s),
            (end_s - leave_s, source.start_s + 0.6 * spoken_s),
            (end_s, source.start_s + close * spoken_s),
        ]
    sung, spoken = np.array(anchors).T
    sung = np.maximum.accumulate(sung) + 1e-7 * np.arange(len(sung))
    mapped = np.interp(time_s, sung, spoken)
    return np.asarray(mapped + np.minimum(0, time_s - sung[0]) + np.maximum(0, time_s - sung[-1]))


def _gain_curve(
    time_s: NDArray[np.float64],
    notes: list[SungNote],
    phones: list[SungPhone],
    level_db_of: dict[int, float],
) -> NDArray[np.float64]:
    """Loudness of the singing as a factor: even syllables, a phrase arch, held notes shaped."""
    points, gains = [], []
    mean_db = np.mean(list(level_db_of.values()))
    for index, level_db in level_db_of.items():
        own = [p for p in phones if p.note == index]
        evened_db = -0.85 * (level_db - mean_db)
        points += [own[0].start_s, own[-1].end_s]
        gains += [evened_db, evened_db]
    curve_db = np.interp(time_s, points, gains)
    start_s, end_s = notes[0].start_s, notes[-1].end_s
    curve_db += 2.5 * np.sin(np.pi * np.clip((time_s - start_s) / (end_s - start_s), 0, 1))
    mean_midi = np.mean([n.midi for n in notes])
    for note in notes:
        since = (time_s - note.vowel_on_s) / (note.vowel_off_s - note.vowel_on_s)
        inside = (since >= 0) & (since <= 1)
        curve_db += (
            inside * np.sin(np.pi * np.clip(since, 0, 1)) * (1.2 + 0.15 * (note.midi - mean_midi))
        )
        if note.vibrato_hz:
            phase = 2 * np.pi * note.vibrato_hz * (time_s - note.vowel_on_s - note.vibrato_delay_s)
            curve_db += inside * 0.5 * np.sin(np.pi * np.clip(since, 0, 1)) * np.sin(phase)
    fade = np.clip((time_s - start_s + 0.015) / 0.015, 0, 1)
    fade = fade * np.clip((end_s + 0.03 - time_s) / 0.08, 0, 1)
    for before, after in pairwise(phones):
        if after.start_s - before.end_s > 0.03:  # detached: the voice stops and starts again
            out = np.clip((before.end_s + 0.005 - time_s) / 0.03, 0, 1)
            back = np.clip((time_s - after.start_s + 0.01) / 0.012, 0, 1)
            fade = fade * np.maximum(out, back)
    return np.asarray(10 ** (curve_db / 20) * fade)


def _analyse(samples: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    """WORLD: spectral envelope, aperiodicity, and that of the nearest voiced frame."""
    f0, frames = pyworld.harvest(samples, RATE_HZ, 70, 500, HOP_S * 1000)
    f0 = pyworld.stonemask(samples, f0, frames, RATE_HZ)
    envelope = pyworld.cheaptrick(samples, f0, frames, RATE_HZ, fft_size=_FFT_SIZE)
    noise = pyworld.d4c(samples, f0, frames, RATE_HZ, fft_size=_FFT_SIZE)
    voiced = np.flatnonzero(f0 > 0)
    nearest = voiced[np.argmin(np.abs(np.arange(len(f0))[:, None] - voiced[None, :]), axis=1)]
    return envelope, noise, noise[nearest]


def _sung_level_db(envelope: NDArray[np.float64], f0_hz: NDArray[np.float64]) -> float:
    """Median level of voiced frames: the power of the first eight harmonics as sung."""
    harmonics = np.arange(1, 9)[None, :] * f0_hz[:, None]
    bins = np.round(harmonics * _FFT_SIZE / RATE_HZ).astype(int)
    power = np.take_along_axis(envelope, bins, axis=1).sum(axis=1) * f0_hz
    return float(np.median(10 * np.log10(power)))


def _sing_phrase(
    performance: Performance,
    span: slice,
    *,
    phrase: int,
    samples: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Spectral envelope and aperiodicity of one phrase on the frames of ``span``."""
    notes = [n for n in performance.notes if n.written.phrase == phrase]
    first = performance.notes.index(notes[0])
    phones = [p for p in performance.phones if first <= p.note < first + len(notes)]
    tails = [n.vowel_off_s for n in notes if n.written.part == "tail"]
    ending = next(first + k for k, n in enumerate(notes) if n.written.part == "ending")
    time_s = performance.time_s[span]
    source_s = _source_time(phones, time_s, {ending: tails[-1]} if tails else {})
    envelope, noise, voiced_noise = _analyse(samples)
    at = np.clip(source_s / HOP_S, 0, len(envelope) - 2)
    low = at.astype(int)
    part = (at - low)[:, None]
    log_envelope = np.log(envelope + 1e-14)
    shaped = np.exp((1 - part) * log_envelope[low] + part * log_envelope[low + 1])
    voiced = performance.f0_hz[span] > 0
    chosen = np.where(voiced[:, None], voiced_noise[low], noise[low])
    vowels = {p.note: (time_s >= p.start_s) & (time_s < p.end_s) for p in phones if p.is_vowel}
    usual_noise = np.median(chosen[np.logical_or.reduce(list(vowels.values()))], axis=0)
    levels = {}
    for note, inside in vowels.items():  # no vowel breathier than the phrase's usual
        chosen[inside] = np.minimum(chosen[inside], usual_noise)
        levels[note] = _sung_level_db(shaped[inside], performance.f0_hz[span][inside])
    shaped[voiced] *= _BRIGHTEN
    gain = _gain_curve(time_s, notes, phones, levels)
    return shaped * gain[:, None] ** 2 + 1e-14, chosen


def _breath(n_samples: int, rng: np.random.Generator) -> NDArray[np.float64]:
    band = butter(2, [700, 5500], "bandpass", fs=RATE_HZ, output="sos")
    noise = sosfilt(band, rng.standard_normal(n_samples)) * np.hanning(n_samples)
    return np.asarray(noise / np.abs(noise).max())


def sing(
    performance: Performance, recordings: dict[int, NDArray[np.float64]], *, seed: int
) -> NDArray[np.float64]:
    """The vocal, mono at RATE_HZ, peak 1, with breaths and a faint noise floor."""
    n_frames = len(performance.time_s)
    envelope = np.full((n_frames, _FFT_SIZE // 2 + 1), 1e-14)
    noise = np.ones_like(envelope)
    for phrase, samples in recordings.items():
        notes = [n for n in performance.notes if n.written.phrase == phrase]
        start = int((notes[0].start_s - 0.02) / HOP_S)
        span = slice(start, int((notes[-1].end_s + 0.04) / HOP_S))
        envelope[span], noise[span] = _sing_phrase(
            performance, span, phrase=phrase, samples=samples / np.abs(samples).max()
        )
    voice = pyworld.synthesize(performance.f0_hz, envelope, noise, RATE_HZ, HOP_S * 1000)
    n_samples = round(DURATION_S * RATE_HZ)
    voice = np.pad(voice, (0, max(0, n_samples - len(voice))))[:n_samples]
    voice = voice / np.abs(voice).max()
    rng = np.random.default_rng([seed, 100])
    previous_end_s = 0.1
    for phrase, breath_end_s in enumerate(performance.breath_at_s, start=1):
        length_s = min(0.3, breath_end_s - previous_end_s - 0.03)
        start = round((breath_end_s - length_s) * RATE_HZ)
        breath = _breath(round(length_s * RATE_HZ), rng)
        voice[start : start + len(breath)] += 0.02 * breath
        previous_end_s = max(n.end_s for n in performance.notes if n.written.phrase == phrase)
    return np.asarray(voice + rng.normal(0, 10 ** (-82 / 20), n_samples))
