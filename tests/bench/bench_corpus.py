"""How well are phrase endings read from sound? Against the scores of music21's folk tunes.

    python tests/bench/bench_corpus.py [--songs 200] [--jobs 2]

Tunes drawn by a seed, evenly from the collections; sung by an invented voice (`voices.py`) at 96
beats a minute; heard by `retune batch --report`, which is told meter and tempo but neither key nor
phrases. Its table of endings is compared with the score: an ending is found where a heard one
begins within 0.2 s of a printed one. Tunes go by numbers only.
"""

from __future__ import annotations

import argparse
import csv
import subprocess
import sys
import tempfile
from collections import Counter, defaultdict
from pathlib import Path

from corpus_songs import CorpusSong, Ending, choose, key_is_right, matched, write_song

from retune.theory.pitchnames import pitch_class_of

VARIANTS = 'format = 1\n[variants.home]\nrules = ["move phrase-ending degree 2 to degree 1"]\n'
HEADS = ("songs", "key", "endings", "found", "false", "pitch", "degree")


def heard_endings(
    songs: list[CorpusSong], folder: Path, jobs: int
) -> dict[str, list[dict[str, str]]]:
    """The table of endings of `retune batch --report`, by song."""
    files = [str(write_song(song, folder / "songs")) for song in songs]
    (folder / "variants.toml").write_text(VARIANTS, encoding="utf-8")
    words = [*files, "--variants", str(folder / "variants.toml"), "--out", str(folder / "out")]
    words += ["--report", str(folder / "report"), "--jobs", str(jobs)]
    subprocess.run([sys.executable, "-W", "ignore", "-m", "retune", "batch", *words], check=True)
    rows = defaultdict(list)
    with open(folder / "report" / "endings.csv", encoding="utf-8", newline="") as stream:
        for row in csv.DictReader(stream):
            rows[row["song"]].append(row)
    return rows


def judge(song: CorpusSong, rows: list[dict[str, str]]) -> tuple[Counter[str], Counter[str]]:
    """Counts for the table, and what went wrong by kind."""
    pairs = matched(song.endings(), rows)
    right_key = bool(rows) and key_is_right(rows[0]["key"], song)
    found = [(ending, row) for ending, row in pairs if row is not None]
    same_pitch = [is_pitch(ending, row) for ending, row in found]
    same_degree = [row["degree"] == ending.degree for ending, row in found]
    counts = Counter(
        songs=1,
        key=int(right_key),
        endings=len(pairs),
        found=len(found),
        false=len(rows) - len(found),
        pitch=sum(same_pitch),
        degree=sum(same_degree),
    )
    faults: Counter[str] = Counter()
    for pitch, degree in zip(same_pitch, same_degree, strict=True):
        if not pitch:
            faults["another pitch read"] += 1
        elif not degree:
            faults["right pitch, wrong key"] += 1
    if not right_key and rows:
        faults[f"key: {relation(song, rows[0]['key'])}"] += 1
    return counts, faults


def is_pitch(ending: Ending, row: dict[str, str]) -> bool:
    return pitch_class_of(row["note"].rstrip("-0123456789")) == ending.midi % 12


def relation(song: CorpusSong, found: str) -> str:
    """How a wrong key lies to the right one, in words."""
    if not found:
        return "none found"
    tonic, mode = found.split()
    steps = (pitch_class_of(tonic) - song.tune.tonic_pc) % 12
    change = f"{song.key.mode} heard as {mode}"
    known = {0: "same tonic", 7: "a fifth up", 5: "a fifth down", 9: "relative", 3: "relative"}
    return f"{known.get(steps, f'{steps} semitones up')}, {change}"


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--songs", type=int, default=200)
    options.add_argument("--jobs", type=int, default=2)
    given = options.parse_args()
    songs = choose(given.songs)
    with tempfile.TemporaryDirectory() as scratch:
        rows = heard_endings(songs, Path(scratch), given.jobs)
    table: dict[str, Counter[str]] = defaultdict(Counter)
    faults: Counter[str] = Counter()
    for song in songs:
        counts, wrong = judge(song, rows[song.name])
        table[song.kind] += counts
        table["all"] += counts
        faults += wrong
    print(f"{'kind':10s}" + "".join(f"{head:>9s}" for head in HEADS))
    for kind, counts in table.items():
        print(f"{kind:10s}" + "".join(f"{counts[head]:9d}" for head in HEADS))
    whole = table["all"]
    print(f"\nkey right: {whole['key'] / whole['songs']:.0%} of songs")
    print(f"endings found: {whole['found'] / whole['endings']:.0%}, of them")
    print(f"  pitch right: {whole['pitch'] / max(whole['found'], 1):.0%}")
    print(f"  degree right: {whole['degree'] / max(whole['found'], 1):.0%}")
    for what, count in faults.most_common():
        print(f"{count:5d}  {what}")


if __name__ == "__main__":
    main()
