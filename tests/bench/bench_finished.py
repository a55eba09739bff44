"""Are notes drawn where nobody sings, and those that are sung found? Whole finished songs.

    python tests/bench/bench_finished.py                    five voices, 0 dB, dry and in a room
    python tests/bench/bench_finished.py --levels 6,0,-6
    python tests/bench/bench_finished.py --voices clip12 --seeds 1

The songs of `finished_songs`: intro, break and outro without singer, odd seeds with a solo there;
no guide. "nobody" is the share of the notes drawn that have no sung note under at least half of
them and where the voice alone is not voiced for half of their time, "undoubted" the share of all
notes drawn that are such and not in doubt. "found" is the share of the sung notes drawn: covered
over at least half of their time by notes within 50 cents. "undoubted found" counts those without
doubt alone. Of the sung notes those count that are beyond doubt in the voice alone; --all counts
the scoops and the brushed ones too. The constants of `analysis.singer` were fitted on these
singers, but `fit_singer.py` prints what each one gets by those fitted on the others.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile
from finished_songs import finished_songs
from real_mixes import VOICES, RealMix
from rooms import RATE_HZ

import retune
from retune.analysis.note_trust import Heard
from retune.carriers.heard import Note, PitchTrack
from retune.carriers.units import hz_to_midi

WITHIN_CENTS = 50.0
LEAST_FRAMES = 3  # of 10 ms that count
COLUMNS = ("drawn", "nobody", "undoubted", "sung", "found", "undoubted found")


def drawn(mix: RealMix, folder: Path) -> Sequence[Note]:
    """The notes of the song without a guide, as a song file of one mix gives them, but at the pitch
    that is heard: the singer's own tuning is not taken out."""
    soundfile.write(folder / "song.wav", mix.mix, RATE_HZ, subtype="PCM_24")
    (folder / "song.toml").write_text(
        'format = 1\ntitle = "finished"\n[stems.all]\nfile = "song.wav"\nrole = "mix"\n'
    )
    stem = retune.open(folder / "song.toml").analysis.stems["all"]
    return [replace(note, pitch_midi=heard_midi(stem.track, note)) for note in stem.notes]


def heard_midi(track: PitchTrack, note: Note) -> float:
    """The middle pitch of a note's line, MIDI number at A4 = 440 Hz."""
    line = track.f0_hz[(track.time_s >= note.start_s) & (track.time_s < note.end_s)]
    line = line[np.isfinite(line)]
    return float(hz_to_midi(np.median(line))) if len(line) else note.pitch_midi


def overlap_s(a: Note | Heard, start_s: float, end_s: float) -> float:
    return max(min(a.end_s, end_s) - max(a.start_s, start_s), 0.0)


def is_nobodys(mix: RealMix, note: Note | Heard) -> bool:
    """Whether nobody sings where a note is drawn."""
    under = sum(overlap_s(note, s.start_s, s.end_s) for s in mix.voice.notes)
    if under >= 0.5 * (note.end_s - note.start_s):
        return False
    time_s, f0_hz = mix.voice.time_s, mix.voice.f0_hz
    line = f0_hz[(time_s >= note.start_s) & (time_s < note.end_s)]
    return len(line) < LEAST_FRAMES or float(np.isfinite(line).mean()) < 0.5


def counts(mix: RealMix, notes: Sequence[Note], *, is_all: bool = False) -> np.ndarray:
    """How many of each of COLUMNS."""
    sung = [note for note in mix.voice.notes if is_all or not note.doubt]

    def is_found(start_s: float, end_s: float, midi: float, among: Sequence[Note]) -> bool:
        right = (n for n in among if abs(n.pitch_midi - midi) <= WITHIN_CENTS / 100)
        return sum(overlap_s(n, start_s, end_s) for n in right) >= 0.5 * (end_s - start_s)

    sure = [note for note in notes if not note.is_doubtful]
    hits = [[is_found(s.start_s, s.end_s, s.midi, among) for s in sung] for among in (notes, sure)]
    nobodys = [sum(is_nobodys(mix, note) for note in among) for among in (notes, sure)]
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
    parser.add_argument("--all", action="store_true", help="count doubtful sung notes too")
    args = parser.parse_args()
    print(f"{'':24}  drawn nobody % undoubted %   sung  found % undoubted %")
    total = np.zeros(len(COLUMNS), dtype=int)
    for mix in finished_songs(
        tuple(args.voices.split(",")),
        seeds=tuple(map(int, args.seeds.split(","))),
        levels=tuple(map(float, args.levels.split(","))),
    ):
        with tempfile.TemporaryDirectory() as folder:
            row = counts(mix, drawn(mix, Path(folder)), is_all=args.all)
        total += row
        place = "room" if mix.is_wet else "dry"
        print(line(f"{mix.voice.name} {mix.kind} {mix.lead_db:+.0f} {place}", row), flush=True)
    print(line("all", total))


if __name__ == "__main__":
    main()
