"""Notes of simple tones: what is cut, what is kept together, where the edges lie."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from played import Part, Tone, row, sound

from retune.analysis.contour import iron_vibrato
from retune.analysis.note_trust import Heard
from retune.analysis.notes import find_notes, stretches
from retune.analysis.sonority import levels_of_track, measure_levels
from retune.carriers.heard import Audio, PitchTrack

HOP_S = 256 / 22050


def heard(part: Part, *, with_audio: bool = True) -> tuple[Heard, ...]:
    length = max(t.beat + t.beats for t in part.tones) + 1.0
    audio, track = sound(part, beat_s=1.0, start_s=0.5, length_s=length)
    return find_notes(track, audio if with_audio else None)


def test_a_scale_of_detached_notes() -> None:
    tones = row("60:.5 62:.5 64:.5 65:.5 67:1")
    notes = heard(Part(tones))
    assert [round(n.midi, 2) for n in notes] == [60, 62, 64, 65, 67]
    for note, tone in zip(notes, tones, strict=True):
        assert note.start_s == pytest.approx(0.5 + tone.beat, abs=0.03)
        assert note.end_s == pytest.approx(0.5 + tone.beat + tone.beats - 0.07, abs=0.04)


def test_the_track_alone_is_enough() -> None:
    assert len(heard(Part(row("60:.5 62:.5 64:.5")), with_audio=False)) == 3


@pytest.mark.parametrize("gap_s", [0.03, 0.05, 0.08])
def test_a_pitch_repeated_over_a_short_gap_is_struck_again(gap_s: float) -> None:
    assert len(heard(Part(row("60:.5 60:.5 60:.5 60:.5"), gap_s=gap_s))) == 4


def test_legato_notes_meet_without_a_gap() -> None:
    notes = heard(Part(row("60:.6 64:.6 62:.6"), legato=frozenset({1, 2})))
    assert [round(n.midi) for n in notes] == [60, 64, 62]
    assert notes[0].end_s == notes[1].start_s
    assert [n.joined for n in notes] == [False, True, True]


def swung(cents: float, rate_hz: float) -> PitchTrack:
    t = np.arange(0, 2.0, HOP_S)
    midi = 60 + cents / 100 * np.sin(2 * np.pi * rate_hz * t) * np.clip(t * 4, 0, 1)
    return PitchTrack(
        t, 440 * 2 ** ((midi - 69) / 12), np.full(len(t), 0.95), np.full(len(t), -20.0)
    )


@pytest.mark.parametrize("cents", [30, 80, 150])
@pytest.mark.parametrize("rate_hz", [4.8, 5.8, 7.0])
def test_vibrato_is_one_note_at_its_middle(cents: float, rate_hz: float) -> None:
    notes = find_notes(swung(cents, rate_hz))
    assert len(notes) == 1
    # Perceived pitch of a vibrato tone is its mean (Timmers & Desain 2000).
    assert 100 * (notes[0].midi - 60) == pytest.approx(0, abs=6)


def test_ironing_keeps_a_trill_of_a_third() -> None:
    line = 60 + 2.4 * np.sin(2 * np.pi * 6 * np.arange(0, 2, HOP_S))
    flat, swing = iron_vibrato(line, hop_s=HOP_S)
    assert np.array_equal(flat, line)
    assert not swing.any()


def test_a_slow_bend_is_not_vibrato() -> None:
    line = 60 + 0.5 * np.sin(2 * np.pi * 1.5 * np.arange(0, 2, HOP_S))
    assert not iron_vibrato(line, hop_s=HOP_S)[1].any()


def test_a_scoop_belongs_to_its_note() -> None:
    t = np.arange(0, 1.2, HOP_S)
    midi = np.where(t < 0.1, 62.2 + 1.8 * np.clip(t / 0.1, 0, 1) ** 2, 64.0)
    flat = np.full(len(t), -20.0)
    notes = find_notes(PitchTrack(t, 440 * 2 ** ((midi - 69) / 12), np.full(len(t), 0.95), flat))
    assert [round(n.midi, 1) for n in notes] == [64.0]


def test_a_short_octave_error_does_not_cut_a_note() -> None:
    track = swung(0, 5)
    f0 = np.array(track.f0_hz)
    f0[40:45] *= 2
    notes = find_notes(PitchTrack(track.time_s, f0, track.voiced_prob, track.energy_db))
    assert [(round(n.midi, 2), n.doubt) for n in notes] == [(60.0, "")]


def test_a_wavering_unsure_pitch_is_doubtful_and_says_why() -> None:
    track = swung(0, 5)
    notes = find_notes(
        PitchTrack(track.time_s, track.f0_hz, np.full(len(track.time_s), 0.1), track.energy_db)
    )
    assert notes[0].confidence < 0.5
    assert "not sure" in notes[0].doubt


def test_soft_noise_between_notes_is_no_note() -> None:
    audio, track = sound(Part([Tone(0, 1, 60)]), beat_s=1.0, start_s=1.0, length_s=3.0)
    f0, samples = np.array(track.f0_hz), np.array(audio.samples)
    f0[:60] = 180.0  # voiced by mistake, 70 dB down
    notes = find_notes(
        PitchTrack(track.time_s, f0, track.voiced_prob, track.energy_db), Audio(samples, 16000)
    )
    assert len(notes) == 1


@pytest.mark.parametrize("value", [np.nan, 220.0])
def test_silence_and_single_frames_have_no_notes(value: float) -> None:
    one = PitchTrack([0.0], [value], [0.5], [-20.0])  # type: ignore[arg-type]
    assert find_notes(one) == ()
    many = np.full(50, np.nan)
    assert find_notes(PitchTrack(np.arange(50) * HOP_S, many, many * 0, many * 0 - 60)) == ()


def test_plucked_bass_notes_of_one_pitch() -> None:
    t = np.arange(0, 3.0, 1 / 16000)
    since = t % 0.75
    samples = np.exp(-3 * since) * np.sin(2 * np.pi * 55 * t) * np.clip(since / 0.01, 0, 1)
    frames = np.arange(0, 3.0, HOP_S)
    track = PitchTrack(
        frames, np.full(len(frames), 55.0), np.full(len(frames), 0.9), frames * 0 - 20
    )
    notes = find_notes(track, Audio(samples.astype(np.float32), 16000), is_bass=True)
    assert [round(n.start_s / 0.75) for n in notes] == [0, 1, 2, 3]


def plucked(notes_s: Sequence[float], *, midi: int, decay: float, beat_hz: float = 0.0) -> Audio:
    """A string plucked at such times, each time before it has died away; higher harmonics die
    away sooner. Two octaves of one string may beat against each other."""
    t = np.arange(0, notes_s[-1] + 1.0, 1 / 16000)
    since = t - np.array(notes_s)[np.searchsorted(notes_s, t, side="right") - 1]
    hz = 440 * 2 ** ((midi - 69) / 12)
    waves = [
        np.exp(-decay * (1 + 0.3 * k) * since) * np.sin(2 * np.pi * k * hz * since) / k
        for k in range(1, 13)
    ]
    beats = 0.5 * np.exp(-decay * since) * np.sin(2 * np.pi * (hz + beat_hz) * since)
    samples = (
        0.2 * (np.sum(waves, axis=0) + (beats if beat_hz else 0)) * np.clip(since / 3e-3, 0, 1)
    )
    noise = np.random.default_rng(1).normal(0, 3e-4, len(t))
    return Audio((samples + noise).astype(np.float32), 16000)


def steady_track(seconds: float, midi: int) -> PitchTrack:
    frames = np.arange(0, seconds, HOP_S)
    hz = np.full(len(frames), 440 * 2 ** ((midi - 69) / 12))
    return PitchTrack(frames, hz, np.full(len(frames), 0.9), frames * 0 - 20)


@pytest.mark.parametrize("midi", [28, 33, 40])
@pytest.mark.parametrize("apart_s", [0.25, 0.5, 1.0])
@pytest.mark.parametrize("decay", [0.6, 1.5, 4.0])
def test_a_bass_string_struck_again_while_it_sounds(
    midi: int, apart_s: float, decay: float
) -> None:
    times = [apart_s * k for k in range(6)]
    notes = find_notes(
        steady_track(times[-1] + 1, midi), plucked(times, midi=midi, decay=decay), is_bass=True
    )
    assert [n.start_s for n in notes] == pytest.approx(times, abs=0.03)


@pytest.mark.parametrize("beat_hz", [0.0, 0.7, 1.0])
def test_a_bass_string_left_alone_is_one_note(beat_hz: float) -> None:
    audio = plucked([0.0, 3.0], midi=33, decay=0.6, beat_hz=beat_hz)
    assert len(find_notes(steady_track(4, 33), audio, is_bass=True)) == 2


@pytest.mark.parametrize(("wander_cents", "n_notes"), [(0.0, 2), (3.0, 2), (30.0, 1)])
def test_a_step_up_is_a_stroke_where_the_pitch_stands_as_a_string_does(
    wander_cents: float, n_notes: int
) -> None:
    """A low voice gets louder within a note; its pitch wavers, that of a string does not."""
    t = np.arange(0, 3.0, 1 / 16000)
    level = np.exp(-0.3 * t) * np.where(t < 1.5, 1.0, 1.5)
    tones = np.sum([np.sin(2 * np.pi * 82.4 * k * t) / k for k in range(1, 13)], axis=0)
    audio = Audio((0.1 * level * tones).astype(np.float32)[:, None], 16000)
    steady = steady_track(3, 40)
    waver = 2 ** (wander_cents * np.sin(2 * np.pi * 0.9 * steady.time_s) / 1200)
    track = PitchTrack(steady.time_s, steady.f0_hz * waver, steady.voiced_prob, steady.energy_db)
    assert len(find_notes(track, audio, is_bass=True)) == n_notes


def test_tremolo_strikes_no_string_again() -> None:
    t = np.arange(0, 3.0, 1 / 16000)
    swell = 1 + 0.3 * np.sin(2 * np.pi * 5 * t)
    tones = np.sum([np.sin(2 * np.pi * 55 * k * t) / k for k in range(1, 13)], axis=0)
    audio = Audio((0.2 * swell * tones).astype(np.float32), 16000)
    assert len(find_notes(steady_track(3, 33), audio, is_bass=True)) == 1


def test_levels_of_a_sine() -> None:
    # A full-scale sine of 1 kHz has an RMS of -3.01 dB, and lies inside the vowel band.
    t = np.arange(44100) / 44100
    levels = measure_levels(Audio(np.sin(2 * np.pi * 1000 * t).astype(np.float32), 44100))
    assert levels.full_db[100] == pytest.approx(-3.01, abs=0.15)
    assert levels.vowel_db[100] == pytest.approx(-3.01, abs=0.3)
    hum = measure_levels(Audio(np.sin(2 * np.pi * 100 * t).astype(np.float32), 44100))
    assert hum.vowel_db[100] < hum.full_db[100] - 15


def test_levels_of_a_track_lie_on_its_times() -> None:
    track = PitchTrack([0.0, 0.1, 0.2], [1.0] * 3, [1.0] * 3, [-10.0, -20.0, -30.0])  # type: ignore[arg-type]
    levels = levels_of_track(track)
    assert levels.full_db[levels.index(0.15)] == pytest.approx(-25.0)


def test_a_long_song_is_decoded_in_pieces_that_share_no_voiced_frame() -> None:
    line = np.full(60000, 60.0)
    line[np.random.default_rng(3).integers(0, len(line), 400)] = np.nan
    pieces = stretches(line, hop_s=HOP_S)
    assert max(b - a for a, b in pieces) * HOP_S <= 121
    assert len(pieces) < 20
    assert sum(int(np.isfinite(line[a:b]).sum()) for a, b in pieces) == np.isfinite(line).sum()


def test_one_note_an_octave_from_all_around_it_is_doubted() -> None:
    notes = heard(Part(row("60:.5 62:.5 64:.5 74:.5 62:.5 60:.5 59:.5")))
    assert [n.confidence < 0.5 for n in notes] == [False] * 3 + [True] + [False] * 3
    assert "octave" in notes[3].doubt


def test_a_melody_that_goes_up_an_octave_and_stays_is_not() -> None:
    notes = heard(Part(row("60:.5 62:.5 64:.5 72:.5 74:.5 72:.5 71:.5")))
    assert all(n.confidence > 0.5 for n in notes)


def test_the_room_opens_lazily() -> None:
    import retune.analysis

    retune.analysis.warm_up()
    assert retune.analysis.find_notes is find_notes
    with pytest.raises(AttributeError, match="no attribute"):
        _ = retune.analysis.nothing


def test_an_untrusted_stray_far_from_the_melody_is_left_out() -> None:
    part = Part(row("60:.5 62:.5 64:.5 47:.3 62:.5"))
    audio, track = sound(part, beat_s=1.0, start_s=0.5, length_s=3.5)
    prob = np.array(track.voiced_prob)
    prob[(track.time_s > 1.95) & (track.time_s < 2.3)] = 0.01
    shaken = np.array(track.f0_hz)
    rows = np.flatnonzero((track.time_s > 1.95) & (track.time_s < 2.3))
    shaken[rows] *= 2 ** (np.sin(np.arange(len(rows)) * 0.9) * 0.8 / 12)
    notes = find_notes(PitchTrack(track.time_s, shaken, prob, track.energy_db), audio)
    assert [round(n.midi) for n in notes] == [60, 62, 64, 62]
    assert len(find_notes(track, audio)) == 5


def two_vowels(dip_db: float, late_s: float) -> tuple[Heard, ...]:
    """Two joined notes, a whole tone apart at 1 s; above 350 Hz the second is softer at first."""
    rate_hz = 22050
    t = np.arange(0, 2.2, 1 / rate_hz)
    hz = np.where(t < 1.0, 220.0, 246.94)
    phase = 2 * np.pi * np.cumsum(hz) / rate_hz
    inside = (t > 0.2) & (t < 2.0)
    half_closed = (t >= 1.0) & (t < 1.0 + late_s)
    upper = np.where(half_closed, 10 ** (-dip_db / 20), 1.0)
    y = inside * (np.cos(phase) + upper * sum(np.cos(k * phase) for k in range(2, 12)))
    audio = Audio((0.05 * y).astype(np.float32), rate_hz)
    track_s = np.arange(0, 2.2, HOP_S)
    f0 = np.interp(track_s, t, np.where(inside, hz, np.nan))
    track = PitchTrack(track_s, f0, np.isfinite(f0) * 0.95, np.full(len(f0), -20.0))
    return find_notes(track, audio)


@pytest.mark.parametrize("late_s", [0.06, 0.09, 0.12])
def test_a_joined_note_begins_where_its_vowel_opens(late_s: float) -> None:
    notes = two_vowels(7.0, late_s)
    assert len(notes) == 2
    assert notes[1].start_s == pytest.approx(1.0 + late_s, abs=0.02)


def test_a_slight_swell_does_not_move_a_joined_note() -> None:
    notes = two_vowels(2.0, 0.09)
    assert len(notes) == 2
    assert notes[1].start_s == pytest.approx(1.0, abs=0.03)
