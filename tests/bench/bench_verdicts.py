"""How often is an edit of a finished mix judged as it is? Notes moved as the job moves them.

    python tests/bench/bench_verdicts.py                 four voices at +5, 0, -7 dB, dry and wet
    python tests/bench/bench_verdicts.py --fit 120       fit the weights on practice mixes

Truth: the same move of the voice alone, over the band. An edit is clean where, in the core of the
note, the backing where it rules (6 dB over the voices) is off by 8 dB or more under itself, and
the old pitch is at most 3 dB too loud (13 dB under what was there counts as masked); unfit above
-4 dB or 6 dB, or where another pitch than the sung one was moved. Nobody listened: the limits are
by choice. "always" is what calling every edit clean would score.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from bench_mix import SINGERS, TRUTH_S, at
from mixtures import make_mixture
from practice import RATE_HZ, Floats, Practice, make_practice, rough_guide
from voice_controls import hertz

from retune.analysis.guided import guided_notes
from retune.core.carriers import Audio, Note, StemAnalysis
from retune.core.changes import Edit
from retune.repitch import ENGINES, judge, psola
from retune.repitch.passages import group_edits, prepare
from retune.repitch.seam import FRAME_S
from retune.track import track_mix

SIZE, HOP = 2048, 512
SHIFTS = (-300.0, -200.0, -100.0, 100.0, 200.0)
CLEAN_DB, NO_USE_DB, WRONG_CENTS, MASKED = (-8.0, 3.0), (-4.0, 6.0), 100.0, 0.05
WORDS = (judge.CLEAN, judge.AUDIBLE, judge.DO_NOT_USE)
Row = tuple[int, int, judge.Measured | None]  # true word, word said, figures


def bench_mix(singer: str, tune: str, *, lead_db: float, is_wet: bool, seed: int) -> Practice:
    m = make_mixture(singer, tune, lead_db=lead_db, is_wet=is_wet, seed=seed)
    time_s = np.arange(len(m.pair.cents)) * TRUTH_S
    notes = tuple((n.start_s, n.end_s, float(m.tonic_midi + n.semitones)) for n in m.pair.notes)
    sung = np.any([(time_s >= a) & (time_s < b) for a, b, _ in notes], axis=0)
    f0_hz = np.where(sung, hertz(at(m.pair.cents, time_s)), np.nan)
    return Practice(m.mix, m.voice, m.backing, notes, time_s, f0_hz)


def analysed(m: Practice) -> StemAnalysis:
    """With a guide off by 30 ms (standard deviation)."""
    guide = rough_guide(m)
    audio = Audio(m.mix.astype(np.float32), RATE_HZ)
    track = track_mix(audio, fmin_hz=65.0, fmax_hz=1200.0, guide=guide)
    notes = tuple(
        Note(k, n.start_s, n.end_s, n.midi, "", 0.0, confidence=n.confidence, doubt=n.doubt)
        for k, n in enumerate(guided_notes(track, guide), 1)
    )
    return StemAnalysis("all", "mix", notes, (), track, guided=True)


def spectra(y: Floats) -> Floats:
    frames = [np.lib.stride_tricks.sliding_window_view(c, SIZE)[::HOP] for c in y.T]
    return np.abs(np.stack([np.fft.rfft(f * np.hanning(SIZE)) for f in frames]))


def judged(m: Practice) -> list[Row]:
    """Three in five of the longer notes moved, by lot."""
    stem, audio, rows = analysed(m), Audio(m.mix.astype(np.float32), RATE_HZ), []
    rng = np.random.default_rng(len(m.mix))
    picked = [n for n in stem.notes if n.end_s - n.start_s >= 0.3 and rng.random() < 0.6]
    edits = [
        Edit("all", n.start_s, n.end_s, float(rng.choice(SHIFTS)), "", note=n.index) for n in picked
    ]
    sure, sung = {n.index: n.confidence for n in stem.notes}, np.isfinite(m.f0_hz)
    for group in group_edits(edits, audio=audio):
        part = prepare(group, audio=audio, stem=stem, engine=ENGINES["lift"]).parts[0]
        passage, first_s = part.passage, part.first / RATE_HZ
        moved = ENGINES["lift"].shift(passage)
        time_s = first_s + np.arange(len(passage.f0_hz)) * FRAME_S
        f0_hz = np.interp(time_s, m.time_s[sung], m.f0_hz[sung])
        heard = np.interp(time_s, m.time_s, sung.astype(float)) > 0.5
        here = slice(part.first, part.first + len(passage.samples))
        voice = m.voice[here].astype(np.float32)
        alone = psola.ENGINE.shift(
            replace(passage, samples=voice, f0_hz=np.where(heard, f0_hz, np.nan))
        )
        sounds = (passage.samples, moved, passage.samples + alone - voice, voice, alone)
        looks = [spectra(np.asarray(y, float)) for y in (*sounds, m.backing[here])]
        middle_s = first_s + (np.arange(looks[0].shape[1]) * HOP + SIZE / 2) / RATE_HZ
        offset = np.interp(middle_s, time_s, passage.offset_cents)
        true_hz = np.interp(middle_s, time_s, f0_hz)
        off = np.abs(1200 * np.log2(passage.f0_hz / f0_hz))
        for edit in group.edits:
            core = (middle_s > edit.start_s + 0.08) & (middle_s < edit.end_s - 0.06)
            inside = off[(time_s > edit.start_s) & (time_s < edit.end_s)]
            if core.sum() < 3 or not np.isfinite(inside).any():
                continue
            ghost, damage = _truth(looks, core, true_hz, offset)
            wrong = float(np.nanmedian(inside)) >= WRONG_CENTS
            unfit = damage > NO_USE_DB[0] or ghost > NO_USE_DB[1] or wrong
            fine = damage <= CLEAN_DB[0] and ghost <= CLEAN_DB[1]
            start_s, end_s = edit.start_s - first_s, edit.end_s - first_s
            found = judge.measure(passage, moved, start_s=start_s, end_s=end_s)
            said = judge.verdict(
                passage,
                moved,
                edit=edit,
                first_s=first_s,
                confidence=sure[edit.note or 0],
                guided=stem.guided,
            )
            rows.append((2 if unfit else 0 if fine else 1, WORDS.index(said.word), found))
    return rows


def _truth(looks: list[Floats], core: Floats, f0: Floats, offset: Floats) -> tuple[float, float]:
    """Excess at the old pitch, and the error of the backing re itself, dB."""
    was, got, true, voice, moved, band = looks
    hz = np.fft.rfftfreq(SIZE, 1 / RATE_HZ)

    def comb(pitch: Floats, width_hz: float) -> Floats:
        part = hz / pitch[:, None]
        near = np.abs(part - np.round(part)) * pitch[:, None] < width_hz
        return np.asarray(near & (part > 0.5) & (hz < 9000))

    old = comb(f0, 22.0) & ~comb(f0 * 2 ** (offset / 1200), 45.0) & core[:, None]
    left, right, before = (float(np.sum(s[:, old] ** 2)) + 1e-9 for s in (got, true, was))
    ruled = (band > 2 * np.maximum(voice, moved)) & (band > 0.01 * band.max())
    ruled &= core[:, None] & (hz < 9000)
    error = float(np.sum((got[ruled] - true[ruled]) ** 2)) + 1e-9
    damage = error / (float(np.sum(true[ruled] ** 2)) + 1e-9)
    excess = (left + MASKED * before) / (right + MASKED * before)
    return float(10 * np.log10(excess)), float(10 * np.log10(damage))


def show(name: str, rows: list[Row]) -> None:
    table = np.zeros((3, 3), int)
    for true, said, _ in rows:
        table[true, said] += 1
    clean, agree = table[:, 0], np.trace(table) / table.sum()
    print(f"{name:9}{table.sum():5d} edits  agree {agree:.2f}", end="  ")
    print(f"always {table[0].sum() / table.sum():.2f}", end="  ")
    print(f"called clean {clean.sum()}, wrongly {clean[1:].sum()}  {table.tolist()}", flush=True)


def fit(rows: list[Row]) -> None:
    """Logistic regression of "not clean", a unit of shrinkage on the weights."""
    from scipy.optimize import minimize

    known = [(r[0] > 0, r[2]) for r in rows if r[2] is not None]
    x = np.array([[f.clear_db, f.lead_db, f.left_db, f.beside_db, 1.0] for _, f in known])
    sign = np.where([bad for bad, _ in known], 1.0, -1.0)

    def loss(w: Floats) -> float:
        return float(np.sum(np.logaddexp(0, -sign * (x @ w))) + 0.5 * w[:-1] @ w[:-1])

    print("clear lead left beside constant:", minimize(loss, np.zeros(5)).x.round(3))


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--levels", default="5,0,-7", help="lead re backing, dB")
    parser.add_argument("--seed", type=int, default=60, help="of the first band")
    parser.add_argument("--fit", type=int, default=0, help="how many practice mixes to fit on")
    args = parser.parse_args()
    if args.fit:
        rows = [row for k in range(args.fit) for row in judged(make_practice(k))]
        show("practice", rows)
        fit(rows)
        return
    everything: list[Row] = []
    for is_wet in (False, True):
        rows = []
        for lead_db in map(float, args.levels.split(",")):
            for k, (singer, tune) in enumerate(SINGERS.items(), start=args.seed):
                mix = bench_mix(singer, tune, lead_db=lead_db, is_wet=is_wet, seed=k)
                rows += judged(mix)
        show("wet" if is_wet else "dry", rows)
        everything += rows
    show("all", everything)


if __name__ == "__main__":
    main()
