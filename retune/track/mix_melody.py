"""The melody inside a finished mix: what a small network hears, and one path through it.

`retune.track.melody_net` says of each frame how likely each pitch is the melody's. The best path
through those odds bears with the leaps of a melody and may fall silent (Viterbi). Without a guide a
second path keeps near where the first one mostly lies (`retune.track.tessitura`). With a guide,
only pitches within `GUIDE_CENTS` of the note given there can be found, and nothing where the
guide has no note. Where an estimate of the voice is at hand, the network hears it too, and both
odds are weighed; where nobody sings, nothing is found without a guide, and where the estimate holds
most of the melody, its pitch is read there (`retune.track.sharpened`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from retune.carriers.heard import AudioLike, FloatArray, PitchTrack
from retune.carriers.units import midi_to_hz
from retune.song.guide import GuideNote
from retune.sound.compiled import compiled
from retune.track.melody_net import PER_OCTAVE, PITCHES_HZ
from retune.track.mix_frames import HOP, RATE_HZ, Frames, blended, frames_of
from retune.track.seam import check_range
from retune.track.sharpened import sharpened
from retune.track.tessitura import loss as far_loss
from retune.track.tessitura import middle_midi

BIN_CENTS = 1200 / PER_OCTAVE
GUIDE_CENTS = 150.0
GUIDE_REACH_S = 0.12
# What a semitone away from the guide's note costs a frame; it grows with the square.
GUIDE_PULL = 0.05
# How much one frame's odds count: frames this near each other hear much the same.
FRAME_WEIGHT = 0.15
# Log odds for singing rather than silence, without a guide and inside its notes.
VOICED_ODDS, GUIDED_ODDS = 1.5, 6.0
# The same where somebody is known to sing, and how much what is heard in the estimated voice counts
# beside what is heard in the mix.
SUNG_ODDS, VOICE_WEIGHT = 3.5, 0.35
# What a step of the path costs for each bin, up to a reach; any leap; a start or an end.
STEP_COST = 0.05
LEAP_COST = 1.5
REACH_BINS = 8
SWITCH_COST = 1.0
# Bins to each side of the path over which its pitch and its probability are gathered.
NEAR_BINS = 2
IMPOSSIBLE = -1e6
SILENT_DB = -120.0


@compiled
def _advance(
    odds: FloatArray,
    score: FloatArray,
    back: NDArray[np.int16],
    step_cost: float,
    leap_cost: float,
    reach: int,
    switch_cost: float,
) -> None:
    """Carry `score` (n_bins + 1, the last is silence) over the frames of `odds` (n_frames, n_bins
    + 1); `back` says from where."""
    n = odds.shape[1] - 1
    new = np.empty(n + 1)
    for t in range(len(odds)):
        top = 0
        for b in range(1, n):
            if score[b] > score[top]:
                top = b
        for b in range(n):
            best, come = score[top] - leap_cost, top
            for k in range(max(b - reach, 0), min(b + reach + 1, n)):
                value = score[k] - step_cost * abs(k - b)
                if value > best:
                    best, come = value, k
            if score[n] - switch_cost > best:
                best, come = score[n] - switch_cost, n
            new[b] = best + odds[t, b]
            back[t, b] = come
        if score[top] - switch_cost > score[n]:
            new[n], back[t, n] = score[top] - switch_cost, top
        else:
            new[n], back[t, n] = score[n], n
        new[n] += odds[t, n]
        highest = new.max()
        for b in range(n + 1):
            score[b] = max(new[b] - highest, -1e9)


@compiled
def _trace(back: NDArray[np.int16], last: int, path: NDArray[np.int32]) -> None:
    state = last
    for t in range(len(back) - 1, -1, -1):
        path[t] = state
        state = back[t, state]


def allowed_bins(
    hz: FloatArray, time_s: FloatArray, guide: Sequence[GuideNote]
) -> NDArray[np.bool_]:
    """Which bins (n_frames, n_bins) a guide leaves open: those near its notes."""
    allowed = np.zeros((len(time_s), len(hz)), bool)
    ratio = 2.0 ** (GUIDE_CENTS / 1200)
    for note in guide:
        low, high = midi_to_hz(note.midi) / ratio, midi_to_hz(note.midi) * ratio
        a, b = np.searchsorted(time_s, [note.start_s - GUIDE_REACH_S, note.end_s + GUIDE_REACH_S])
        allowed[a:b, (hz >= low) & (hz <= high)] = True
    return allowed


def pull(hz: FloatArray, time_s: FloatArray, guide: Sequence[GuideNote]) -> FloatArray:
    """What each bin (n_frames, n_bins) loses for its distance from the guide's note."""
    loss = np.zeros((len(time_s), len(hz)))
    for note in guide:
        a, b = np.searchsorted(time_s, [note.start_s, note.end_s])
        semitones = np.abs(12 * np.log2(hz / midi_to_hz(note.midi)))
        loss[a:b] = GUIDE_PULL * np.minimum(semitones, 3.0) ** 2
    return loss


def track_mix(
    audio: AudioLike,
    *,
    fmin_hz: float,
    fmax_hz: float,
    guide: Sequence[GuideNote] = (),
    voice: AudioLike | None = None,
    sung: Sequence[tuple[float, float]] | None = None,
) -> PitchTrack:
    """f0 of the melody inside a finished mix.

    Parameters
    ----------
    audio : AudioLike
        The mix, mono or stereo (with more channels, the first and the last), any rate.
    fmin_hz, fmax_hz : float
        Bounds of the search in Hz, within 20 to 4000; nothing is found outside 55 to 1453.
    guide : sequence of GuideNote
        Roughly what is sung; outside these notes nothing is found.
    voice : AudioLike, optional
        The voice in the mix, estimated or separated elsewhere, on the same clock.
    sung : sequence of (start_s, end_s), optional
        Where somebody sings; without a guide nothing is found elsewhere.

    Returns
    -------
    PitchTrack
        `voiced_prob` is how likely the melody is where it was found, to the network's ear;
        `energy_db` the level of the harmonics there.

    Raises
    ------
    UsageError
        Bounds that make no sense.
    """
    check_range(fmin_hz, fmax_hz)
    return MixMelody(guide, voice, sung).track(audio, fmin_hz=fmin_hz, fmax_hz=fmax_hz)


class MixMelody:
    """Tracks a melody in a mix; `guide` notes, if any, tell roughly where it is."""

    name = "mix"

    def __init__(
        self,
        guide: Sequence[GuideNote] = (),
        voice: AudioLike | None = None,
        sung: Sequence[tuple[float, float]] | None = None,
    ) -> None:
        self.guide = tuple(guide)
        self.voice = voice
        self.sung = sung

    def track(self, audio: AudioLike, *, fmin_hz: float, fmax_hz: float) -> PitchTrack:
        inside = (fmin_hz <= PITCHES_HZ) & (fmax_hz >= PITCHES_HZ)
        heard = list(self._heard(audio))
        found = self._found(heard, inside, None)
        if self.guide or not np.isfinite(found.f0_hz).any():
            return found
        found = self._found(heard, inside, middle_midi(found))
        if self.voice is None:
            return found
        share_db = _share_along(heard, found.f0_hz)
        return sharpened(found, share_db, self.voice, fmin_hz=fmin_hz, fmax_hz=fmax_hz)

    def _heard(self, audio: AudioLike) -> Iterator[Frames]:
        # A guide says where the melody is; the estimated voice would only blur soft beginnings.
        if self.voice is None or self.guide:
            return frames_of(audio)
        return blended(frames_of(audio), frames_of(self.voice), weight=VOICE_WEIGHT)

    def _found(
        self, heard: Sequence[Frames], inside: NDArray[np.bool_], middle: FloatArray | None
    ) -> PitchTrack:
        """The best path through what was heard, near the `middle` (n_frames,) if it is known."""
        score = np.zeros(len(PITCHES_HZ) + 1)
        backs = [np.empty((0, len(score)), np.int16)]
        first = 0
        for frames in heard:
            stop = first + len(frames.level_db)
            time_s = np.arange(first, stop, dtype=np.float64) * (HOP / RATE_HZ)
            odds = self._odds(frames, time_s, inside)
            if middle is not None:
                odds[:, :-1] -= far_loss(PITCHES_HZ, middle[first:stop])
            back = np.empty((stop - first, len(score)), np.int16)
            _advance(odds, score, back, STEP_COST, LEAP_COST, REACH_BINS, SWITCH_COST)
            backs.append(back)
            first = stop
        path = np.empty(first, np.int32)
        _trace(np.concatenate(backs), int(np.argmax(score)), path)
        return _answer(heard, path)

    def _odds(self, frames: Frames, time_s: FloatArray, inside: NDArray[np.bool_]) -> FloatArray:
        """What each frame adds to a path through each bin and through silence."""
        odds = FRAME_WEIGHT * frames.log_odds.astype(np.float64)
        odds[:, :-1][:, ~inside] = IMPOSSIBLE
        if not self.guide:
            odds[:, -1] -= FRAME_WEIGHT * (VOICED_ODDS if self.sung is None else SUNG_ODDS)
            if self.sung is not None:
                odds[:, :-1][~_inside(time_s, self.sung)] = IMPOSSIBLE
            return odds
        odds[:, -1] -= FRAME_WEIGHT * GUIDED_ODDS
        odds[:, :-1] -= pull(PITCHES_HZ, time_s, self.guide)
        odds[:, :-1][~allowed_bins(PITCHES_HZ, time_s, self.guide)] = IMPOSSIBLE
        return odds


def _inside(time_s: FloatArray, spans: Sequence[tuple[float, float]]) -> NDArray[np.bool_]:
    """Which of the times lie in one of the spans."""
    inside = np.zeros(len(time_s), bool)
    for start_s, end_s in spans:
        inside[slice(*np.searchsorted(time_s, [start_s, end_s]))] = True
    return inside


def _answer(kept: Sequence[Frames], path: NDArray[np.int32]) -> PitchTrack:
    n_bins = len(PITCHES_HZ)
    f0_hz, prob, level_db = (np.empty(len(path)) for _ in range(3))
    first = 0
    for frames in kept:
        here = slice(first, first + len(frames.level_db))
        f0_hz[here], prob[here], level_db[here] = _along(frames, path[here])
        first = here.stop
    voiced = path < n_bins
    return PitchTrack(
        np.arange(len(path), dtype=np.float64) * (HOP / RATE_HZ),
        np.where(voiced, f0_hz, np.nan),
        np.where(voiced, np.minimum(prob, 1.0), 0.0),
        np.where(voiced, level_db, SILENT_DB),
        MixMelody.name,
    )


def _share_along(kept: Sequence[Frames], f0_hz: FloatArray) -> FloatArray:
    """Level of the voice re the mix at the pitches found (n_frames,), dB; silent elsewhere."""
    voiced = np.isfinite(f0_hz)
    octaves = np.log2(np.where(voiced, f0_hz, PITCHES_HZ[0]) / PITCHES_HZ[0])
    at = np.clip(np.round(PER_OCTAVE * octaves).astype(int), 0, len(PITCHES_HZ) - 1)
    shares = [frames.share_db for frames in kept if frames.share_db is not None]
    along = np.concatenate(shares)[np.arange(len(at)), at].astype(np.float64)
    return np.where(voiced, along, SILENT_DB)


def _along(frames: Frames, path: NDArray[np.int32]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Pitch, probability and level along the path."""
    rows = np.arange(len(path))
    at = np.clip(path, NEAR_BINS, len(PITCHES_HZ) - 1 - NEAR_BINS)
    near = np.arange(-NEAR_BINS, NEAR_BINS + 1)
    odds = frames.log_odds[rows[:, None], at[:, None] + near].astype(np.float64)
    weight = np.exp(odds - odds.max(axis=1, keepdims=True))
    away = np.sum(weight * near, axis=1) / np.sum(weight, axis=1)
    hz = PITCHES_HZ[0] * 2.0 ** ((at + away) / PER_OCTAVE)
    return hz, np.exp(odds).sum(axis=1), frames.level_db[rows, at].astype(np.float64)
