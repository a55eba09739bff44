"""A breathy phrase is heard by a second, gentler look, noise alone is not; and what sounds with no
note is told."""

from __future__ import annotations

import numpy as np

from retune.analysis import find_notes
from retune.analysis.corrections import Draft
from retune.analysis.unheard import unheard_spans, unheard_words
from retune.carriers.heard import Audio, FloatArray, PitchTrack
from retune.track import track_pitch
from retune.track.gentle import loud_stretches

RATE_HZ = 22050
LINE = (60, 62, 64, 65, 67)
NOTE_S, REST_S, PAUSE_S = 0.45, 0.08, 0.8
PHRASE_S = len(LINE) * (NOTE_S + REST_S) + PAUSE_S


def phrase() -> FloatArray:
    """Harmonics that fall by 6 dB an octave, with vibrato."""
    parts = []
    for midi in LINE:
        time_s = np.arange(round(NOTE_S * RATE_HZ)) / RATE_HZ
        hz = 440 * 2 ** ((midi - 69) / 12 + 0.2 / 12 * np.sin(2 * np.pi * 5.5 * time_s))
        turn = 2 * np.pi * np.cumsum(hz) / RATE_HZ
        fade = np.clip(np.minimum(time_s, NOTE_S - time_s) / 0.04, 0, 1)
        parts += [fade * sum(np.sin(k * turn) / k for k in range(1, 16)), silence(REST_S)]
    return np.concatenate([*parts, silence(PAUSE_S)])


def silence(seconds: float) -> FloatArray:
    return np.zeros(round(seconds * RATE_HZ))


def noise_like(sound: FloatArray, *, hnr_db: float) -> FloatArray:
    """Noise that swells with a sound, so much softer than it."""
    envelope = np.convolve(np.abs(sound), np.ones(1500) / 1500, "same")
    noise = envelope * np.random.default_rng(7).standard_normal(len(sound))
    return np.asarray(noise * np.sqrt(np.mean(sound**2) / np.mean(noise**2)) * 10 ** (-hnr_db / 20))


def heard(*sounds: FloatArray) -> tuple[PitchTrack, list[int]]:
    """The track of phrases, and how many notes are found in each."""
    whole = np.concatenate(sounds)
    audio = Audio((0.4 * whole / np.abs(whole).max())[:, None].astype(np.float32), RATE_HZ)
    track = track_pitch(audio, fmin_hz=65, fmax_hz=1200)
    starts = [note.start_s for note in find_notes(track, audio)]
    ends = np.cumsum([len(sound) / RATE_HZ for sound in sounds])
    counts = np.histogram(starts, bins=[0, *ends])[0]
    return track, counts.tolist()


def test_a_breathy_phrase_is_heard_with_low_odds() -> None:
    """As strong as the voice itself: without the second look none of its notes is found."""
    voice = phrase()
    track, counts = heard(voice, voice + noise_like(voice, hnr_db=0.0), voice)
    assert counts == [len(LINE)] * 3
    inside = (track.time_s > PHRASE_S) & (track.time_s < 2 * PHRASE_S) & np.isfinite(track.f0_hz)
    assert np.median(track.voiced_prob[inside]) < 0.5


def test_noise_alone_is_no_voice() -> None:
    voice = phrase()
    _, counts = heard(voice, noise_like(voice, hnr_db=0.0))
    assert counts == [len(LINE), 0]


def test_stretches_are_loud_and_long() -> None:
    level_db = np.full(400, -80.0)
    level_db[100:300] = -20.0
    level_db[180:190] = -50.0  # a rest between words
    missing = np.ones(400, dtype=bool)
    assert loud_stretches(level_db, missing, hop_s=0.01) == [(100, 300)]
    missing[150:160] = False
    assert loud_stretches(level_db, missing, hop_s=0.01) == [(160, 300)]
    assert loud_stretches(level_db, missing, hop_s=0.001) == []
    assert loud_stretches(np.full(400, -80.0), missing, hop_s=0.01) == []


def test_sound_without_a_note_is_told_with_its_place() -> None:
    time_s = np.arange(1000) * 0.01
    level_db = np.full(1000, -80.0)
    level_db[100:300] = level_db[400:600] = -20.0
    level_db[650:900] = -45.0  # what is heard of another
    track = PitchTrack(time_s, np.full(1000, np.nan), np.zeros(1000), level_db)
    (span,) = unheard_spans(track, [Draft(1.0, 3.0, 60.0)])
    assert span == (4.0, 5.99)
    (line,) = unheard_words("vocal", [span])
    assert "from 4.0 to 6.0 s" in line
    assert unheard_spans(track, [Draft(1.0, 3.0, 60.0), Draft(4.0, 6.0, 62.0)]) == []
    assert unheard_spans(track, []) == []
    assert unheard_words("vocal", []) == []
