"""Fit how `retune.analysis.singer` tells notes that are sung from notes that are played.

    python tests/bench/fit_singer.py                          five voices, four bands each, 13 min
    python tests/bench/fit_singer.py --seeds 0 --levels 0

The notes heard without a guide in the songs of `finished_songs`; one is sung where a sung note lies
under at least half of it, or the voice alone is voiced for at least half of its time. Printed: how
many of the sung notes are kept where 3, 5 and 8 % of the kept ones are played, each voice judged by
what was fitted on the others; then the constants, from all five.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from bench_finished import is_nobodys
from finished_songs import finished_songs
from real_mixes import VOICES, RealMix
from rooms import RATE_HZ
from sklearn.linear_model import LogisticRegression

import retune.analysis.singer as singer
from retune import open as open_song
from retune.analysis import guided
from retune.analysis.note_trust import Heard

Floats = np.ndarray
SHARES = (0.03, 0.05, 0.08)


@dataclass(frozen=True, eq=False)
class Song:
    """The notes heard in one mix, what each shows (n_notes, 4) and whether it is sung."""

    voice: str
    heard: Sequence[Heard]
    shown: Floats
    is_sung: Floats


def song_of(mix: RealMix) -> Song:
    """What is heard before any note is left out, by a run of the whole way with its judge asked."""
    asked = []

    def ask(heard, track, singing, *, is_told):
        if singing is not None and heard:
            asked.append((heard, singer.evidence(heard, track, singing)))
        return tuple(heard)

    usual, guided.with_singer = guided.with_singer, ask
    try:
        with tempfile.TemporaryDirectory() as folder:
            soundfile.write(Path(folder) / "song.wav", mix.mix, RATE_HZ, subtype="PCM_24")
            (Path(folder) / "song.toml").write_text(
                'format = 1\ntitle = "finished"\n[stems.all]\nfile = "song.wav"\nrole = "mix"\n'
            )
            open_song(Path(folder) / "song.toml", use_cache=False).analysis  # noqa: B018
    finally:
        guided.with_singer = usual
    heard, shown = asked[0] if asked else ((), np.zeros((0, 4)))
    return Song(mix.voice.name, heard, shown, np.array([not is_nobodys(mix, n) for n in heard]))


def fitted(shown: Sequence[Floats], is_sung: Sequence[Floats]) -> Floats:
    """Weights, the constant last."""
    model = LogisticRegression(max_iter=1000).fit(np.vstack(shown), np.concatenate(is_sung))
    return np.append(model.coef_[0], model.intercept_)


def beside(song: Song, alone: Floats) -> Floats:
    """The odds of each note by itself, and what the notes near it say (n_notes, 2)."""
    odds = song.shown @ alone[:-1] + alone[-1]
    return np.column_stack([odds, singer.said_near(song.heard, odds)])


def both(songs: Sequence[Song]) -> tuple[Floats, Floats]:
    """`ALONE` and `BESIDE`."""
    is_sung = [song.is_sung for song in songs]
    alone = fitted([song.shown for song in songs], is_sung)
    return alone, fitted([beside(song, alone) for song in songs], is_sung)


def held_out(songs: Sequence[Song]) -> tuple[Floats, Floats]:
    """Odds of every note by what was fitted on the other voices, and whether it is sung."""
    odds, is_sung = [], []
    for voice in {song.voice for song in songs}:
        alone, near = both([song for song in songs if song.voice != voice])
        for song in (song for song in songs if song.voice == voice):
            odds.append(beside(song, alone) @ near[:-1] + near[-1])
            is_sung.append(song.is_sung)
    return np.concatenate(odds), np.concatenate(is_sung)


def kept(odds: Floats, is_sung: Floats, share: float) -> tuple[float, float]:
    """Share of the sung notes kept where at most `share` of the kept ones are played, and the
    probability from which on they are."""
    order = np.argsort(-odds)
    played = np.cumsum(~is_sung[order]) / np.arange(1, len(order) + 1)
    last = int(np.flatnonzero(played <= share)[-1])
    return is_sung[order][: last + 1].mean() * (last + 1) / is_sung.sum(), float(
        1 / (1 + np.exp(-odds[order][last]))
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--levels", default="6,0,-6", help="voice re band, dB")
    parser.add_argument("--seeds", default="0,1,2,3")
    args = parser.parse_args()
    seeds, levels = (
        tuple(map(kind, text.split(",")))
        for kind, text in ((int, args.seeds), (float, args.levels))
    )
    heard = map(song_of, finished_songs(VOICES, seeds=seeds, levels=levels))
    songs = [song for song in heard if len(song.heard)]
    odds, is_sung = held_out(songs)
    print(f"{len(is_sung)} notes, {100 * is_sung.mean():.1f} % sung")
    for share in SHARES:
        part, chance = kept(odds, is_sung, share)
        print(f"{100 * share:.0f} % played: {100 * part:.1f} % of the sung kept, from {chance:.2f}")
    alone, near = both(songs)
    print("ALONE =", tuple(alone.round(2).tolist()))
    print("BESIDE =", tuple(near.round(2).tolist()))


if __name__ == "__main__":
    main()
