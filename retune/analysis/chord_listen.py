"""Chords heard in the backing where no chart is given: never better than "estimated".

Chroma of the accompaniment, averaged over beats, against templates of major, minor and dominant
seventh chords; the likeliest sequence by dynamic programming, with chords of the key and changes
on strong beats favoured (template matching with smoothing as in Cho & Bello 2014, "On the
relative importance of individual components of chord recognition systems", from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from retune.analysis.bars import beats_at, seconds_at
from retune.carriers.heard import AudioLike, Bars, Chord, FloatArray, Key
from retune.song.chart import merged
from retune.theory.chords import parse_chord
from retune.theory.keys import scale_semitones, tonic_pc
from retune.theory.spelling import spell_pitch_class

RATE_HZ = 22050
HOP = 1024
PIECE_S = 60.0
LOWEST_HZ = 65.4
OCTAVES = 5
# The transform halves the rate an octave and wants 1024 samples of the lowest (librosa 0.11).
SHORTEST = 1024 * 2**OCTAVES
QUALITIES: Mapping[str, tuple[tuple[int, float], ...]] = {
    "maj": ((0, 1.0), (4, 0.9), (7, 0.8)),
    "min": ((0, 1.0), (3, 0.9), (7, 0.8)),
    "7": ((0, 1.0), (4, 0.8), (7, 0.6), (10, 0.7)),
}
# In units of correlation per beat.
CHANGE_COST = 0.35
OFF_BAR_COST = 0.15
FOREIGN_COST = 0.12
SEVENTH_COST = 0.02
# Beats this far below the loud ones have no chord.
SILENT_DB = 35.0


def listen_for_chords(
    sounds: Sequence[AudioLike],
    *,
    bars: Bars,
    tuning_hz: float,
    key_at: Callable[[float], Key | None],
    duration_s: float,
) -> tuple[Chord, ...]:
    """Chords of the accompaniment, one a beat at most, `estimated` set; () when it is silent."""
    if len(bars.downbeats_s) < 2 or not sounds:
        return ()
    first = int(np.floor(float(beats_at(0.0, bars)) + 1e-6))
    last = int(np.ceil(float(beats_at(duration_s, bars)) - 1e-6))
    times = np.array([max(0.0, seconds_at(b, bars)) for b in range(first, last + 1)])
    chroma, power = _beat_chroma(sounds, times, tuning_hz)
    if not len(chroma) or power.max(initial=0.0) <= 0:
        return ()
    score, names = _scores(chroma, [key_at(float(t)) for t in times[:-1]])
    quiet = power < power.max() * 10 ** (-SILENT_DB / 10)
    score[quiet] = 0.0
    score[:, -1] = np.where(quiet, 0.5, 0.25)
    strong = np.array([(first + k) % bars.beats_per_bar == 0 for k in range(len(score))])
    path = _best_path(score, strong)
    chords = []
    for k, state in enumerate(path):
        key = key_at(float(times[k]))
        label = "N"
        if state < len(names):
            root, quality = names[state]
            label = f"{spell_pitch_class(root, key)}:{quality}"
        chord = replace(parse_chord(label, key), typed="", estimated=True)
        chords.append(replace(chord, start_s=float(times[k]), end_s=float(times[k + 1])))
    return merged(chords)


def _beat_chroma(
    sounds: Sequence[AudioLike], times: FloatArray, tuning_hz: float
) -> tuple[FloatArray, FloatArray]:
    """Chroma (n_beats, 12) and power (n_beats,) of the sum of some stems."""
    import librosa

    bins = 36
    n = len(times) - 1
    chroma, power = np.zeros((n, 12)), np.zeros(n)
    tuning = 12 * float(np.log2(tuning_hz / 440.0)) * bins / 12
    k = 0
    while k < n:
        stop = k + 1
        while stop < n and times[stop + 1] - times[k] <= PIECE_S:
            stop += 1
        samples = _mixed(sounds, float(times[k]), float(times[stop]))
        if len(samples) >= RATE_HZ // 4:
            frames = librosa.feature.chroma_cqt(
                y=np.pad(samples, (0, max(0, SHORTEST - len(samples)))),
                sr=RATE_HZ,
                hop_length=HOP,
                fmin=LOWEST_HZ,
                n_octaves=OCTAVES,
                bins_per_octave=bins,
                tuning=tuning - round(tuning),
                norm=None,
            )
            at = np.arange(frames.shape[1]) * HOP / RATE_HZ + times[k]
            for beat in range(k, stop):
                inside = (at >= times[beat]) & (at < times[beat + 1])
                if inside.any():
                    chroma[beat] = frames[:, inside].mean(axis=1)
                a, b = (round((times[beat + j] - times[k]) * RATE_HZ) for j in (0, 1))
                part = samples[a:b]
                power[beat] = float(np.mean(part**2)) if len(part) else 0.0
        k = stop
    return chroma, power


def _mixed(sounds: Sequence[AudioLike], start_s: float, stop_s: float) -> FloatArray:
    import librosa

    total = np.zeros(round((stop_s - start_s) * RATE_HZ))
    for sound in sounds:
        part = sound.read(round(start_s * sound.rate_hz), round(stop_s * sound.rate_hz))
        mono = np.asarray(part.mean(axis=1), dtype=np.float64)
        if not len(mono):
            continue
        low = librosa.resample(mono, orig_sr=sound.rate_hz, target_sr=RATE_HZ, res_type="soxr_mq")
        n = min(len(low), len(total))
        total[:n] += low[:n]
    return total


def _scores(
    chroma: FloatArray, keys: Sequence[Key | None]
) -> tuple[FloatArray, list[tuple[int, str]]]:
    """Correlation of every beat with every chord, (n_beats, n_chords + 1); the last column is
    for no chord."""
    names = [(root, quality) for quality in QUALITIES for root in range(12)]
    templates = np.zeros((len(names), 12))
    for row, (root, quality) in enumerate(names):
        for step, weight in QUALITIES[quality]:
            templates[row, (root + step) % 12] = weight
    a = np.sqrt(chroma)
    a = a - a.mean(axis=1, keepdims=True)
    b = templates - templates.mean(axis=1, keepdims=True)
    norm = np.linalg.norm(a, axis=1, keepdims=True) * np.linalg.norm(b, axis=1)[None, :]
    score = np.where(norm > 0, (a @ b.T) / np.maximum(norm, 1e-12), 0.0)
    for row, (root, quality) in enumerate(names):
        if quality == "7":
            score[:, row] -= SEVENTH_COST
        tones = [(root + step) % 12 for step, _ in QUALITIES[quality]]
        for beat, key in enumerate(keys):
            if key is not None:
                score[beat, row] -= FOREIGN_COST * _foreign(tones, key)
    return np.concatenate((score, np.zeros((len(score), 1))), axis=1), names


def _foreign(tones: Sequence[int], key: Key) -> int:
    """How many tones of a chord lie outside the key (a minor key's raised 7 lies inside)."""
    scale = {(tonic_pc(key) + s) % 12 for s in scale_semitones(key)}
    if key.mode == "minor":
        scale.add((tonic_pc(key) + 11) % 12)
    return sum(tone not in scale for tone in tones)


def _best_path(score: FloatArray, strong: FloatArray) -> list[int]:
    """The sequence of columns with the highest sum, changes costing less on a downbeat."""
    n, width = score.shape
    total, back = score[0].copy(), np.zeros((n, width), dtype=np.int64)
    for k in range(1, n):
        cost = CHANGE_COST + (0.0 if strong[k] else OFF_BAR_COST)
        best = int(np.argmax(total))
        switch = total[best] - cost
        stay = total >= switch
        back[k] = np.where(stay, np.arange(width), best)
        total = np.where(stay, total, switch) + score[k]
    path = [int(np.argmax(total))]
    for k in range(n - 1, 0, -1):
        path.append(int(back[k, path[-1]]))
    return path[::-1]
