"""Is a second voice told where one sings along, and only there? Notes of whole mixes, heard anew.

    python tests/bench/bench_second.py                  0 and -6 dB, dry and in a room
    python tests/bench/bench_second.py --levels 0 --kinds piano

Three voices of `real_mixes` over bands; the threshold was chosen with eight seconds of each, and of
two more, in sight, so that none of them is held out. Alone, and with
a second voice: the same singer a third above or a sixth below, rendered by WORLD, 30 ms later, 4 dB
softer and to the right. "told" is the share of the notes drawn that say so. Needs pyworld.
"""

from __future__ import annotations

import argparse
import tempfile
from functools import cache
from pathlib import Path

import numpy as np
import pyworld
import soundfile
from finished_songs import HELD_OUT as VOICES
from real_harmony import KINDS
from real_mixes import RealMix, make_real_mix, real_voice
from rooms import RATE_HZ, in_room, panned

import retune
from retune.carriers.heard import SECOND_VOICE

SECOND = {"alone": None, "a third above": 4.0, "a sixth below": -9.0}
LATE_S, SOFTER_DB, SIDE = 0.03, 4.0, 0.3


@cache
def second(name: str, semitones: float) -> np.ndarray:
    """The voice again, so far away, as loud, (n,)."""
    voice = np.asarray(real_voice(name).samples, float)
    rough, time_s = pyworld.dio(voice, RATE_HZ)
    f0_hz = pyworld.stonemask(voice, rough, time_s, RATE_HZ)
    envelope = pyworld.cheaptrick(voice, f0_hz, time_s, RATE_HZ)
    noise = pyworld.d4c(voice, f0_hz, time_s, RATE_HZ)
    sung = pyworld.synthesize(f0_hz * 2 ** (semitones / 12), envelope, noise, RATE_HZ)
    late = np.pad(sung, (round(LATE_S * RATE_HZ), len(voice)))[: len(voice)]
    return np.asarray(late * np.sqrt(np.mean(voice**2) / np.mean(late**2)))


def with_second(mix: RealMix, semitones: float | None) -> np.ndarray:
    """The mix, (n, 2), with a second voice in the same room."""
    if semitones is None:
        return mix.mix
    other = panned(np.sqrt(2) * second(mix.voice.name, semitones), SIDE)
    if mix.is_wet:
        other = in_room(other, np.random.default_rng(3), rt60_s=0.8, wet_db=-10, low_hz=5000)
    sung = np.abs(mix.voice.samples) > 0.02
    gain = np.sqrt(np.mean(mix.lead[sung] ** 2) / np.mean(other[sung] ** 2))
    both = mix.mix + gain * 10 ** (-SOFTER_DB / 20) * other
    return np.asarray(0.7 / np.abs(both).max() * both)


def told(samples: np.ndarray) -> tuple[int, int]:
    """How many notes are drawn, and how many of them beside a second voice."""
    with tempfile.TemporaryDirectory() as folder:
        soundfile.write(Path(folder) / "song.wav", samples, RATE_HZ, subtype="PCM_24")
        song = Path(folder) / "song.toml"
        song.write_text('format = 1\ntitle = "two"\n[stems.all]\nfile = "song.wav"\nrole = "mix"\n')
        notes = retune.open(song).analysis.stems["all"].notes
    return len(notes), sum(note.doubt == SECOND_VOICE for note in notes)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--levels", default="0,-6", help="voice re band, dB")
    parser.add_argument("--kinds", default=",".join(KINDS[:2]), help="of band")
    parser.add_argument("--voices", default=",".join(VOICES))
    args = parser.parse_args()
    print(f"{'voice re band':16}" + "".join(f"{what:>24}" for what in SECOND))
    for lead_db in map(float, args.levels.split(",")):
        for is_wet in (False, True):
            total = np.zeros((len(SECOND), 2), int)
            for name in args.voices.split(","):
                for kind in args.kinds.split(","):
                    mix = make_real_mix(name, kind, lead_db=lead_db, is_wet=is_wet)
                    total += [told(with_second(mix, far)) for far in SECOND.values()]
            shares = [f"{n:6d} notes, {100 * t / max(n, 1):3.0f} % told" for n, t in total]
            what = f"{lead_db:+.0f} dB, {'room' if is_wet else 'dry'}"
            print(f"{what:16}" + "".join(f"{share:>24}" for share in shares), flush=True)


if __name__ == "__main__":
    main()
