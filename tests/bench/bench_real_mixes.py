"""How well a melody is followed in mixes with real voices. One run, one thread.

    python tests/bench/bench_real_mixes.py                 both trackers, +6, 0, -6 dB, dry and wet
    python tests/bench/bench_real_mixes.py --each          a line for every mix too
    python tests/bench/bench_real_mixes.py --bands 4       every voice with every band: slow
    python tests/bench/bench_real_mixes.py --maker ours    without fluidsynth

Shares in percent, over the frames of all mixes of a row: "pitch" of voiced frames found within 50
cents, "mod 8ve" the same in any octave, "false" of unvoiced frames called voiced, "notes" of the
notes of the voice alone that were found: voiced over at least half of their time, the median within
50 cents of the true one. A frame not called voiced counts as not found. "guided": with the notes
of the voice alone as a guide, semitones, times off by 30 ms. The rival is `librosa.pyin` on the
mono mix, made for one voice alone, with its own defaults but for the hop. Nothing is fitted on
these mixes.
"""

from __future__ import annotations

# ruff: noqa: E402
import argparse
import os
import sys
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

for _name in ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"

sys.path.insert(0, str(Path(__file__).parent))

import numpy as np
from numpy.typing import NDArray
from real_bands import MAKERS
from real_mixes import (
    FMAX_HZ,
    FMIN_HZ,
    LEVELS_DB,
    VOICES,
    RealMix,
    RealVoice,
    default_maker,
    real_mixes,
    real_voice,
    rough_guide,
)
from real_truth import librosas, nearest
from rooms import RATE_HZ

from retune.carriers.heard import Audio
from retune.track import track_mix

Floats = NDArray[np.float64]
Track = tuple[Floats, Floats]
WITHIN_CENTS = 50.0
COLUMNS = ("pitch", "mod 8ve", "false", "notes")


@dataclass(frozen=True, eq=False)
class Tally:
    """Frames and notes (right, asked) of each of COLUMNS."""

    counts: NDArray[np.int64]

    def __add__(self, other: Tally) -> Tally:
        return Tally(self.counts + other.counts)

    def percent(self) -> str:
        return "".join(f"{100 * right / max(asked, 1):9.1f}" for right, asked in self.counts)


def ours(mix: RealMix, *, guided: bool) -> Track:
    audio = Audio(mix.mix.astype(np.float32), RATE_HZ)
    guide = rough_guide(mix.voice) if guided else ()
    found = track_mix(audio, fmin_hz=FMIN_HZ, fmax_hz=FMAX_HZ, guide=guide)
    return np.asarray(found.time_s), np.asarray(found.f0_hz)


TRACKERS: dict[str, Callable[[RealMix], Track]] = {
    "no guide": lambda mix: ours(mix, guided=False),
    "guided": lambda mix: ours(mix, guided=True),
    "librosa.pyin": lambda mix: librosas(mix.mix.mean(axis=1), RATE_HZ),
}


def note_marks(voice: RealVoice, found_hz: Floats) -> list[bool]:
    """Whether each note was found; notes of which less than half counts as voiced are not asked."""
    marks = []
    for note in voice.notes:
        inside = (voice.time_s >= note.start_s) & (voice.time_s < note.end_s)
        sung, found = voice.f0_hz[inside], found_hz[inside]
        if not inside.any() or np.isfinite(sung).mean() < 0.5:
            continue
        voiced = np.isfinite(found)
        off = np.inf
        if voiced.mean() >= 0.5:
            off = abs(1200 * np.log2(np.median(found[voiced]) / np.nanmedian(sung)))
        marks.append(bool(off < WITHIN_CENTS))
    return marks


def tally(voice: RealVoice, track: Track) -> Tally:
    """Truth against a track, at the times of the truth."""
    found_hz = nearest(voice.time_s, *track)
    sung = np.isfinite(voice.f0_hz)
    cents = 1200 * np.log2(found_hz[sung] / voice.f0_hz[sung])
    folded = (cents + 600) % 1200 - 600
    marks = note_marks(voice, found_hz)
    pairs = [
        (np.sum(np.abs(cents) < WITHIN_CENTS), sung.sum()),
        (np.sum(np.abs(folded) < WITHIN_CENTS), sung.sum()),
        (np.isfinite(found_hz[~sung]).sum(), (~sung).sum()),
        (sum(marks), len(marks)),
    ]
    return Tally(np.array(pairs, dtype=np.int64))


def print_head(options: argparse.Namespace, maker: str) -> None:
    versions = ", ".join(f"{p} {version(p)}" for p in ("librosa", "numpy", "scipy"))
    print(f"bands by {maker}, {options.bands} to a voice; {versions}")
    for name in VOICES:
        voice = real_voice(name)
        n_voiced, length_s = np.isfinite(voice.f0_hz).sum(), len(voice.samples) / RATE_HZ
        n_silent = len(voice.f0_hz) - n_voiced
        frames = f"{n_voiced:5d} voiced and {n_silent:4d} unvoiced frames"
        print(f"    {name:16}{length_s:5.1f} s, {frames}, {len(voice.notes)} notes")
    print(f"\n{'mixes':44}{'tracker':14}" + "".join(f"{c:>9}" for c in COLUMNS))


def print_row(what: str, by_tracker: dict[str, Tally]) -> None:
    for tracker, total in by_tracker.items():
        print(f"{what:44}{tracker:14}{total.percent()}", flush=True)


def alone() -> dict[str, Tally]:
    """The voices without a band, in both channels: what of the truth can be found at all."""
    nothing = Tally(np.zeros((len(COLUMNS), 2), np.int64))
    totals = dict.fromkeys(TRACKERS, nothing)
    for voice in map(real_voice, VOICES):
        both = np.repeat(voice.samples[:, None], 2, axis=1)
        mix = RealMix(voice, "nothing", np.inf, False, both, both, 0 * both)
        for tracker, listen in TRACKERS.items():
            totals[tracker] += tally(voice, listen(mix))
    return totals


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--bands", type=int, default=2, choices=range(1, 5), help="to a voice")
    parser.add_argument("--maker", choices=list(MAKERS), default=None, help="of the bands")
    parser.add_argument("--each", action="store_true", help="a line for every mix too")
    options = parser.parse_args()
    maker = options.maker or default_maker()
    print_head(options, maker)
    print_row("voices alone", alone())
    totals: dict[tuple[float, bool], dict[str, Tally]] = {}
    for mix in real_mixes(bands=options.bands, maker=maker):
        row = {tracker: tally(mix.voice, listen(mix)) for tracker, listen in TRACKERS.items()}
        if options.each:
            print_row(mix.name, row)
        place = (mix.lead_db, mix.is_wet)
        before = totals.get(place)
        totals[place] = {t: before[t] + row[t] for t in row} if before else row
    for lead_db in LEVELS_DB:
        for is_wet in (False, True):
            what = f"{lead_db:+.0f} dB, {'wet' if is_wet else 'dry'}"
            print_row(what, totals[lead_db, is_wet])


if __name__ == "__main__":
    main()
