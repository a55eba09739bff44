"""Are notes drawn where nobody sings, and those that are sung found? Whole finished songs.

    python tests/bench/bench_finished.py                    five voices, 0 dB, dry and in a room
    python tests/bench/bench_finished.py --levels 6,0,-6
    python tests/bench/bench_finished.py --voices clip12 --seeds 1

The songs of `finished_songs`: intro, break and outro without singer, odd seeds with a solo there;
no guide. "nobody" is the share of the notes drawn that have no sung note under at least half of
them, "undoubted" the share of all notes drawn that are such and not in doubt. "found" is the share
of the sung notes drawn: covered over at least half of their time by notes within 50 cents.
"undoubted found" counts those without doubt alone. The constants of `analysis.guided` were chosen
among several splits of these five singers, so no figure here is of a singer never seen.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import soundfile
from finished_songs import finished_songs
from real_mixes import VOICES, RealMix
from rooms import RATE_HZ

import retune
from retune.carriers.heard import Note

WITHIN_CENTS = 50.0
COLUMNS = ("drawn", "nobody", "undoubted", "sung", "found", "undoubted found")


def drawn(mix: RealMix, folder: Path) -> Sequence[Note]:
    """The notes of the song without a guide, as a song file of one mix gives them."""
    soundfile.write(folder / "song.wav", mix.mix, RATE_HZ, subtype="PCM_24")
    (folder / "song.toml").write_text(
        'format = 1\ntitle = "finished"\n[stems.all]\nfile = "song.wav"\nrole = "mix"\n'
    )
    return retune.open(folder / "song.toml").analysis.stems["all"].notes


def overlap_s(a: Note, start_s: float, end_s: float) -> float:
    return max(min(a.end_s, end_s) - max(a.start_s, start_s), 0.0)


def counts(mix: RealMix, notes: Sequence[Note]) -> np.ndarray:
    """How many of each of COLUMNS."""
    sung = mix.voice.notes

    def is_nobodys(note: Note) -> bool:
        under = sum(overlap_s(note, s.start_s, s.end_s) for s in sung)
        return under < 0.5 * (note.end_s - note.start_s)

    def is_found(start_s: float, end_s: float, midi: float, among: Sequence[Note]) -> bool:
        right = (n for n in among if abs(n.pitch_midi - midi) <= WITHIN_CENTS / 100)
        return sum(overlap_s(n, start_s, end_s) for n in right) >= 0.5 * (end_s - start_s)

    sure = [note for note in notes if not note.is_doubtful]
    hits = [[is_found(s.start_s, s.end_s, s.midi, among) for s in sung] for among in (notes, sure)]
    nobodys = [sum(map(is_nobodys, among)) for among in (notes, sure)]
    return np.array([len(notes), *nobodys, len(sung), *map(sum, hits)])


def line(name: str, row: np.ndarray) -> str:
    n, nobody, unsure, sung, found, sure = row
    shares = (n, 100 * nobody / max(n, 1), 100 * unsure / max(n, 1)), (
        sung, 100 * found / max(sung, 1), 100 * sure / max(sung, 1),
    )  # fmt: skip
    return f"{name:24}" + "".join(f"{a:7d}{b:9.1f}{c:12.1f}" for a, b, c in shares)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--levels", default="0", help="voice re band, dB")
    parser.add_argument("--voices", default=",".join(VOICES))
    parser.add_argument("--seeds", default="0,1")
    args = parser.parse_args()
    print(f"{'':24}  drawn nobody % undoubted %   sung  found % undoubted %")
    total = np.zeros(len(COLUMNS), dtype=int)
    for mix in finished_songs(
        tuple(args.voices.split(",")),
        seeds=tuple(map(int, args.seeds.split(","))),
        levels=tuple(map(float, args.levels.split(","))),
    ):
        with tempfile.TemporaryDirectory() as folder:
            row = counts(mix, drawn(mix, Path(folder)))
        total += row
        place = "room" if mix.is_wet else "dry"
        print(line(f"{mix.voice.name} {mix.kind} {mix.lead_db:+.0f} {place}", row), flush=True)
    print(line("all", total))


if __name__ == "__main__":
    main()
