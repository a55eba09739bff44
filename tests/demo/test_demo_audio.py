"""The demo song: its files, and whether the tables of truth are true of the audio.

Pitch is checked with an independent tracker (Praat's autocorrelation method, Boersma
1993, through parselmouth), which shares nothing with the maker of the audio.
"""

from __future__ import annotations

import csv
import importlib
import tomllib
from itertools import pairwise
from pathlib import Path
from types import ModuleType

import numpy as np
import parselmouth
import pytest
import soundfile

DEMO = Path(__file__).resolve().parents[2] / "demo_audio"
STEMS = {"vocal": 1, "bass": 1, "harp": 2, "brushes": 2}
TABLES = ("f0.csv", "notes.csv", "phrases.csv", "chords.lab", "beats.csv", "bass.csv")
# The song is designed so: the degree that ends each phrase, and the chord beneath it.
ENDINGS = [("5", "I"), ("2", "I"), ("3", "vi"), ("2", "V"), ("4", "V7"), ("1", "I")]
BEAT_S = 60 / 92


def read_table(name: str) -> list[dict[str, str]]:
    with (DEMO / f"truth_{name}.csv").open(newline="") as lines:
        return list(csv.DictReader(lines))


def track(stem: str, *, fmin_hz: float, fmax_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """Times and f0 (0 where unvoiced) of a mono stem by the independent tracker."""
    samples, rate_hz = soundfile.read(DEMO / f"{stem}.flac")
    pitch = parselmouth.Sound(samples, rate_hz).to_pitch_ac(
        time_step=0.005, pitch_floor=fmin_hz, pitch_ceiling=fmax_hz
    )
    return pitch.xs(), pitch.selected_array["frequency"]


@pytest.fixture(scope="module")
def vocal_f0() -> tuple[np.ndarray, np.ndarray]:
    return track("vocal", fmin_hz=150, fmax_hz=800)


@pytest.fixture(scope="module")
def true_f0() -> tuple[np.ndarray, np.ndarray]:
    table = np.loadtxt(DEMO / "truth_f0.csv", delimiter=",", skiprows=1)
    return table[:, 0], table[:, 1]


@pytest.fixture
def maker(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.syspath_prepend(str(DEMO))
    return importlib.import_module("make_demo")


def cents_between(f0_hz: np.ndarray, midi: float) -> np.ndarray:
    return 1200 * np.log2(f0_hz / 440) - 100 * (midi - 69)


def test_stems_are_whole_and_of_one_length() -> None:
    infos = {name: soundfile.info(DEMO / f"{name}.flac") for name in STEMS}
    assert {name: info.channels for name, info in infos.items()} == STEMS
    assert {info.samplerate for info in infos.values()} == {44100}
    assert len({info.frames for info in infos.values()}) == 1
    assert 48 < infos["vocal"].duration < 50


def test_everything_stays_under_six_megabytes() -> None:
    assert sum(path.stat().st_size for path in DEMO.iterdir() if path.is_file()) < 6_000_000


@pytest.mark.parametrize("stem", STEMS)
def test_levels_leave_headroom_and_hold_no_dc(stem: str) -> None:
    samples, _ = soundfile.read(DEMO / f"{stem}.flac", always_2d=True)
    peak_db = 20 * np.log10(np.abs(samples).max())
    assert -30 < peak_db <= -3
    assert np.abs(samples.mean(axis=0)).max() < 1e-4


def test_mix_is_about_minus_twenty_lufs() -> None:
    import pyloudnorm

    mix = np.zeros((1, 2))
    for stem in STEMS:
        mix = mix + soundfile.read(DEMO / f"{stem}.flac", always_2d=True)[0]
    assert np.abs(mix).max() < 10 ** (-3 / 20)
    loudness = pyloudnorm.Meter(44100, filter_class="DeMan").integrated_loudness(mix)
    assert loudness == pytest.approx(-20, abs=1)


def test_song_file_says_what_the_score_says(maker: ModuleType) -> None:
    score = importlib.import_module("lantern_score")
    song = tomllib.loads((DEMO / "song.toml").read_text(encoding="utf-8"))
    music = song["music"]
    assert song["format"] == 1
    assert (song["title"], song["rights"]) == (score.TITLE, score.RIGHTS)
    assert (music["key"], music["meter"]) == (score.KEY, score.METER)
    assert music["tempo_bpm"] == score.TEMPO_BPM
    assert music["first_downbeat_s"] == score.FIRST_DOWNBEAT_S
    assert music["chords"] == score.CHART
    assert len(music["chords"].split("|")) == 24
    assert {s["file"] for s in song["stems"].values()} == {f"{name}.flac" for name in STEMS}
    assert song["variants"]["home-early"]["rules"] == ["move phrase-ending degree 2 to degree 1"]
    assert all(variant["about"] for variant in song["variants"].values())


def test_phrases_end_as_designed() -> None:
    phrases = read_table("phrases")
    assert [(p["ending_degree"], p["ending_chord"]) for p in phrases] == ENDINGS
    assert phrases[-1]["ending"] == "at rest"
    assert [p["feature"] for p in phrases if p["feature"]] == ["feminine", "anticipation", "tail"]


def test_endings_are_held() -> None:
    for phrase in read_table("phrases"):
        held_s = float(phrase["ending_end_s"]) - float(phrase["ending_start_s"])
        assert held_s >= 1.5 * BEAT_S, f"phrase {phrase['index']}"


def test_special_endings_are_in_the_notes() -> None:
    notes = read_table("notes")
    restruck = next(k for k, n in enumerate(notes) if n["part"] == "restruck")
    assert notes[restruck]["midi"] == notes[restruck - 1]["midi"]
    assert notes[restruck - 1]["part"] == "ending"
    tail = [n for n in notes if n["part"] == "tail"]
    assert [n["name"] for n in tail] == ["D4", "C4"]
    assert all(float(n["end_s"]) - float(n["start_s"]) < 0.25 for n in tail)
    early = next(n for n in notes if n["part"] == "ending" and n["phrase"] == "4")
    chord_s = 1.3 + 15 * 3 * BEAT_S
    assert 0.1 * BEAT_S < chord_s - float(early["vowel_on_s"]) < 0.5 * BEAT_S


def test_notes_keep_order_and_phrases_keep_to_their_bars() -> None:
    notes = read_table("notes")
    starts = [float(n["vowel_on_s"]) for n in notes]
    assert starts == sorted(starts)
    for before, after in pairwise(notes):
        assert float(before["end_s"]) <= float(after["start_s"]) + 1e-4
    for note in notes:  # a phrase is cut one beat before its first downbeat
        cut_s = 1.3 + (12 * (int(note["phrase"]) - 1) - 1) * BEAT_S
        assert cut_s - 0.08 < float(note["start_s"])
        room = 12 if note["phrase"] != "6" else 13  # no pickup follows the last phrase
        assert float(note["end_s"]) < cut_s + room * BEAT_S


def test_true_f0_is_what_was_sung(
    vocal_f0: tuple[np.ndarray, np.ndarray], true_f0: tuple[np.ndarray, np.ndarray]
) -> None:
    time_s, f0_hz = vocal_f0
    voiced = np.interp(time_s, true_f0[0], (true_f0[1] > 0).astype(float))
    expected = np.interp(time_s, *true_f0)
    both = (f0_hz > 0) & (voiced == 1)
    errors = np.abs(1200 * np.log2(f0_hz[both] / expected[both]))
    assert np.median(errors) < 2
    assert np.percentile(errors, 95) < 30
    assert np.mean(f0_hz[voiced == 1] > 0) > 0.93
    assert np.mean(f0_hz[voiced == 0] > 0) < 0.05


def test_each_note_is_sung_on_its_pitch(vocal_f0: tuple[np.ndarray, np.ndarray]) -> None:
    time_s, f0_hz = vocal_f0
    for note in read_table("notes"):
        start_s, end_s = float(note["vowel_on_s"]), float(note["vowel_off_s"])
        held_s = end_s - start_s
        head_s, foot_s = (0.08, 0.06) if held_s >= 0.32 else (held_s / 4, held_s / 4)
        inside = (time_s >= start_s + head_s) & (time_s < end_s - foot_s) & (f0_hz > 0)
        measured = np.median(cents_between(f0_hz[inside], int(note["midi"])))
        assert abs(measured) < 30, note
        assert abs(measured - float(note["median_cents"])) < 5, note


def test_bass_plays_its_table() -> None:
    time_s, f0_hz = track("bass", fmin_hz=45, fmax_hz=200)
    for note in read_table("bass"):
        inside = (time_s > float(note["start_s"]) + 0.15) & (time_s < float(note["end_s"]) - 0.1)
        heard = f0_hz[inside & (f0_hz > 0)]
        assert len(heard) > 20, note
        assert abs(np.median(cents_between(heard, int(note["midi"])))) < 10, note


def test_chords_cover_the_song_without_gaps() -> None:
    rows = [line.split("\t") for line in (DEMO / "truth_chords.lab").read_text().splitlines()]
    ends = [end for _, end, _ in rows]
    assert [start for start, _, _ in rows] == ["0.0000", *ends[:-1]]
    assert float(ends[-1]) == pytest.approx(soundfile.info(DEMO / "vocal.flac").duration)
    assert rows[1] == ["1.3000", "3.2565", "Bb:maj"]


def test_maker_makes_the_same_tables_again(maker: ModuleType, tmp_path: Path) -> None:
    performance = maker.perform(maker.load_phones(DEMO / "phones.json"), seed=maker.SEED)
    maker.write_truth(tmp_path, performance)
    for table in TABLES:
        made = (tmp_path / f"truth_{table}").read_text().replace("\t", ",").splitlines()
        kept = (DEMO / f"truth_{table}").read_text().replace("\t", ",").splitlines()
        assert len(made) == len(kept)
        for line, expected in zip(made, kept, strict=True):
            for cell, wanted in zip(line.split(","), expected.split(","), strict=True):
                same = cell == wanted or float(cell) == pytest.approx(float(wanted), abs=0.011)
                assert same, (table, line, expected)


def test_another_seed_is_another_performance(maker: ModuleType) -> None:
    phones = maker.load_phones(DEMO / "phones.json")
    one, other = maker.perform(phones, seed=1), maker.perform(phones, seed=2)
    assert [n.midi for n in one.notes] == [n.midi for n in other.notes]
    assert [n.vowel_on_s for n in one.notes] != [n.vowel_on_s for n in other.notes]
