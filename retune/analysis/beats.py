"""Tempo and downbeats found by ear, where the song file does not give them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from retune.analysis.bars import bars_from_downbeats, bars_from_tempo, written_beats
from retune.analysis.onset_curve import HOP_S, onset_curve
from retune.analysis.pulse import beat_frames, followed_period_s, likeliest_period_s, tempogram
from retune.carriers.heard import AudioLike, Bars, FloatArray
from retune.carriers.songfacts import Music, Song

# Below this the beat is a guess.
SURE = 0.5
# Long songs are heard from their first minutes: tempo is one number, memory is bounded.
LONGEST_S = 600.0


@dataclass(frozen=True)
class FoundBeat:
    """Bars as estimated, how sure (0 to 1), and by which stems."""

    bars: Bars
    confidence: float
    heard_in: str


def find_bars(
    song: Song,
    audio: Mapping[str, AudioLike],
    onsets_s: Sequence[float],
    bass_onsets_s: Sequence[float],
    *,
    duration_s: float,
) -> FoundBeat | None:
    """Bars by the beats of what is struck or strummed, else of the onsets of the melody; None
    when nothing pulses.

    Which beat is the first of a bar is judged by where the bass (else the onsets) falls; a
    downbeat or a tempo that the song file does give is kept.
    """
    strength, source = _onset_strength(song, audio, onsets_s)
    if strength is None or float(strength.max(initial=0.0)) <= 0:
        return None
    lags = tempogram(strength)
    period_s = followed_period_s(lags, likeliest_period_s(lags), len(strength))
    beats = beat_frames(strength, period_s) * HOP_S
    if len(beats) < 4:
        return None
    confidence = _pulse_clarity(strength, float(np.median(np.diff(beats))))
    if source == "melody onsets":
        confidence *= 0.6
    bars = _bars(beats, bass_onsets_s or onsets_s, song.music, duration_s)
    return FoundBeat(bars, round(confidence, 3), source)


def _onset_strength(
    song: Song, audio: Mapping[str, AudioLike], onsets_s: Sequence[float]
) -> tuple[FloatArray | None, str]:
    """Onset strength of the drums, else of the other accompaniment, else of the melody's notes."""
    for roles in (("unpitched",), ("backing", "mix")):
        names = [n for n, s in song.stems.items() if s.role in roles and n in audio]
        total = onset_curve([audio[n] for n in names], longest_s=LONGEST_S)
        if total.max(initial=0.0) > 0:
            return total, ", ".join(names)
    if len(onsets_s) < 6:
        return None, ""
    curve = np.zeros(int((max(onsets_s) + 2.0) / HOP_S))
    for onset in onsets_s:
        curve[min(len(curve) - 1, round(onset / HOP_S))] = 1.0
    return np.convolve(curve, np.hanning(9), mode="same"), "melody onsets"


def _pulse_clarity(strength: FloatArray, period_s: float) -> float:
    """How much the strength repeats after a beat: its autocorrelation there, 0 to 1."""
    lag = round(period_s / HOP_S)
    centred = strength - strength.mean()
    power = float(np.sum(centred**2))
    if lag < 1 or lag + 3 >= len(centred) or power <= 0:
        return 0.0
    near = [float(np.sum(centred[k:] * centred[:-k])) for k in range(max(1, lag - 2), lag + 3)]
    return float(np.clip(1.4 * max(near) / power, 0.0, 1.0))


def _bars(beats: FloatArray, accents_s: Sequence[float], music: Music, duration_s: float) -> Bars:
    per_bar = written_beats(music.meter)
    period = _even_period(beats)
    if music.first_downbeat_s is not None:
        return bars_from_tempo(
            meter=music.meter,
            tempo_bpm=60.0 / period,
            first_downbeat_s=music.first_downbeat_s,
            duration_s=duration_s,
            source="estimated",
        )
    while beats[0] - period >= -0.05:
        beats = np.concatenate(([beats[0] - period], beats))
    weights = np.zeros(per_bar)
    for accent in accents_s:
        k = int(np.argmin(np.abs(beats - accent)))
        if abs(beats[k] - accent) < 0.2 * period:
            weights[k % per_bar] += 1.0
    first = int(np.argmax(weights))
    downbeats = [float(max(t, 0.0)) for t in beats[first::per_bar]]
    if len(downbeats) < 2:
        downbeats = [downbeats[0], downbeats[0] + per_bar * period]
    return bars_from_downbeats(
        downbeats, meter=music.meter, duration_s=duration_s, source="estimated"
    )


def _even_period(beats: FloatArray) -> float:
    """The beat period by a straight line through the beats, in seconds."""
    slope = np.polyfit(np.arange(len(beats)), beats, 1)[0]
    return float(slope)
