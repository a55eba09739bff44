"""Compare ways to move notes inside a finished stereo mix with what it would have been.

    python tests/bench/bench_mix.py                      all ways at +6, 0, -6 dB, dry and wet
    python tests/bench/bench_mix.py --quick
    python tests/bench/bench_mix.py --levels 0 --ways guide,"no guide",oracle --voices alto

Over the cores of the moved notes: "notes" the share of all notes whose pitch was found within 50
cents; "ghost" what is left at the old pitch re the mix, dB, and in brackets less what the truth
has; "lsd" log-spectral distance from the truth where the backing rules, dB; "snr" of magnitudes
against the truth, dB, to 9 kHz; "cost" processor time re the length of the moved notes. "tail
held", "tail falling" and "tail decay" also move the reverb after a phrase's last note, for 0.35 s:
all on its harmonics, ever less, or what a room's decay leaves; "stem" moves the voice alone and
adds the band: what no separation can better, as the truth is sung anew. "again" is the truth sung
once more, in another room of the same decay.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from ground_truth import FRAME_S as TRUTH_S
from ground_truth import RATE_HZ
from mixtures import WET_DB, Floats, Mixture, make_mixture
from voice_controls import hertz

from retune.carriers.heard import Audio, PitchTrack
from retune.repitch import ENGINES, Passage, psola
from retune.repitch.frames import HOPS, frames_of
from retune.repitch.lift import (
    from_warped,
    lift_voiced,
    make_warp,
    mid_and_side,
    to_warped,
)
from retune.repitch.mix_pitch import mix_pitch
from retune.repitch.seam import FRAME_S
from retune.repitch.share import SHAPE, VOICE, harmonics
from retune.song.guide import GuideNote
from retune.track import track_mix

SINGERS = {"tenor": "b", "alto": "a", "soprano": "b", "baritone": "b"}
TAIL_S = 0.35
SIZE, HOP = 2048, 512


def guide_of(mixture: Mixture) -> list[GuideNote]:
    """The notes, their times off by 30 ms (standard deviation)."""
    rng = np.random.default_rng(3)
    off = rng.normal(0, 0.03, (len(mixture.pair.notes), 2))
    return [
        GuideNote(max(n.start_s + a, 0.0), n.end_s + b, float(mixture.tonic_midi + n.semitones))
        for n, (a, b) in zip(mixture.pair.notes, off, strict=True)
    ]


def listen(mixture: Mixture, *, guided: bool) -> PitchTrack:
    audio = Audio(mixture.mix.astype(np.float32), RATE_HZ)
    return track_mix(audio, fmin_hz=65.0, fmax_hz=1200.0, guide=guide_of(mixture) if guided else ())


def at(curve: Floats, time_s: Floats) -> Floats:
    return np.interp(time_s, np.arange(len(curve)) * TRUTH_S, curve)


def notes_found(mixture: Mixture, track: PitchTrack) -> float:
    truth = hertz(at(mixture.pair.cents, track.time_s))
    away = np.abs(1200 * np.log2(track.f0_hz / truth))
    spans = [
        (track.time_s > n.start_s + 0.1) & (track.time_s < n.end_s - 0.05)
        for n in mixture.pair.notes
    ]
    return float(np.mean([np.mean(away[s] < 50) > 0.5 for s in spans if s.any()]))


def passage_of(mixture: Mixture, f0_hz: Floats) -> Passage:
    time_s = np.arange(len(f0_hz)) * FRAME_S
    offset = at(mixture.pair.cents_truth, time_s) - at(mixture.pair.cents, time_s)
    return Passage(mixture.mix.astype(np.float32), RATE_HZ, f0_hz, offset)


def true_f0(mixture: Mixture) -> Floats:
    n_frames = int(len(mixture.mix) / (FRAME_S * RATE_HZ)) + 2
    time_s = np.arange(n_frames) * FRAME_S
    sung = np.zeros(n_frames, bool)
    for note in mixture.pair.notes:
        sung |= (time_s >= note.start_s) & (time_s < note.end_s)
    return np.where(sung, hertz(at(mixture.pair.cents, time_s)), np.nan)


def heard_f0(mixture: Mixture, *, guided: bool) -> Floats:
    samples = mixture.mix.astype(np.float32)
    track = listen(mixture, guided=guided)
    return mix_pitch(samples, rate_hz=RATE_HZ, start_s=0.0, track=track, notes=())


def lifted(mixture: Mixture, *, guided: bool) -> Floats:
    passage = passage_of(mixture, heard_f0(mixture, guided=guided))
    return ENGINES["lift"].shift(passage).astype(np.float64)


@dataclass(frozen=True)
class Tail:
    """Frames of the pitch track behind the last note of a phrase: its pitch, held."""

    last: int
    stop: int
    hz: float


def tails_of(mixture: Mixture, f0_hz: Floats) -> list[Tail]:
    found = []
    for note, after in zip(mixture.pair.notes, (*mixture.pair.notes[1:], None), strict=True):
        if not note.moved or (after is not None and after.legato):
            continue
        inside = np.flatnonzero(np.isfinite(f0_hz[: int((note.end_s + 0.1) / FRAME_S)]))
        last = int(inside[-1])
        until = len(f0_hz) if after is None else int((after.start_s - 0.02) / FRAME_S)
        stop = min(last + 1 + int(TAIL_S / FRAME_S), until)
        found.append(Tail(last, stop, float(f0_hz[last])))
    return found


def with_tail(mixture: Mixture, *, way: str) -> Floats:
    """The pitch held on after the last note of a phrase: all that stands on its harmonics is
    lifted ("held"), ever less of it ("falling"), or what the room's decay leaves ("decay")."""
    f0_hz = heard_f0(mixture, guided=True)
    passage = passage_of(mixture, f0_hz)
    held, offset = np.array(f0_hz), np.array(passage.offset_cents)
    weight, tails = np.ones(len(held)), tails_of(mixture, f0_hz)
    for tail in tails:
        behind = slice(tail.last + 1, tail.stop)
        held[behind], offset[tail.last - 20 : tail.stop] = tail.hz, mixture.pair.shift_cents
        if way == "falling":
            weight[behind] = 10 ** (-np.arange(1, tail.stop - tail.last) * FRAME_S)
    x = mixture.mix.T.astype(np.float64)
    followed = f0_hz if way == "decay" else held
    voice = lift_voiced(x, followed, rate_hz=RATE_HZ, wanted=np.abs(offset) > 0, reverb=True)
    voice *= np.interp(np.arange(x.shape[1]) / RATE_HZ, np.arange(len(weight)) * FRAME_S, weight)
    if way == "decay":
        for tail in tails:
            add_decay(voice, x, tail)
    return moved_by_psola(mixture.mix, voice.T, replace(passage, f0_hz=held, offset_cents=offset))


def add_decay(voice: Floats, x: Floats, tail: Tail) -> None:
    """Behind its end a note dies away as the room does: every harmonic by one rate and one drop
    from the reverb's beginning on, medians over the harmonics (an exponential decay, as Lebart,
    Boucher & Denbigh 2001, Acustica 87, 359-366). What stands over that is the band's."""
    end, stop = ((k + 0.5) * FRAME_S for k in (tail.last, tail.stop))
    first, last = (max(int(t * RATE_HZ), 0) for t in (end - 0.35, stop + 0.25))
    part = mid_and_side(x[:, first:last])
    warp = make_warp(np.full(part.shape[1], tail.hz), rate_hz=RATE_HZ)
    size = VOICE.periods * warp.period
    n = min(int(9000 / tail.hz), warp.period // 2 - 1)
    spectra = frames_of(to_warped(part, warp), size=size)
    found = harmonics(spectra, comb=VOICE, n_harmonics=n)
    middle = np.arange(spectra.shape[1]) * (size // HOPS) - size / 2
    time_s = middle / (warp.period * tail.hz) + first / RATE_HZ - end
    before, behind = (time_s > -0.12) & (time_s < -0.03), (time_s > 0.06) & (time_s < stop - end)
    if before.sum() < 1 or behind.sum() < 3:
        return
    start_db = 10 * np.log10(np.median((found.share * found.power)[:, before], axis=1) + 1e-14)
    level_db = 10 * np.log10(found.power[:, behind] + 1e-14)
    slopes, drops = np.polyfit(time_s[behind], (level_db - start_db[:, None])[0], 1)
    loud = start_db[0] > np.median(start_db[0])
    slope, drop = (min(float(np.median(v[loud])), 0.0) for v in (slopes, drops))
    fallen_db = start_db[:, None] + drop + slope * time_s[None, :, None]
    share = np.minimum(10 ** (fallen_db / 10) / (found.power + 1e-14), 1.0) * (time_s > 0)[:, None]
    lifted = from_warped(resounded(share * found.tooth, size=size, length=warp.size), warp)
    at = np.arange(lifted.shape[1]) / RATE_HZ + first / RATE_HZ
    lifted *= np.clip(np.minimum(at - end, stop - at) / 0.01, 0.0, 1.0)
    voice[:, first:last] += np.stack([lifted[0] + lifted[1], lifted[0] - lifted[1]])


def resounded(tooth: np.ndarray, *, size: int, length: int) -> Floats:
    """Amplitudes (n_channels, n_frames, n_harmonics) as sound on the voice's clock."""
    n_frames, hop = tooth.shape[1], size // HOPS
    spectra = np.zeros((len(tooth), n_frames, size // 2 + 1), complex)
    bins = VOICE.periods * np.arange(1, tooth.shape[2] + 1)
    for offset, weight in zip((-1, 0, 1), SHAPE, strict=True):
        spectra[:, :, bins + offset] = weight * tooth
    made, out = np.fft.irfft(spectra, n=size), np.zeros((len(tooth), n_frames * hop + 2 * size))
    for k in range(n_frames):
        out[:, k * hop : k * hop + size] += made[:, k]
    return out[:, size : size + length] / (HOPS / 2)


def moved_by_psola(mix: Floats, voice: Floats, passage: Passage) -> Floats:
    """mix + (moved voice - voice)."""
    sound = voice.astype(np.float32)
    return mix + psola.ENGINE.shift(replace(passage, samples=sound)) - sound


def masked(mixture: Mixture, mask_of: Callable[[np.ndarray], np.ndarray]) -> Floats:
    """A mask (n_bins, n_frames) on both channels makes the voice, psola moves it."""
    import librosa

    spectra = [librosa.stft(c, n_fft=SIZE, hop_length=HOP) for c in mixture.mix.T]
    mask = mask_of(np.abs(sum(spectra)) / 2)
    voice = np.stack([librosa.istft(mask * s, n_fft=SIZE, hop_length=HOP, length=len(mixture.mix))
                      for s in spectra], axis=1)  # fmt: skip
    return moved_by_psola(mixture.mix, voice, passage_of(mixture, true_f0(mixture)))


def by_comb(mixture: Mixture) -> Floats:
    def comb(mid: np.ndarray) -> np.ndarray:
        time_s = np.arange(mid.shape[1]) * HOP / RATE_HZ
        f0 = hertz(at(mixture.pair.cents, time_s))
        hz = np.arange(len(mid))[:, None] * RATE_HZ / SIZE
        return (np.abs(hz / f0 - np.round(hz / f0)) * f0 < 35) & (hz > f0 / 2) & (hz < 9000)

    return masked(mixture, comb)


def by_repet(mixture: Mixture) -> Floats:
    """What repeats elsewhere in the mix is backing (the recipe of librosa's gallery, after Rafii
    & Pardo 2012, ISMIR, REPET-SIM)."""
    import librosa

    def mask(mid: np.ndarray) -> np.ndarray:
        width = librosa.time_to_frames(1.0, sr=RATE_HZ, hop_length=HOP)
        near = librosa.decompose.nn_filter(
            mid, aggregate=np.median, metric="cosine", width=int(width)
        )
        near = np.minimum(mid, near)
        return librosa.util.softmask(mid - near, 10 * near, power=2)

    return masked(mixture, mask)


def oracle(mixture: Mixture) -> Floats:
    import librosa

    parts = [np.abs(librosa.stft(p.mean(axis=1), n_fft=SIZE, hop_length=HOP)) ** 2
             for p in (mixture.voice, mixture.backing)]  # fmt: skip
    return masked(mixture, lambda _: parts[0] / (parts[0] + parts[1] + 1e-9))


def shifted_whole(mixture: Mixture, sound: Floats) -> Floats:
    """`sound` shifted as it is under each moved note, the rest of the mix left."""
    out = np.array(mixture.mix)
    rest = mixture.mix - sound
    for note in mixture.pair.notes:
        if note.moved:
            a, b = int(note.start_s * RATE_HZ), int(note.end_s * RATE_HZ)
            first, last = max(a - 15000, 0), min(b + 15000, len(sound))
            cents = np.full(int((last - first) / (FRAME_S * RATE_HZ)) + 2, mixture.pair.shift_cents)
            part = sound[first:last].astype(np.float32)
            passage = Passage(part, RATE_HZ, np.full(len(cents), np.nan), cents, True)
            out[a:b] = rest[a:b] + ENGINES["stretch"].shift(passage)[a - first : b - first]
    return out


def by_hpss(mixture: Mixture) -> Floats:
    import librosa

    tonal = np.stack([librosa.effects.harmonic(c) for c in mixture.mix.T], axis=1)
    return shifted_whole(mixture, tonal)


WAYS: dict[str, Callable[[Mixture], Floats]] = {
    "nothing": lambda m: m.mix,
    "whole mix": lambda m: shifted_whole(m, m.mix),
    "hpss": by_hpss,
    "repet": by_repet,
    "comb": by_comb,
    "guide": lambda m: lifted(m, guided=True),
    "no guide": lambda m: lifted(m, guided=False),
    "tail held": lambda m: with_tail(m, way="held"),
    "tail falling": lambda m: with_tail(m, way="falling"),
    "tail decay": lambda m: with_tail(m, way="decay"),
    "oracle": oracle,
    "stem": lambda m: moved_by_psola(m.mix, m.voice, passage_of(m, true_f0(m))),
    "again": lambda m: m.again,
}
QUICK = "nothing", "guide", "no guide", "stem"


class Judge:
    """Measures on the cores of the moved notes, and on the tails behind them."""

    def __init__(self, mixture: Mixture) -> None:
        self.mixture = mixture
        self.hz = np.fft.rfftfreq(SIZE, 1 / RATE_HZ)
        n_frames = (len(mixture.mix) - SIZE) // HOP + 1
        self.time_s = (np.arange(n_frames) * HOP + SIZE / 2) / RATE_HZ
        self.core = np.zeros(n_frames, bool)
        self.tail = np.zeros(n_frames, bool)
        notes = mixture.pair.notes
        for note, after in zip(notes, (*notes[1:], None), strict=True):
            if note.moved:
                self.core |= (self.time_s > note.start_s + 0.08) & (self.time_s < note.end_s - 0.06)
                if after is None or after.start_s - note.end_s > 0.2:
                    until = note.end_s + 0.3 if after is None else after.start_s
                    self.tail |= (self.time_s > note.end_s + 0.03) & (self.time_s < until - 0.03)
        self.was, self.truth = self.spectra(mixture.mix), self.spectra(mixture.truth)
        voices = [self.spectra(v) for v in (mixture.voice, mixture.voice_truth)]
        band = self.spectra(mixture.backing)
        self.ruled = (band > 2 * np.maximum(*voices)) & (band > 0.01 * band.max())
        self.ruled &= self.core[:, None] & (self.hz < 9000)
        cents, moved = (at(c, self.time_s) for c in (mixture.pair.cents, mixture.pair.cents_truth))
        self.old = self.comb(hertz(cents), 22.0) & ~self.comb(hertz(moved), 45.0)
        last = np.where(self.tail, mixture.pair.shift_cents, 0.0)
        self.old_tail = self.comb(hertz(cents), 22.0) & ~self.comb(hertz(cents + last), 45.0)

    def spectra(self, y: Floats) -> Floats:
        frames = [np.lib.stride_tricks.sliding_window_view(c, SIZE)[::HOP] for c in y.T]
        return np.abs(np.stack([np.fft.rfft(f * np.hanning(SIZE)) for f in frames]))

    def comb(self, f0: Floats, width_hz: float) -> np.ndarray:
        part = self.hz[None] / f0[:, None]
        near = np.abs(part - np.round(part)) * f0[:, None] < width_hz
        return near & (part > 0.5) & (self.hz < 9000)

    def power(self, spectra: Floats, where: np.ndarray, frames: np.ndarray) -> float:
        here = where & frames[:, None]
        return float(np.sum(spectra[:, here] ** 2) / max(np.sum(self.was[:, here] ** 2), 1e-12))

    def measure(self, out: Floats) -> tuple[float, ...]:
        got = self.spectra(out)
        ghost, tail = (
            [10 * np.log10(self.power(s, w, f)) for s in (got, self.truth)]
            for w, f in ((self.old, self.core), (self.old_tail, self.tail))
        )
        top = self.hz < 9000
        a, b = (s[:, self.core][..., top] for s in (got, self.truth))
        snr = 10 * np.log10(np.sum(b**2) / max(np.sum((a - b) ** 2), 1e-12))
        ratio = (got[self.ruled] + 1e-4) / (self.truth[self.ruled] + 1e-4)
        lsd = np.sqrt(np.mean((20 * np.log10(ratio)) ** 2))
        return float(ghost[0]), ghost[0] - ghost[1], tail[0] - tail[1], float(lsd), float(snr)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--voices", default=",".join(SINGERS))
    parser.add_argument("--levels", default="6,0,-6", help="lead re backing, dB")
    parser.add_argument("--room", type=float, default=WET_DB, help="reverb re the sound, dB")
    parser.add_argument("--ways", default=",".join(WAYS))
    parser.add_argument("--quick", action="store_true", help=f"two voices, 0 dB, {QUICK}")
    parser.add_argument("--seed", type=int, default=0, help="of the first band")
    args = parser.parse_args()
    if args.quick:
        args.voices, args.levels, args.ways = "alto,baritone", "0", ",".join(QUICK)
    print(f"{'':14}{'notes':>7}{'ghost':>8}{'(off)':>7}{'tail':>7}{'lsd':>6}{'snr':>6}{'cost':>6}")
    for lead_db in (float(text) for text in args.levels.split(",")):
        for is_wet in (False, True):
            print(f"lead {lead_db:+.0f} dB, {'wet' if is_wet else 'dry'}")
            mixtures = [
                make_mixture(
                    v, SINGERS[v], lead_db=lead_db, is_wet=is_wet, seed=k, wet_db=args.room
                )
                for k, v in enumerate(args.voices.split(","), start=args.seed)
            ]
            table(mixtures, args.ways.split(","))


def table(mixtures: list[Mixture], ways: list[str]) -> None:
    judges = [Judge(m) for m in mixtures]
    for name in ways:
        rows = []
        for mixture, judge in zip(mixtures, judges, strict=True):
            began = time.process_time()
            out = WAYS[name](mixture)
            spent = time.process_time() - began
            length = sum(n.end_s - n.start_s for n in mixture.pair.notes if n.moved)
            notes = np.nan
            if name in ("guide", "no guide"):
                notes = notes_found(mixture, listen(mixture, guided=name == "guide"))
            rows.append((notes, *judge.measure(out), spent / length))
        cells = np.mean(rows, axis=0)
        print(f"{name:14}{cells[0]:7.2f}{cells[1]:8.1f}{cells[2]:+7.1f}{cells[3]:+7.1f}"
              f"{cells[4]:6.1f}{min(cells[5], 99):6.1f}{cells[6]:6.2f}", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
