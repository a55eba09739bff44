"""How often is an edit of a finished mix judged as it is? Notes moved as the job moves them.

    python tests/bench/bench_verdicts.py                 four voices at +5, 0, -7 dB, dry and wet
    python tests/bench/bench_verdicts.py --guide poor    times off by 80 ms, one note in six wrong
    python tests/bench/bench_verdicts.py --guide none    notes found without a guide
    python tests/bench/bench_verdicts.py --real          five real voices over bands that are played
    python tests/bench/bench_verdicts.py --fit 30        fit the weights, on two kinds of mixes

Truth: the same move of the voice alone, over the band. An edit is clean where, in the core of the
note, the backing where it rules (6 dB over the voices) is off by 8 dB or more under itself, and
the old pitch is at most 3 dB too loud (13 dB under what was there counts as masked); unfit above
-4 dB or 6 dB, or where another pitch than the sung one was moved, or nothing was sung. Nobody
listened: the limits are by choice. Printed: how often the word is the true one; "always", what
calling every edit clean would score; "evenly", the share found of each true word, the mean of the
three; how many are called clean and how many of these wrongly; and counts, true words down; then
the middle excess at the old pitch and error of the band, dB, and how many wrong and right notes
are marked as doubtful, and how often the word is the true one for the others.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from bench_mix import SINGERS, TRUTH_S, at
from mixtures import make_mixture
from practice import RATE_HZ, Floats, Practice, make_practice, make_words, rough_guide
from real_harmony import KINDS
from real_mixes import VOICES, RealMix, make_real_mix
from voice_controls import hertz

from retune.analysis.guided import mix_notes
from retune.analysis.note_trust import Heard
from retune.carriers.changes import Edit
from retune.carriers.heard import Audio, Note, StemAnalysis
from retune.repitch import ENGINES, judge, psola
from retune.repitch.passages import group_edits, prepare
from retune.repitch.render import _if_sung
from retune.repitch.seam import FRAME_S, Passage
from retune.separate import estimate_voice, find_singing
from retune.song.guide import GuideNote
from retune.track import track_mix

SIZE, HOP = 2048, 512
SHIFTS = (-300.0, -200.0, -100.0, 100.0, 200.0)
CLEAN_DB, NO_USE_DB, WRONG_CENTS, MASKED = (-8.0, 3.0), (-4.0, 6.0), 100.0, 0.05
WORDS = (judge.CLEAN, judge.AUDIBLE, judge.DO_NOT_USE)
GUIDES = ("rough", "poor", "none")
SOFTER_DB = (0.0, -9.0)  # practice mixes to fit on in turn, the voice brought down by so much


@dataclass(frozen=True)
class Row:
    """The true word and the one said, as places in WORDS; what the truth was told from, dB; what
    the judge went by; and whether it was another note than the one sung."""

    true: int
    said: int
    ghost_db: float
    damage_db: float
    found: judge.Measured | None
    sure: float
    wrong: bool


def bench_mix(singer: str, tune: str, *, lead_db: float, is_wet: bool, seed: int) -> Practice:
    m = make_mixture(singer, tune, lead_db=lead_db, is_wet=is_wet, seed=seed)
    time_s = np.arange(len(m.pair.cents)) * TRUTH_S
    notes = tuple((n.start_s, n.end_s, float(m.tonic_midi + n.semitones)) for n in m.pair.notes)
    sung = np.any([(time_s >= a) & (time_s < b) for a, b, _ in notes], axis=0)
    f0_hz = np.where(sung, hertz(at(m.pair.cents, time_s)), np.nan)
    return Practice(m.mix, m.voice, m.backing, notes, time_s, f0_hz)


def real_mix(mix: RealMix) -> Practice:
    voice = mix.voice
    notes = tuple((n.start_s, n.end_s, n.midi) for n in voice.notes)
    return Practice(mix.mix, mix.lead, mix.backing, notes, voice.time_s, voice.f0_hz)


def mixes_of(args: argparse.Namespace, *, is_wet: bool) -> Iterator[Practice]:
    for lead_db in map(float, args.levels.split(",")):
        if args.real:
            for k, name in enumerate(VOICES):
                kind = KINDS[(args.seed + k) % len(KINDS)]
                yield real_mix(
                    make_real_mix(name, kind, lead_db=lead_db, is_wet=is_wet, seed=args.seed)
                )
        else:
            for k, (singer, tune) in enumerate(SINGERS.items(), start=args.seed):
                yield bench_mix(singer, tune, lead_db=lead_db, is_wet=is_wet, seed=k)


def softer(m: Practice, db: float) -> Practice:
    """The same mix with the voice `db` up or, below 0, down."""
    voice = m.voice * 10 ** (db / 20)
    return replace(m, voice=voice, mix=voice + m.backing)


def poor_guide(m: Practice) -> list[GuideNote]:
    """Times off by 80 ms (standard deviation), one note in six wrong by up to four semitones."""
    rng, guide, last = np.random.default_rng(len(m.mix) + 77), [], 0.0
    for start_s, end_s, midi in m.notes:
        start_s = max(start_s + rng.normal(0, 0.08), last)
        last = max(end_s + rng.normal(0, 0.08), start_s + 0.05)
        off = rng.choice([-4, -3, -2, -1, 1, 2, 3, 4]) if rng.random() < 1 / 6 else 0
        guide.append(GuideNote(start_s, last, float(round(midi) + off)))
    return guide


def _note(index: int, n: Heard) -> Note:
    note = Note(index, n.start_s, n.end_s, n.midi, "", 0.0, singer=n.singer)
    return replace(note, confidence=n.confidence, doubt=n.doubt)


def analysed(m: Practice, kind: str, audio: Audio, voice: Audio) -> StemAnalysis:
    """The notes as a song file of one mix gives them, `voice` being its estimate."""
    guide = {"rough": rough_guide, "poor": poor_guide, "none": lambda _: []}[kind](m)
    singing = find_singing(audio, voice)
    track = track_mix(
        audio, fmin_hz=65.0, fmax_hz=1200.0, guide=guide, voice=voice, sung=singing.spans
    )
    notes = tuple(_note(k, n) for k, n in enumerate(mix_notes(track, guide, singing, voice), 1))
    return StemAnalysis("all", "mix", notes, (), track)


def spectra(y: Floats) -> Floats:
    frames = [np.lib.stride_tricks.sliding_window_view(c, SIZE)[::HOP] for c in y.T]
    return np.abs(np.stack([np.fft.rfft(f * np.hanning(SIZE)) for f in frames]))


def judged(m: Practice, kind: str = "rough") -> list[Row]:
    """Three in five of the longer notes moved, by lot."""
    audio = Audio(m.mix.astype(np.float32), RATE_HZ)
    voice = Audio(estimate_voice(audio).read(), RATE_HZ)
    stem = analysed(m, kind, audio, voice)
    rng = np.random.default_rng(len(m.mix))
    picked = [n for n in stem.notes if n.end_s - n.start_s >= 0.3 and rng.random() < 0.6]
    edits = [
        Edit("all", n.start_s, n.end_s, float(rng.choice(SHIFTS)), "", note=n.index) for n in picked
    ]
    notes = {n.index: n for n in stem.notes}
    groups = group_edits(edits, audio=audio)
    works = (
        prepare(g, audio=audio, stem=stem, engine=ENGINES["lift"], voice=voice) for g in groups
    )
    parts = (work.parts[0] for work in works)
    return [
        row
        for group, part in zip(groups, parts, strict=True)
        for row in _rows(m, group.edits, part.passage, part.first / RATE_HZ, notes)
    ]


def _rows(
    m: Practice,
    edits: Sequence[Edit],
    passage: Passage,
    first_s: float,
    notes: dict[int, Note],
) -> list[Row]:
    moved, sung = ENGINES["lift"].shift(passage), np.isfinite(m.f0_hz)
    time_s = first_s + np.arange(len(passage.f0_hz)) * FRAME_S
    f0_hz = np.interp(time_s, m.time_s[sung], m.f0_hz[sung])
    heard = np.interp(time_s, m.time_s, sung.astype(float)) > 0.5
    first = round(first_s * RATE_HZ)
    here = slice(first, first + len(passage.samples))
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
    rows = []
    for edit in edits:
        core = (middle_s > edit.start_s + 0.08) & (middle_s < edit.end_s - 0.06)
        inside = (time_s > edit.start_s) & (time_s < edit.end_s)
        if core.sum() < 3 or not np.isfinite(off[inside]).any():
            continue
        far = float(np.nanmedian(off[inside])) >= WRONG_CENTS
        wrong = bool(far or heard[inside].mean() < 0.5)
        ghost_db, damage_db = _truth(looks, core, true_hz, offset)
        true = _word(ghost_db, damage_db, wrong=wrong)
        start_s, end_s = edit.start_s - first_s, edit.end_s - first_s
        found = judge.measure(passage, moved, start_s=start_s, end_s=end_s)
        note = notes[edit.note or 0]
        sure_of_it = note.confidence
        said = judge.verdict(passage, moved, edit=edit, first_s=first_s, sure=sure_of_it)
        said = _if_sung(said, note)
        word = WORDS.index(said.word)
        rows.append(Row(true, word, ghost_db, damage_db, found, sure_of_it, wrong))
    return rows


def _word(ghost_db: float, damage_db: float, *, wrong: bool) -> int:
    if wrong or damage_db > NO_USE_DB[0] or ghost_db > NO_USE_DB[1]:
        return 2
    return 0 if damage_db <= CLEAN_DB[0] and ghost_db <= CLEAN_DB[1] else 1


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
    for row in rows:
        table[row.true, row.said] += 1
    clean, agree, there = table[:, 0], np.trace(table) / table.sum(), table.sum(axis=1)
    found = np.diag(table)[there > 0] / there[there > 0]
    print(f"{name:9}{table.sum():5d} edits  agree {agree:.2f}", end="  ")
    print(f"always {there[0] / table.sum():.2f}  evenly {np.mean(found):.2f}", end="  ")
    print(f"called clean {clean.sum()}, wrongly {clean[1:].sum()}  {table.tolist()}", end="  ")
    ghost_db, damage_db = np.median([(row.ghost_db, row.damage_db) for row in rows], axis=0)
    print(f"ghost {ghost_db:+.1f}, band {damage_db:.1f}", end="  ")
    doubted = [
        [row.sure < judge.DOUBTFUL for row in rows if row.wrong is wrong] for wrong in (True, False)
    ]
    told = [f"{sum(marks)} of {len(marks)}" for marks in doubted]
    print(f"doubted: wrong notes {told[0]}, right ones {told[1]}", end="  ")
    certain = [row.true == row.said for row in rows if row.sure >= judge.DOUBTFUL]
    print(f"the others agree {np.mean(certain):.2f}", flush=True)


def practised(k: int) -> list[Row]:
    """The k-th mix to fit on, its notes found in each way: made voices and spoken ones in turn."""
    place, is_spoken = divmod(k, 2)
    mix = make_words(place) if is_spoken else softer(make_practice(place), SOFTER_DB[place % 2])
    return [row for kind in GUIDES for row in judged(mix, kind)]


def fit(rows: list[Row]) -> None:
    """Logistic regression of "not clean" and of "unfit", a unit of shrinkage on the weights (ten
    on that of certainty, which goes from 0 to 1)."""
    from scipy.optimize import minimize

    known = [(r.true, r.sure, r.found) for r in rows if r.found is not None]
    x = np.array(
        [(f.clear_db, f.lead_db, f.left_db, f.beside_db, 10 * sure, 1) for _, sure, f in known]
    )
    for name, least in (("NOT_CLEAN", 1), ("UNFIT", 2)):
        sign = np.where([true >= least for true, _, _ in known], 1.0, -1.0)

        def loss(w: Floats, sign: Floats = sign) -> float:
            return float(np.sum(np.logaddexp(0, -sign * (x @ w))) + 0.5 * w[:-1] @ w[:-1])

        w = minimize(loss, np.zeros(6)).x * [1, 1, 1, 1, 10, 1]
        print(name, *w.round(3))


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--levels", default="5,0,-7", help="lead re backing, dB")
    parser.add_argument("--seed", type=int, default=60, help="of the first band")
    parser.add_argument("--real", action="store_true", help="real voices, over bands of this seed")
    parser.add_argument("--guide", choices=GUIDES, default="rough")
    parser.add_argument("--fit", type=int, default=0, help="how many practice mixes of each kind")
    args = parser.parse_args()
    if args.fit:
        with ProcessPoolExecutor() as pool:
            rows = [r for found in pool.map(practised, range(2 * args.fit)) for r in found]
        show("practice", rows)
        fit(rows)
        return
    everything: list[Row] = []
    for is_wet in (False, True):
        mixes = mixes_of(args, is_wet=is_wet)
        rows = [row for mix in mixes for row in judged(mix, args.guide)]
        show("wet" if is_wet else "dry", rows)
        everything += rows
    show("all", everything)


if __name__ == "__main__":
    main()
