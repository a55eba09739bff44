"""How well notes are heard: mir_eval note F-measures on sung voices with exact truth.

    python tests/bench/bench_notes.py [--seeds 2]

Voices: invented singers (voices.py) on a tune with repeated notes, dry, at 10 dB signal-to-noise,
in a room, and wavering by a quarter of a semitone; the same tune hardly parted, on soft voiced
consonants and slides (`soft`, and in a room); and the demo's vocal. Baselines on the same
pitch tracks: voiced runs cut where the median pitch changes (with hysteresis), and the same with
dips in level. Onsets are vowel onsets, within 50 ms and 50 cents; offsets within 20 % of the note
or 50 ms (mir_eval's defaults).
"""

from __future__ import annotations

import argparse
import csv
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import voices
from numpy.typing import NDArray

from retune.analysis.note_trust import Heard
from retune.analysis.notes import find_notes
from retune.carriers.heard import Audio, PitchTrack
from retune.carriers.units import hz_to_midi, midi_to_hz

Floats = NDArray[np.float64]
TUNE = (0, 0, 2, 4, 4, 4, 5, 4, 2, 2, 7, 9, 7, 7, 12, 11, 11, 9, 7, 4, 5, 5, 2, 0, -1, 0, 0)
DEMO = Path(__file__).parents[2] / "demo_audio"


@dataclass(frozen=True, eq=False)
class Case:
    """A voice with its track and the truth: intervals (n, 2) in s and MIDI numbers (n,)."""

    condition: str
    audio: Audio
    track: PitchTrack
    intervals: Floats
    midi: Floats


def truth_of(singer: voices.Singer, *, seed: int) -> tuple[Floats, Floats]:
    """Vowel onsets and ends of the notes that `sing` makes of the tune."""
    spans = voices.plan_notes(singer, np.random.default_rng([seed, singer.low_midi]), TUNE)
    rows = []
    for span in spans:
        start, stop = float(span["from"]), float(span["to"])  # type: ignore[arg-type]
        late = {"voiced": 0.07, "legato": singer.glide_s / 2}.get(str(span["link"]), 0.0)
        rows.append((start + late, stop))
    return np.array(rows), np.array([float(span["midi"]) for span in spans])  # type: ignore[arg-type]


def cases(seeds: int) -> Iterator[Case]:
    from retune.track import track_pitch

    for seed in range(seeds):
        for singer in voices.SINGERS:
            loose = replace(singer, wander=0.25, scoop_cents=150.0, vibrato_cents=20.0)
            dry = voices.sing(singer, seed=seed, tune=TUNE)
            intervals, midi = truth_of(singer, seed=seed)
            for condition, sung in (
                ("dry", dry),
                ("10 dB", voices.with_noise(dry, snr_db=10)),
                ("room", voices.with_room(dry)),
                ("wavering", voices.sing(loose, seed=seed, tune=TUNE)),
            ):
                audio = Audio(sung.samples.astype(np.float32), sung.rate_hz)
                track = track_pitch(audio, fmin_hz=65.0, fmax_hz=1200.0)
                yield Case(condition, audio, track, intervals, midi)
            yield from soft_cases(singer, seed)
    if (DEMO / "truth_notes.csv").exists():
        yield demo_case()


def soft_cases(singer: voices.Singer, seed: int) -> Iterator[Case]:
    """The tune on soft voiced consonants and slides, dry and in a room."""
    from retune.track import track_pitch

    rng = np.random.default_rng([seed, singer.low_midi, 7])
    spans = voices.plan_soft_notes(singer, rng, TUNE)
    rows = [(float(s["from"]) + float(s["late_s"]), float(s["to"])) for s in spans]  # type: ignore[arg-type]
    midi = np.array([float(s["midi"]) for s in spans])  # type: ignore[arg-type]
    dry = voices.sing(singer, seed=seed, spans=spans)
    for condition, sung in (("soft", dry), ("soft room", voices.with_room(dry))):
        audio = Audio(sung.samples.astype(np.float32), sung.rate_hz)
        track = track_pitch(audio, fmin_hz=65.0, fmax_hz=1200.0)
        yield Case(condition, audio, track, np.array(rows), midi)


def demo_case() -> Case:
    from retune.sound.audio import open_audio
    from retune.track import track_pitch

    audio = open_audio(DEMO / "vocal.flac")
    rows = list(csv.DictReader((DEMO / "truth_notes.csv").open(encoding="utf-8")))
    intervals = np.array([(float(r["vowel_on_s"]), float(r["end_s"])) for r in rows])
    midi = np.array([float(r["midi"]) + float(r["median_cents"]) / 100 for r in rows])
    track = track_pitch(audio, fmin_hz=65.0, fmax_hz=1200.0)
    return Case("demo", Audio(audio.read(), audio.rate_hz), track, intervals, midi)


def voiced_runs(case: Case) -> list[Heard]:
    """Voiced stretches, cut where the running median leaves the note by more than 60 cents for
    80 ms; at least 80 ms long."""
    track = case.track
    midi = np.asarray(hz_to_midi(track.f0_hz))
    notes, hold = [], max(1, round(0.08 / track.hop_s))
    i = 0
    while i < len(midi):
        if not np.isfinite(midi[i]):
            i += 1
            continue
        j, away = i, 0
        while j < len(midi) and np.isfinite(midi[j]) and away < hold:
            away = away + 1 if abs(midi[j] - np.median(midi[i : j + 1 - away])) > 0.6 else 0
            j += 1
        stop = j - away if away >= hold else j
        if (stop - i) * track.hop_s >= 0.08:
            pitch = float(np.median(midi[i:stop]))
            notes.append(Heard(float(track.time_s[i]), float(track.time_s[stop - 1]), pitch))
        i = max(stop, i + 1)
    return notes


def runs_and_dips(case: Case) -> list[Heard]:
    """`voiced_runs` cut again where the level dips by 6 dB within 100 ms."""
    level, hop_s = case.track.energy_db, case.track.hop_s
    reach, notes = max(1, round(0.1 / hop_s)), []
    for note in voiced_runs(case):
        a, b = (round(t / hop_s) for t in (note.start_s, note.end_s))
        cuts = [a]
        for i in range(a + reach // 2, b - reach // 2):
            around = level[i - reach // 2 : i + reach // 2 + 1]
            lower = min(level[max(a, i - reach) : i].max(), level[i + 1 : i + 1 + reach].max())
            if level[i] <= around.min() and lower - level[i] > 6 and i - cuts[-1] > reach // 2:
                cuts.append(i)
        for start, stop in zip(cuts, [*cuts[1:], b], strict=True):
            notes.append(Heard(start * hop_s, max(stop, start + 1) * hop_s, note.midi))
    return notes


def ours(case: Case) -> list[Heard]:
    return list(find_notes(case.track, case.audio))


def f_measures(case: Case, notes: list[Heard]) -> tuple[float, float, float]:
    """F of onsets, of onsets and pitch, and with offsets."""
    from mir_eval import transcription as tr

    found = np.array([(n.start_s, n.end_s) for n in notes])
    hz = midi_to_hz([n.midi for n in notes])
    true_hz = midi_to_hz(case.midi)
    onset = tr.onset_precision_recall_f1(case.intervals, found)[2]
    pitch = tr.precision_recall_f1_overlap(case.intervals, true_hz, found, hz, offset_ratio=None)[2]
    whole = tr.precision_recall_f1_overlap(case.intervals, true_hz, found, hz)[2]
    return onset, pitch, whole


METHODS: dict[str, Callable[[Case], list[Heard]]] = {
    "voiced runs": voiced_runs,
    "runs + dips": runs_and_dips,
    "retune": ours,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("--seeds", type=int, default=2, help="versions of each singer")
    args = parser.parse_args()
    table: dict[tuple[str, str], list[tuple[float, float, float]]] = {}
    spent, sounded = 0.0, 0.0
    for case in cases(args.seeds):
        ours(case)
        for name, method in METHODS.items():
            start = time.perf_counter()
            notes = method(case)
            if name == "retune":
                spent += time.perf_counter() - start
                sounded += case.audio.duration_s
            table.setdefault((case.condition, name), []).append(f_measures(case, notes))
    print(f"{'voices':9} {'method':14} {'onset':>6} {'+pitch':>6} {'+offset':>7}")
    for (condition, name), rows in table.items():
        onset, pitch, whole = np.mean(rows, axis=0)
        print(f"{condition:9} {name:14} {onset:6.3f} {pitch:6.3f} {whole:7.3f}")
    print(f"finding notes took {spent / sounded:.5f} of real time")


if __name__ == "__main__":
    main()
