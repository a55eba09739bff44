"""How near does the voice lifted out of a mix lie to the true one? SNR, dB, inside the notes.

    python tests/bench/bench_joined.py               five real voices at 0 dB, dry and in a room
    python tests/bench/bench_joined.py --levels 6,0,-6

The voices and bands of `real_mixes`; the true pitch is given, so that lifting alone is measured.
"ours" lifts by harmonics, "networks" are the published two-stem networks as shipped, "joined" the
mean of both, as the engine does it. That the mean is taken was chosen on mixes of these same
voices, so the figures of "joined" are not of voices held out.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import real_bands
from real_harmony import KINDS
from real_mixes import VOICES, RealMix, make_real_mix
from rooms import RATE_HZ

from retune.carriers.heard import Audio
from retune.repitch.lift import lift_voiced
from retune.repitch.seam import FRAME_S
from retune.separate import estimate_voice

SMALL_FONT = Path("/usr/share/sounds/sf2/TimGM6mb.sf2")
if not real_bands.SOUNDFONT.exists() and SMALL_FONT.exists():
    real_bands.SOUNDFONT = SMALL_FONT
WAYS = ("ours", "networks", "joined")


def snr_db(true: np.ndarray, found: np.ndarray) -> float:
    return float(10 * np.log10(np.sum(true**2) / np.sum((true - found) ** 2)))


def measured(mix: RealMix) -> list[float]:
    """SNR of each of WAYS, where the voice is voiced."""
    voice, sung = mix.voice, np.isfinite(mix.voice.f0_hz)
    time_s = np.arange(int(len(mix.mix) / RATE_HZ / FRAME_S)) * FRAME_S
    near = np.interp(time_s, voice.time_s, sung.astype(float)) > 0.5
    f0_hz = np.interp(time_s, voice.time_s[sung], voice.f0_hz[sung])
    f0_hz = np.where(near, f0_hz, np.nan)
    estimate = estimate_voice(Audio(mix.mix.astype(np.float32), RATE_HZ)).read()
    x = np.asarray(mix.mix.T, float)
    ours = lift_voiced(x, f0_hz, rate_hz=RATE_HZ, reverb=True)
    both = lift_voiced(x, f0_hz, rate_hz=RATE_HZ, reverb=True, estimate=estimate.T)
    inside = np.interp(np.arange(len(mix.mix)) / RATE_HZ, time_s, near.astype(float)) > 0.99
    return [snr_db(mix.lead[inside], y[inside]) for y in (ours.T, estimate, both.T)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--levels", default="0", help="voice re band, dB")
    args = parser.parse_args()
    print(f"{'':24}" + "".join(f"{way:>10}" for way in WAYS))
    for lead_db in map(float, args.levels.split(",")):
        for is_wet in (False, True):
            rows = []
            for k, name in enumerate(VOICES):
                kind = KINDS[k % len(KINDS)]
                mix = make_real_mix(name, kind, lead_db=lead_db, is_wet=is_wet)
                rows.append(measured(mix))
                print(f"  {mix.name:40}", np.round(rows[-1], 1), flush=True)
            what = f"{lead_db:+.0f} dB, {'room' if is_wet else 'dry'}"
            print(f"{what:24}" + "".join(f"{x:10.1f}" for x in np.mean(rows, axis=0)), flush=True)


if __name__ == "__main__":
    main()
