"""Ten songs of ten kinds, opened with nothing told: how many bars and keys are to be put right?

    python tests/bench/bench_ten.py [--first 3] [--takes 3] [--only waltz]

Each kind played with another tune in another tempo in each take (`--first` is the first; the tempi
come round again after five, the tunes do not). Bars are right where tempo (4 %), meter and
downbeats (F of .8 within 70 ms) are; what is wrong is one press away where a rival that is heard,
or one that the workbench offers by reckoning (twice, half, other beats a bar, later beats), is
right.
The kinds and their tempi are common practice, no source.
"""

from __future__ import annotations

import argparse
import itertools
import random
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import fit_songs
import numpy as np
import soundfile
import time_songs
from bench_moving import _twice, rubato
from bench_time import f_measure
from numpy.typing import NDArray
from real_harmony import HAT, KICK, SNARE
from rooms import in_room
from time_scores import SHARP_NAMES, Piece, Span, Tone, _essen, harmonized
from time_songs import SONG, Swing, Truth, drifting, make

import retune
from retune.carriers.heard import Bars, Key
from retune.theory.keys import tonic_pc

Floats = NDArray[np.float64]
SAME_TEMPO, SAME_DOWNBEATS = 0.04, 0.8
Parts = dict[str, list[Tone]]


def song(
    kind: str, meter: tuple[int, int], bpm: float, take: int, band: Callable[[Piece], Parts],
    *, is_picked_up: bool | None = None,
) -> Piece:  # fmt: skip
    """A folk tune over a plain harmony with a band of its kind."""
    tunes = _essen(meter, 60, seed=91)
    fitting = [t for t in tunes if is_picked_up is None or (t.first_bar > 0) == is_picked_up]
    tune = replace(fitting[take], kind=kind, name=f"{kind}-{take}")
    return with_band(replace(tune, chords=harmonized(tune)), bpm, band)


def with_band(piece: Piece, bpm: float, band: Callable[[Piece], Parts]) -> Piece:
    time_songs.TEMPI[(piece.kind, piece.meter)] = (bpm, bpm)
    return replace(piece, parts={**piece.parts, **band(piece)})


# --- bands --------------------------------------------------------------------------------------


def spread(piece: Piece) -> Iterator[tuple[float, float, int, list[int], int]]:
    """Each beat of the bars: onset, length, bass, three or four tones, which beat of the bar."""
    for span in time_songs._by_bars(piece):
        classes = time_songs._classes(*span.label.split(":"))
        low = next(m for m in range(36, 48) if m % 12 == classes[0])
        tones = [m for m in range(52, 68) if m % 12 in classes][:4]
        for at in np.arange(span.onset, span.end - 1e-6, piece.beat):
            beat = round(((at - piece.first_bar) % piece.bar) / piece.beat)
            yield float(at), min(piece.beat, span.end - at), low, tones, beat


def oom_pah(piece: Piece) -> Parts:
    """Bass on the first beat, chords on the others, and drums."""
    parts: Parts = {"bass": [], "backing": [], "drums": fit_songs._light_drums(piece)}
    for at, length, low, tones, beat in spread(piece):
        if beat == 0:
            parts["bass"].append(Tone(at, length, low))
        else:
            parts["backing"] += [Tone(at, 0.6 * length, m) for m in tones]
    return parts


def hymn(piece: Piece) -> Parts:
    """Four voices, a chord on every beat."""
    parts: Parts = {"bass": [], "backing": []}
    for at, length, low, tones, beat in spread(piece):
        parts["bass"].append(Tone(at, length, low + (12 if beat % 2 else 0)))
        parts["backing"] += [Tone(at, length, m) for m in tones[:2]]
    return parts


def held(piece: Piece) -> Parts:
    """Chords held for a bar."""
    parts: Parts = {"bass": [], "backing": []}
    for span in time_songs._by_bars(piece):
        classes = time_songs._classes(*span.label.split(":"))
        length = span.end - span.onset
        low = next(m for m in range(36, 48) if m % 12 == classes[0])
        parts["bass"].append(Tone(span.onset, length, low))
        parts["backing"] += [
            Tone(span.onset, length, m) for m in [m for m in range(52, 68) if m % 12 in classes][:4]
        ]
    return parts


def polka(piece: Piece) -> Parts:
    """Bass on the beats, chords between them, and drums alike."""
    parts: Parts = {"bass": [], "backing": [], "drums": []}
    for at, length, low, tones, beat in spread(piece):
        parts["bass"].append(Tone(at, length / 2, low + (7 if beat % 2 and low < 43 else 0)))
        parts["backing"] += [Tone(at + length / 2, 0.4 * length, m) for m in tones]
        parts["drums"] += [Tone(at, 0.2, KICK), Tone(at + length / 2, 0.1, SNARE)]
    return parts


def broken(piece: Piece) -> Parts:
    """The chord's tones one after the other, in eighths."""
    parts: Parts = {"bass": [], "backing": []}
    for at, length, low, tones, beat in spread(piece):
        if beat % 2 == 0:
            parts["bass"].append(Tone(at, 2 * length, low))
        for j in range(2):
            note = tones[(2 * beat + j) % len(tones)]
            parts["backing"].append(Tone(at + j * length / 2, 1.3 * length / 2, note))
    return parts


def shuffle(piece: Piece) -> Parts:
    """A walking bass, chords held, snare on two and four, hats in long and short."""
    parts: Parts = {"bass": [], "backing": [], "drums": []}
    for at, length, low, tones, beat in spread(piece):
        steps = (0, 4, 7, 9)
        parts["bass"].append(Tone(at, 0.9 * length, low + steps[beat % 4]))
        if beat == 0:
            parts["backing"] += [Tone(at, 3 * length, m) for m in tones]
        hit = SNARE if beat % 2 else KICK
        parts["drums"] += [Tone(at, 0.2, hit), Tone(at, 0.1, HAT), Tone(at + 2 / 3, 0.1, HAT)]
    return parts


def rock(piece: Piece) -> Parts:
    return {**hymn(piece), "drums": fit_songs._backbeat(piece)}


def guitars(piece: Piece) -> Parts:
    return {"backing": broken(piece)["backing"]}


# --- tunes of their own -------------------------------------------------------------------------


def blues(take: int) -> Piece:
    """Twelve bars, three times, a riff in swung eighths over seventh chords."""
    rng, tonic = random.Random(take), (9, 7, 4, 0, 5)[take % 5]
    roots = [0, 0, 0, 0, 5, 5, 0, 0, 7, 5, 0, 7]
    chords, melody = [], []
    for k, root in enumerate(roots * 3):
        label = f"{SHARP_NAMES[(tonic + root) % 12]}:7"
        chords.append(Span(4.0 * k, 4.0 * k + 4, label))
        if k % 4 == 3:
            melody.append(Tone(4.0 * k, 3.0, 60 + tonic % 12))
            continue
        for at in (0, 0.5, 1, 1.5, 2, 2.5, 3):
            if at in (0, 2) or rng.random() < 0.7:
                step = rng.choice((0, 3, 4, 7, 9, 10))
                melody.append(Tone(4.0 * k + at, 0.5, 60 + tonic % 12 + step))
    chords[-1] = replace(chords[-1], label=chords[0].label)
    melody = [fit_songs._swung(t) for t in melody]
    piece = Piece(
        f"blues-{take}", "blues", {"vocal": melody}, (4, 4), 0.0, tonic, False, chords
    )  # fmt: skip
    return with_band(piece, 96.0 + 8 * (take % 5), shuffle)


def dorian(take: int) -> Piece:
    """Sixteen bars about D over i and IV, with the raised sixth, ending at home."""
    rng, tonic = random.Random(50 + take), (2, 7, 9, 4)[take % 4]
    scale, degrees = (0, 2, 3, 5, 7, 9, 10), [0, 3, 0, 6, 0, 3, 6, 0] * 2
    kinds = {0: "min", 3: "maj", 6: "maj"}
    chords, melody, place = [], [], 4
    for bar, degree in enumerate(degrees):
        root = (tonic + scale[degree]) % 12
        chords.append(Span(4.0 * bar, 4.0 * bar + 4, f"{SHARP_NAMES[root]}:{kinds[degree]}"))
        tones = {(degree + s) % 7 for s in (0, 2, 4)}
        lengths = rng.choice(((1, 1, 1, 1), (2, 1, 1), (1.5, 0.5, 1, 1), (1, 0.5, 0.5, 2)))
        at = 4.0 * bar
        if bar % 8 == 7:
            lengths, place = (4,), 0 if bar > 8 else 4
        for k, length in enumerate(lengths):
            if k == 0 and bar % 8 != 7:
                place = min(
                    (p for p in range(-1, 9) if p % 7 in tones), key=lambda p: abs(p - place)
                )
            melody.append(Tone(at, length, 62 + tonic - 2 + 12 * (place // 7) + scale[place % 7]))
            at += length
            place = min(8, max(-1, place + rng.choice((-2, -1, 1, 1, 2, -1))))
    piece = Piece(f"dorian-{take}", "dorian", {"vocal": melody}, (4, 4), 0.0, tonic, True, chords)
    return with_band(piece, 96.0 + 6 * (take % 5), broken)


def raised(take: int) -> Piece:
    """A tune twice, and twice more a step higher, with drums."""
    tune = replace(_essen((4, 4), 60, seed=91)[20 + take], kind="raised", name=f"raised-{take}")
    return with_band(_twice(replace(tune, chords=harmonized(tune)), 2), 116.0, rock)


KINDS: dict[str, tuple[Callable[[int], Piece], Swing]] = {
    "waltz": (lambda k: song("waltz", (3, 4), 132.0 + 12 * (k % 5), k, oom_pah), drifting),
    "hymn": (lambda k: song("hymn", (4, 4), 66.0 + 4 * (k % 5), k, hymn), drifting),
    "six-eight": (lambda k: song("six-eight", (6, 8), 72.0 + 12 * (k % 5), k, held), drifting),
    "polka": (lambda k: song("polka", (2, 4), 124.0 - 6 * (k % 5), k, polka), drifting),
    "ballad": (lambda k: song("ballad", (4, 4), 70.0 + 4 * (k % 5), 5 + k, broken), rubato),
    "blues": (blues, drifting),
    "pickup": (
        lambda k: song("pickup", (3, 4), 104.0 + 8 * (k % 5), k, held, is_picked_up=True),
        drifting,
    ),
    "dorian": (dorian, drifting),
    "raised": (raised, drifting),
    "room": (lambda k: song("room", (4, 4), 100.0 + 8 * (k % 5), 10 + k, guitars), drifting),
}


def made(kind: str, take: int, folder: Path) -> tuple[Truth, Path]:
    piece_of, swing = KINDS[kind]
    home = folder / f"{kind}-{take}"
    truth = make(piece_of(take), home, swing, longest_s=150.0 if kind == "raised" else 60.0)
    if kind != "room":
        return truth, home / "stems.toml"
    dry, rate_hz = soundfile.read(home / "mix.wav")
    rng = np.random.default_rng(take)
    wet = in_room(np.stack([dry, dry], axis=1), rng, rt60_s=0.8, wet_db=-4.0, low_hz=5000.0)
    soundfile.write(home / "wet.wav", 0.9 * wet / np.abs(wet).max(), rate_hz)
    (home / "wet.toml").write_text(SONG + '[stems.song]\nfile = "wet.wav"\nrole = "mix"\n')
    return truth, home / "wet.toml"


# --- right, or one press away -------------------------------------------------------------------


def is_right(truth: Truth, bars: Bars) -> bool:
    downs = np.asarray([t for t in bars.downbeats_s if t < truth.end_s - 0.1])
    return (
        bars.meter == truth.meter
        and abs(bars.tempo_bpm / truth.tempo_bpm - 1) < SAME_TEMPO
        and f_measure(truth.downbeats_s, downs) >= SAME_DOWNBEATS
    )


def pressed(bars: Bars) -> Iterator[tuple[str, Bars]]:
    """What one press makes of bars: rivals that were heard, then those by reckoning."""
    for rival in bars.rivals:
        yield rival.name, Bars(rival.downbeats_s, rival.meter, rival.tempo_bpm)
    downs, per = np.asarray(bars.downbeats_s), bars.beats_in(1)
    places = np.arange(per * (len(downs) - 1) + 1) / per
    beats = np.interp(places, np.arange(len(downs)), downs)
    halves = np.interp(np.arange(2 * len(downs) - 1) / 2, np.arange(len(downs)), downs)
    yield "twice as fast", replace(bars, downbeats_s=tuple(halves), tempo_bpm=2 * bars.tempo_bpm)
    yield "half as fast", replace(bars, downbeats_s=tuple(downs[::2]), tempo_bpm=bars.tempo_bpm / 2)
    for count in (2, 3, 4):
        yield f"in {count}", replace(bars, meter=(count, 4), downbeats_s=tuple(beats[::count]))
    for k in range(1, per):
        yield f"{k} later", replace(bars, downbeats_s=tuple(beats[k::per]))


def is_key(truth: Truth, key: Key | None) -> bool:
    # A mode with a minor third counts as minor.
    minor = key is not None and key.mode in ("minor", "dorian", "phrygian")
    return key is not None and tonic_pc(key) == truth.tonic_pc and minor == truth.is_minor


def line(kind: str, take: int, folder: Path) -> tuple[bool, bool, bool]:
    truth, path = made(kind, take, folder)
    analysis = retune.analyze(path)
    bars = analysis.bars
    right, key = is_right(truth, bars), is_key(truth, analysis.key)
    presses = [name for name, other in pressed(bars) if not right and is_right(truth, other)]
    told = f"{bars.meter[0]}/{bars.meter[1]} {bars.tempo_bpm:.0f} ({bars.confidence:.2f})"
    wanted = f"{truth.meter[0]}/{truth.meter[1]} {truth.tempo_bpm:.0f}"
    press = "" if right else (f'one press: "{presses[0]}"' if presses else "no press helps")
    keys = f"{analysis.key} ({analysis.key_confidence:.2f})" + ("" if key else " WRONG")
    changes = [w.split(" (")[0] for w in analysis.warnings if "the key may be" in w]
    print(
        f"{kind:10} {wanted:8} heard {told:18} {press:28} {keys} {'; '.join(changes)}", flush=True
    )
    return right, right or bool(presses), key


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "time-ten")
    parser.add_argument("--takes", type=int, default=1)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--only", choices=KINDS)
    options = parser.parse_args()
    kinds = [options.only] if options.only else list(KINDS)
    takes = range(options.first, options.first + options.takes)
    rows = [line(*pair, options.folder) for pair in itertools.product(kinds, takes)]
    bars, press, keys = np.sum(rows, axis=0)
    print(f"of {len(rows)}: bars right {bars}, with one press {press}, keys right {keys}")


if __name__ == "__main__":
    main()
