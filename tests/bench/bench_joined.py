"""How near does the voice lifted out of a mix lie to the true one? SNR, dB, inside the notes.

    python tests/bench/bench_joined.py               0 and -6 dB, dry and in a room, a mean each
    python tests/bench/bench_joined.py --levels 6 --each

The voices of `real_mixes` that nothing was fitted on, over every band; the true pitch is given, so
that lifting alone is measured. "ours" lifts by harmonics, "networks" are the published two-stem
networks as shipped, "mean" the plain mean of both, "joined" what the engine makes of both, "oracle"
the mix through the mask of the true powers, which no mask betters by much.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import real_bands
from real_harmony import KINDS
from real_mixes import RealMix, make_real_mix
from rooms import RATE_HZ
from scipy.fft import irfft

from retune.carriers.heard import Audio
from retune.repitch.frames import frames_of, hann, laid_over
from retune.repitch.lift import left_and_right, lift_voiced, mid_and_side
from retune.repitch.lift_join import joined
from retune.repitch.seam import FRAME_S
from retune.separate import estimate_voice

SMALL_FONT = Path("/usr/share/sounds/sf2/TimGM6mb.sf2")
if not real_bands.SOUNDFONT.exists() and SMALL_FONT.exists():
    real_bands.SOUNDFONT = SMALL_FONT
WAYS = ("ours", "networks", "mean", "joined", "oracle")
TAUGHT = ("clip10", "singing-female")  # what fit_join.py fits on
VOICES = ("clip12", "clip14", "male-phrase")


def snr_db(true: np.ndarray, found: np.ndarray) -> float:
    return float(10 * np.log10(np.sum(true**2) / np.sum((true - found) ** 2)))


@dataclass(frozen=True, eq=False)
class Sounds:
    """A mix, its voice, that voice lifted and estimated, all (n, 2), and where it counts, (n,)."""

    mix: np.ndarray
    voice: np.ndarray
    lifted: np.ndarray
    estimate: np.ndarray
    inside: np.ndarray


def sounds_of(mix: RealMix) -> Sounds:
    voice, sung = mix.voice, np.isfinite(mix.voice.f0_hz)
    time_s = np.arange(int(len(mix.mix) / RATE_HZ / FRAME_S)) * FRAME_S
    near = np.interp(time_s, voice.time_s, sung.astype(float)) > 0.5
    f0_hz = np.interp(time_s, voice.time_s[sung], voice.f0_hz[sung])
    f0_hz = np.where(near, f0_hz, np.nan)
    estimate = estimate_voice(Audio(mix.mix.astype(np.float32), RATE_HZ)).read()
    lifted = lift_voiced(np.asarray(mix.mix.T, float), f0_hz, rate_hz=RATE_HZ, reverb=True).T
    inside = np.interp(np.arange(len(mix.mix)) / RATE_HZ, time_s, near.astype(float)) > 0.99
    return Sounds(mix.mix, mix.lead, lifted, estimate, inside)


def oracle(mix: np.ndarray, voice: np.ndarray) -> np.ndarray:
    size, hops = 4096, 4
    whole, true = (frames_of(x.T, size=size, hops=hops) for x in (mix, voice))
    band = np.abs(whole - true) ** 2
    share = np.abs(true) ** 2 / (np.abs(true) ** 2 + band + 1e-20)
    made = irfft(share * whole, n=size, axis=2) * hann(size) / 1.5
    return laid_over(made, hops=hops, length=len(mix)).T


def measured(mix: RealMix) -> list[float]:
    """SNR of each of WAYS, where the voice is voiced."""
    sounds = sounds_of(mix)
    parts = (sounds.mix, sounds.lifted, sounds.estimate)
    pairs = (mid_and_side(np.asarray(y.T, float)) for y in parts)
    both = left_and_right(joined(*pairs, rate_hz=RATE_HZ)).T
    mean = (sounds.lifted + sounds.estimate) / 2
    ways = (sounds.lifted, sounds.estimate, mean, both, oracle(sounds.mix, sounds.voice))
    return [snr_db(sounds.voice[sounds.inside], y[sounds.inside]) for y in ways]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--levels", default="0,-6", help="voice re band, dB")
    parser.add_argument("--voices", default=",".join(VOICES))
    parser.add_argument("--kinds", default=",".join(KINDS), help="of band")
    parser.add_argument("--each", action="store_true", help="a line for every mix too")
    args = parser.parse_args()
    names, kinds = args.voices.split(","), args.kinds.split(",")
    print(f"{'voice re band':16}" + "".join(f"{way:>10}" for way in WAYS))
    for lead_db in map(float, args.levels.split(",")):
        for is_wet in (False, True):
            rows = []
            for name in names:
                for kind in kinds:
                    mix = make_real_mix(name, kind, lead_db=lead_db, is_wet=is_wet)
                    rows.append(measured(mix))
                    if args.each:
                        print(f"  {mix.name:40}", np.round(rows[-1], 1), flush=True)
            what = f"{lead_db:+.0f} dB, {'room' if is_wet else 'dry'}"
            print(f"{what:16}" + "".join(f"{x:10.1f}" for x in np.mean(rows, axis=0)), flush=True)


if __name__ == "__main__":
    main()
