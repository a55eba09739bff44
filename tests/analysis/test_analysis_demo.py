"""The demo song against the truth beside it."""

from __future__ import annotations

import csv
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from mir_eval import transcription

from retune.analysis import find_notes
from retune.analysis.phrases import find_phrases
from retune.carriers.heard import MONOPHONIC_ROLES, Analysis
from retune.carriers.units import midi_to_hz
from retune.pipeline import analyze
from retune.sound.audio import open_audio

DEMO = Path(__file__).parents[2] / "demo_audio"


@cache
def demo() -> Analysis:
    return analyze(DEMO / "song.toml", use_cache=False)


def rows(name: str) -> list[dict[str, str]]:
    with (DEMO / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def f_measures(stem: str, truth: list[dict[str, str]], start: str) -> tuple[float, float]:
    """F of onset (50 ms) and pitch (50 cents), and with offsets (mir_eval's defaults)."""
    notes = demo().stems[stem].notes
    found = np.array([(n.start_s, n.end_s) for n in notes])
    true = np.array([(float(r[start]), float(r["end_s"])) for r in truth])
    hz = midi_to_hz([n.pitch_midi for n in notes])
    true_hz = midi_to_hz([float(r["midi"]) for r in truth])
    without = transcription.precision_recall_f1_overlap(true, true_hz, found, hz, offset_ratio=None)
    whole = transcription.precision_recall_f1_overlap(true, true_hz, found, hz)
    return float(without[2]), float(whole[2])


def test_notes_of_the_voice() -> None:
    without, whole = f_measures("vocal", rows("truth_notes.csv"), "vowel_on_s")
    assert without >= 0.90
    assert whole >= 0.80


def test_notes_of_the_bass() -> None:
    without, whole = f_measures("bass", rows("truth_bass.csv"), "start_s")
    assert without >= 0.95
    assert whole >= 0.90


@pytest.mark.parametrize("column", ["ending_degree", "ending", "ending_melodic"])
def test_phrase_endings(column: str) -> None:
    found = [getattr(phrase, column) for phrase in demo().stems["vocal"].phrases]
    assert found == [row[column] for row in rows("truth_phrases.csv")]


def test_features_of_the_endings() -> None:
    stem = demo().stems["vocal"]
    features = {r["feature"]: int(r["index"]) for r in rows("truth_phrases.csv") if r["feature"]}
    restruck = [n.phrase for n in stem.notes if n.ending_of is not None]
    assert restruck == [features["feminine"]]
    assert {n.phrase for n in stem.notes if n.tail_of is not None} == {features["tail"]}
    ending = stem.note(stem.phrases[features["anticipation"] - 1].ending_note or 1)
    assert ending.chord_at_onset != ending.chord_at_end


def test_degrees_of_matched_notes() -> None:
    truth = rows("truth_notes.csv")
    notes = demo().stems["vocal"].notes
    right = 0
    for row in truth:
        near = min(notes, key=lambda n: abs(n.start_s - float(row["vowel_on_s"])))
        right += near.degree == row["degree"] and near.bar == int(row["bar"])
    assert right >= 0.93 * len(truth)


def test_chords_agree_with_the_truth_file() -> None:
    import mir_eval

    intervals, labels = mir_eval.io.load_labeled_intervals(str(DEMO / "truth_chords.lab"))
    chords = demo().chords
    found = np.array([(c.start_s, c.end_s) for c in chords])
    scores = mir_eval.chord.evaluate(intervals, labels, found, [c.label for c in chords])
    assert scores["sevenths"] >= 0.98


def test_tracks_only_where_one_voice_sounds() -> None:
    for stem in demo().stems.values():
        assert (stem.track is not None) == (stem.role in MONOPHONIC_ROLES)


def test_the_notes_hardly_depend_on_the_hop() -> None:
    track = demo().stems["vocal"].track
    assert track is not None
    audio = open_audio(DEMO / "vocal.flac")
    half = type(track)(
        track.time_s[::2], track.f0_hz[::2], track.voiced_prob[::2], track.energy_db[::2]
    )
    full, coarse = len(find_notes(track, audio)), len(find_notes(half, audio))
    assert abs(full - coarse) <= 0.12 * full


@pytest.mark.slow
def test_all_that_can_be_found_by_ear_is(tmp_path: Path) -> None:
    """No tempo, no downbeat, no key, no chart: found, and called estimated."""
    import shutil

    shutil.copytree(DEMO, tmp_path / "demo", ignore=shutil.ignore_patterns("*.py"))
    path = tmp_path / "demo" / "song.toml"
    text = path.read_text(encoding="utf-8")
    kept = [
        line
        for line in text.splitlines()
        if not line.startswith(("key =", "tempo_bpm", "first_downbeat_s", "chords ="))
    ]
    path.write_text("\n".join(kept), encoding="utf-8")
    found = analyze(path, use_cache=False)
    assert str(found.key) == "Bb major"
    assert found.bars.tempo_bpm == pytest.approx(92, rel=0.02)
    away = (found.bars.downbeats_s[0] - 1.3) % (3 * 60 / 92)
    assert min(away, 3 * 60 / 92 - away) < 0.1
    assert found.chords
    assert all(chord.estimated for chord in found.chords)
    assert sum("estimated" in line for line in found.warnings) >= 3


@pytest.mark.parametrize("wanted", ["auto", "every 4 bars"])
def test_phrases_are_found_where_they_are(wanted: str) -> None:
    found = demo()
    notes = found.stems["vocal"].notes
    spans = find_phrases(
        [n.start_s for n in notes],
        [n.end_s for n in notes],
        [n.pitch_midi for n in notes],
        bars=found.bars,
        wanted=wanted,
    )
    true = [float(row["start_s"]) for row in rows("truth_phrases.csv")]
    starts = [span.start_s for span in spans]
    near = [min(starts, key=lambda start, at=at: abs(start - at)) for at in true]
    assert near == pytest.approx(true, abs=0.15)
    # Unasked, a phrase of four bars may be read as two of two where the singer breathes between.
    assert len(starts) == len(true) if wanted != "auto" else len(starts) <= 2 * len(true)
