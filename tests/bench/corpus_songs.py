"""Tunes of music21's corpus as songs to be heard: sung by an invented voice, truth beside them."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import essen
import soundfile
import voices

from retune.carriers.heard import Key
from retune.theory.keys import degree_of
from retune.theory.spelling import spell_pitch_class

RATE_HZ = 22_050
START_S = 0.5
BEATS_A_MINUTE = 96.0
SONG = """format = 1
title = "corpus tune {name}"
rights = "sung by a program from a printed melody"
[stems.vocal]
file = "vocal.wav"
role = "melody"
[music]
meter = "{top}/{bottom}"
tempo_bpm = {bpm:.4f}
first_downbeat_s = {downbeat_s:.4f}
"""


@dataclass(frozen=True)
class Ending:
    """The last note of a printed phrase."""

    at_s: float
    midi: int
    degree: str


@dataclass(frozen=True)
class CorpusSong:
    """A tune by its number in the collection, and what the score says of it."""

    name: str
    kind: str
    tune: essen.Tune
    lift: int

    @property
    def beat_s(self) -> float:
        return 60.0 / BEATS_A_MINUTE / self.tune.beat

    @property
    def key(self) -> Key:
        mode = "minor" if self.tune.is_minor else "major"
        return Key(spell_pitch_class(self.tune.tonic_pc), mode)

    def endings(self) -> list[Ending]:
        tune = self.tune
        last = [k for k in range(len(tune.midi)) if k + 1 == len(tune.midi) or tune.starts[k + 1]]
        return [
            Ending(
                START_S + tune.onset[k] * self.beat_s,
                tune.midi[k] + self.lift,
                degree_of(tune.midi[k], self.key),
            )
            for k in last
        ]


def choose(count: int, *, seed: int = 1) -> list[CorpusSong]:
    """`count` tunes of 20 to 60 notes in whole beats or parts of them, as many of each kind of
    collection as there are, drawn by the seed. A kind is the name of the file without number."""
    kinds: dict[str, list[tuple[int, essen.Tune]]] = {}
    for number, tune in enumerate(essen.read_tunes("*.abc")):
        kind = tune.corpus.rstrip("0123456789")
        if 20 <= len(tune.midi) <= 60 and sum(tune.starts) >= 3 and tune.beat in (1.0, 1.5, 2.0):
            kinds.setdefault(kind, []).append((number, tune))
    named = sorted(kind for kind, tunes in kinds.items() if len(tunes) >= 40)
    rng = random.Random(seed)
    drawn = {kind: rng.sample(kinds[kind], 40) for kind in named}
    rounds = [(kind, drawn[kind][k]) for k in range(40) for kind in named]
    return [_song(kind, *numbered) for kind, numbered in rounds[:count]]


def _song(kind: str, number: int, tune: essen.Tune) -> CorpusSong:
    middle = sorted(tune.midi)[len(tune.midi) // 2]
    lift = 12 * round((64 - middle) / 12)
    return CorpusSong(f"{kind}-{number:04d}", kind, tune, lift)


def write_song(song: CorpusSong, folder: Path) -> Path:
    """The tune sung by an invented alto, as a song file whose key and phrases are to be found."""
    home = folder / song.name
    home.mkdir(parents=True)
    seed = int(song.name.rsplit("-", 1)[1])
    sung = voices.sing(voices.SINGERS[2], seed=seed, rate_hz=RATE_HZ, spans=_spans(song, seed))
    soundfile.write(home / "vocal.wav", sung.samples, RATE_HZ, subtype="PCM_16")
    tune = song.tune
    bottom = 8 if tune.beat == 1.5 else round(4 / tune.beat)
    text = SONG.format(
        name=song.name,
        top=round(tune.bar * bottom / 4),
        bottom=bottom,
        bpm=BEATS_A_MINUTE,
        downbeat_s=START_S + tune.first_bar * song.beat_s,
    )
    (home / "song.toml").write_text(text, encoding="utf-8")
    return home / "song.toml"


def _spans(song: CorpusSong, seed: int) -> list[dict[str, object]]:
    """Each note with a vowel, and how it is reached; a breath before each phrase."""
    rng, tune = random.Random(seed), song.tune
    spans: list[dict[str, object]] = []
    for k, midi in enumerate(tune.midi):
        start = START_S + tune.onset[k] * song.beat_s
        stop = start + tune.duration[k] * song.beat_s
        again = k > 0 and tune.midi[k - 1] == midi
        link = rng.choice(("voiced", "unvoiced") if again else ("legato", "voiced", "unvoiced"))
        fresh = tune.starts[k] or k == 0 or tune.onset[k] > tune.onset[k - 1] + tune.duration[k - 1]
        link = "rest" if fresh else link
        if spans and link in ("unvoiced", "rest"):
            gap = 0.09 if link == "unvoiced" else 0.2
            spans[-1]["to"] = min(
                float(str(spans[-1]["to"])), start - min(gap, 0.4 * (stop - start))
            )
        pitch = midi + song.lift + rng.gauss(0, 0.08)
        vowel = rng.choice("aeiou")
        spans.append({"from": start, "to": stop, "midi": pitch, "link": link, "vowel": vowel})
    return spans


def key_is_right(found: str, song: CorpusSong) -> bool:
    return found == str(song.key)


def matched(
    endings: Sequence[Ending], rows: Sequence[dict[str, str]], *, within_s: float = 0.2
) -> list[tuple[Ending, dict[str, str] | None]]:
    """Each printed ending with the heard one that begins where it does, if any."""
    found = []
    for ending in endings:
        near = [r for r in rows if r["at_s"] and abs(float(r["at_s"]) - ending.at_s) <= within_s]
        found.append((ending, near[0] if near else None))
    return found
