"""Are phrase endings right, note and pitch, when folk tunes are sung?

    python tests/bench/bench_endings.py [--tunes 60] [--fit] [--keep FILE]

Tunes of music21's Essen files, drawn by a seed, 96 beats a minute, sung by the five invented
singers of `voices.py` in turn, dry and in a room, phrases parted by breaths of 0.1 to 0.3 s or (one
in four) not at all. The files of odd place in order of their names test (--fit: the even ones, on
which settings may be chosen). An ending is right where a phrase heard ends with a note that begins
within 0.2 s of the printed ending and has its pitch to a quarter tone. `phrases` gives the cuts
alone, from the printed notes. Columns: precision, recall, F1; then what became of the printed
endings that were lost.
"""

from __future__ import annotations

import argparse
import pickle
import random
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import essen
import numpy as np
import voices

from retune.analysis.note_trust import Heard
from retune.analysis.notes import find_notes
from retune.analysis.phrases import find_phrases
from retune.carriers.heard import Audio, Bars

RATE_HZ, START_S, BEATS_A_MINUTE = 22_050, 0.5, 96.0
BREATHLESS = 0.25
NEAR_S, NEAR_SEMITONES = 0.2, 0.5


@dataclass(frozen=True, eq=False)
class Take:
    """A tune as printed (onset, end in s, midi; the positions of its endings), and as heard."""

    room: bool
    bars: Bars
    onset_s: tuple[float, ...]
    end_s: tuple[float, ...]
    midi: tuple[float, ...]
    endings: tuple[int, ...]
    heard: tuple[Heard, ...]


def choose(count: int, *, odd: bool, seed: int = 3) -> list[essen.Tune]:
    """Tunes of 20 to 70 notes and three phrases or more, from the files of odd or even place."""
    tunes = essen.read_tunes("*.abc")
    places = {name: i + 1 for i, name in enumerate(sorted({tune.corpus for tune in tunes}))}
    fitting = []
    for tune in tunes:
        if places[tune.corpus] % 2 != odd:
            continue
        if 20 <= len(tune.midi) <= 70 and sum(tune.starts) >= 3 and tune.beat in (1.0, 1.5, 2.0):
            fitting.append(tune)
    return random.Random(seed).sample(fitting, min(count, len(fitting)))


def bars_of(tune: essen.Tune) -> Bars:
    beat_s = 60.0 / BEATS_A_MINUTE
    quarter_s = beat_s / tune.beat
    first_s = START_S + tune.first_bar * quarter_s
    first_s -= tune.bar * quarter_s * (tune.first_bar >= tune.bar)
    last_s = START_S + (tune.onset[-1] + tune.duration[-1]) * quarter_s
    downbeats = np.arange(first_s, last_s + tune.bar * quarter_s, tune.bar * quarter_s)
    bottom = 8 if tune.beat == 1.5 else round(4 / tune.beat)
    meter = (round(tune.bar * bottom / 4), bottom)
    return Bars(tuple(downbeats.tolist()), meter, BEATS_A_MINUTE)


def take(tune: essen.Tune, number: int) -> Take:
    """One tune sung and heard."""
    from retune.track import track_pitch

    singer, rng = voices.SINGERS[number % 5], random.Random(number)
    lift = 12 * round((singer.low_midi + 6 - float(np.median(tune.midi))) / 12)
    beat_s = 60.0 / BEATS_A_MINUTE / tune.beat
    spans: list[dict[str, object]] = []
    for k, midi in enumerate(tune.midi):
        start = START_S + tune.onset[k] * beat_s
        stop = start + tune.duration[k] * beat_s
        again = k > 0 and tune.midi[k - 1] == midi
        link = rng.choice(("voiced", "unvoiced") if again else ("legato", "voiced", "unvoiced"))
        silent = k > 0 and tune.onset[k] > tune.onset[k - 1] + tune.duration[k - 1] + 1e-6
        breathes = tune.starts[k] and rng.random() >= BREATHLESS
        link = "rest" if silent or k == 0 or breathes else link
        if spans and link in ("unvoiced", "rest"):
            gap = 0.09 if link == "unvoiced" else rng.uniform(0.1, 0.3)
            last = float(str(spans[-1]["to"])) - float(str(spans[-1]["from"]))
            spans[-1]["to"] = min(float(str(spans[-1]["to"])), start) - min(gap, 0.4 * last)
        vowel, pitch = rng.choice("aeiou"), midi + lift + rng.gauss(0, 0.08)
        spans.append({"from": start, "to": stop, "midi": pitch, "link": link, "vowel": vowel})
    sung = voices.sing(singer, seed=number, rate_hz=RATE_HZ, spans=spans)
    room = number // 5 % 2 == 1
    sung = voices.with_room(sung) if room else sung
    audio = Audio(sung.samples.astype(np.float32), RATE_HZ)
    last = [k for k in range(len(tune.midi)) if k + 1 == len(tune.midi) or tune.starts[k + 1]]
    return Take(
        room,
        bars_of(tune),
        tuple(float(str(s["from"])) for s in spans),
        tuple(float(str(s["to"])) for s in spans),
        tuple(float(m + lift) for m in tune.midi),
        tuple(last),
        find_notes(track_pitch(audio, fmin_hz=65.0, fmax_hz=1200.0), audio),
    )


NO_BARS = Bars((), (4, 4), BEATS_A_MINUTE, "estimated")


def endings(
    onset_s: Sequence[float], end_s: Sequence[float], midi: Sequence[float], bars: Bars
) -> list[int]:
    return [p.last for p in find_phrases(onset_s, end_s, midi, bars=bars)]


def judge(given: Take, *, bars: Bars, by_score: bool) -> Counter[str]:
    """Printed endings, heard ones, right ones, and what became of the rest."""
    if by_score:
        rows = list(zip(given.onset_s, given.midi, strict=True))
        cuts = endings(given.onset_s, given.end_s, given.midi, bars)
    else:
        rows = [(n.start_s, n.midi) for n in given.heard]
        cuts = endings(
            [n.start_s for n in given.heard],
            [n.end_s for n in given.heard],
            [n.midi for n in given.heard],
            bars,
        )
    found: Counter[str] = Counter(printed=len(given.endings), heard=len(cuts))
    for k in given.endings:
        at_s, midi = given.onset_s[k], given.midi[k]
        near = [i for i, row in enumerate(rows) if abs(row[0] - at_s) <= NEAR_S]
        same = [i for i in near if abs(rows[i][1] - midi) <= NEAR_SEMITONES]
        if any(i in cuts for i in same):
            found["right"] += 1
        elif not same:
            found["note not heard" if not near else "another pitch"] += 1
        else:
            found["not heard as an ending"] += 1
    return found


def show(name: str, counts: Counter[str]) -> None:
    precision = counts["right"] / max(counts["heard"], 1)
    recall = counts["right"] / max(counts["printed"], 1)
    both = 2 * precision * recall / max(precision + recall, 1e-9)
    lost = {k: n for k, n in counts.items() if k not in ("right", "heard", "printed")}
    print(f"{name:22s}{precision:6.3f}{recall:7.3f}{both:7.3f}  of {counts['printed']}: {lost}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("--tunes", type=int, default=60)
    parser.add_argument("--fit", action="store_true", help="files of even number")
    parser.add_argument("--keep", default="", help="keep what was heard in this file, or read it")
    args = parser.parse_args()
    if args.keep and Path(args.keep).exists():
        takes = pickle.loads(Path(args.keep).read_bytes())
    else:
        takes = [take(t, n) for n, t in enumerate(choose(args.tunes, odd=not args.fit))]
        if args.keep:
            Path(args.keep).write_bytes(pickle.dumps(takes))
    print(f"{len(takes)} tunes")
    for known in (True, False):
        word = "bars" if known else "no bars"
        for room in (False, True):
            part = [t for t in takes if t.room == room]
            show(f"{word}, {'room' if room else 'dry'}", _sum(part, known, by_score=False))
        show(f"{word}, phrases", _sum(takes, known, by_score=True))


def _sum(takes: Sequence[Take], known: bool, *, by_score: bool) -> Counter[str]:
    total: Counter[str] = Counter()
    for one in takes:
        total += judge(one, bars=one.bars if known else NO_BARS, by_score=by_score)
    return total


if __name__ == "__main__":
    main()
