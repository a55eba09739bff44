"""Songs to fit the weights of bars on, none of which bench_time.py holds: played, and heard once.

Chorales, fiddle tunes and folk tunes; of the tunes some stand alone, the others have a plain
harmony and a band in more styles than the bench has: held, struck, broken, bouncing, walking, with
even or swung eighths, with and without drums, in a tempo that drifts or breathes. "Varied" ones are
slower and faster, some without a bass, some in a room.
"""

from __future__ import annotations

import itertools
import pickle
import random
import time
import zlib
from collections.abc import Iterator, Set
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pretty_midi
import rooms
import time_songs
from numpy.typing import NDArray
from real_harmony import HAT, KICK, SNARE
from soundfonts import play
from time_scores import METERS, Piece, Tone, _essen, fiddle_tunes, harmonized, more_chorales
from time_songs import RATE_HZ, SOUNDFONT, Swing, Truth

from retune.analysis.chroma import Spectra, spectra_of
from retune.analysis.meter import Notes
from retune.analysis.onset_curve import Curves, onset_curves
from retune.carriers.heard import Audio

Floats = NDArray[np.float64]
LONGEST_S = 48.0
# Chorales, and fiddle tunes and folk tunes of each meter; varied ones of each meter.
COUNTS, VARIED = (160, 25, 60), 150
# Shares of the notes of a stem that are lost and split as they are heard.
LOST, SPLIT = 0.04, 0.05
# Written beats a minute, and shares without a bass and in a room, of varied songs (common practice,
# no source).
VARIED_TEMPI = {(2, 4): (60, 130), (3, 4): (76, 184), (4, 4): (60, 150), (6, 8): (56, 126)}
NO_BASS, IN_ROOM = 0.2, 0.3
FIGURES = ("held", "struck", "broken", "bouncing", "walking")


@dataclass(frozen=True, eq=False)
class Played:
    """What is heard in a song, and what is so."""

    truth: Truth
    curves: Curves
    spectra: Spectra
    lead: Notes
    bass: Notes


def played(folder: Path, limit: int | None = None) -> Iterator[Played]:
    """The songs, from a folder where they are kept; those not there yet are made. `limit` is about
    how many there are, taken evenly from all."""
    yield from played_once(kept_pieces(folder), folder, limit)


def varied(folder: Path, limit: int | None = None) -> Iterator[Played]:
    """Varied songs, likewise."""
    yield from played_once(kept_varied(folder), folder, limit)


def played_once(every: list[Piece], folder: Path, limit: int | None = None) -> Iterator[Played]:
    """What is heard of each, played where it is not kept yet."""
    for piece in every[:: max(1, len(every) // limit) if limit else 1]:
        kept = folder / f"{piece.name}.pickle"
        if not kept.exists():
            made = pickle.dumps(_played(piece))
            part = kept.with_suffix(f".{time.time_ns()}")
            part.write_bytes(made)
            part.replace(kept)
        yield pickle.loads(kept.read_bytes())


def kept_pieces(folder: Path) -> list[Piece]:
    """The scores, read once: that takes minutes."""
    folder.mkdir(parents=True, exist_ok=True)
    kept = folder / f"pieces-{'-'.join(map(str, COUNTS))}"
    if not kept.exists():
        kept.write_bytes(pickle.dumps(list(pieces(_of_bench(folder), *COUNTS))))
    found: list[Piece] = pickle.loads(kept.read_bytes())
    return found


def kept_varied(folder: Path) -> list[Piece]:
    """The scores of varied songs, likewise."""
    kept = folder / f"varied-{VARIED}"
    if not kept.exists():
        known = {piece.name for piece in kept_pieces(folder)} | _of_bench(folder) | of_ten()
        kept.write_bytes(pickle.dumps(list(varied_pieces(known, VARIED))))
    found: list[Piece] = pickle.loads(kept.read_bytes())
    return found


def _of_bench(folder: Path) -> set[str]:
    """The songs of bench_time.py."""
    return {truth.name for truth, _ in time_songs.songs(folder.parent)}


def pieces(known: set[str], n_chorales: int, each_fiddle: int, each_folk: int) -> Iterator[Piece]:
    """Songs that bench_time.py does not hold; a fifth of the tunes alone, the others harmonized."""
    yield from more_chorales(n_chorales)
    tunes = list(fiddle_tunes(each_fiddle))
    for meter in METERS:
        tunes += [t for t in _essen(meter, each_folk, seed=78) if t.name not in known]
    for k, tune in enumerate(tunes):
        alone = k % 5 == 4
        kind, chords = ("alone", []) if alone else ("folk", harmonized(tune))
        yield replace(tune, kind=kind, chords=chords)


def varied_pieces(known: Set[str], each: int) -> Iterator[Piece]:
    """Folk tunes that are not known, over a plain harmony, the meters taking turns."""
    found = [
        [t for t in _essen(meter, 4 * each, seed=79) if t.name not in known][:each]
        for meter in METERS
    ]
    for tune in (t for turn in itertools.zip_longest(*found) for t in turn if t is not None):
        yield replace(tune, kind="varied", chords=harmonized(tune))


def of_ten() -> frozenset[str]:
    """The tunes that bench_ten.py takes from."""
    return frozenset(t.name for meter in METERS for t in _essen(meter, 60, seed=91))


def _played(piece: Piece) -> Played:
    """A piece played, its notes heard as in stems."""
    rng = random.Random(zlib.crc32(piece.name.encode()))
    is_varied = piece.kind == "varied"
    known = time_songs.TEMPI.get((piece.kind, piece.meter))
    low, high = known or (VARIED_TEMPI if is_varied else time_songs.METER_TEMPI)[piece.meter]
    bpm = low * (high / low) ** rng.random()
    piece = time_songs._shortened(piece, LONGEST_S * bpm / 60 * piece.beat)
    clock = time_songs._Clock(piece, bpm, rng, _breathing if rng.random() < 0.2 else _drift)
    parts = dict(piece.parts)
    if piece.kind in ("folk", "varied"):
        parts |= _band(piece, rng)
        if rng.random() < 0.4:
            parts["drums"] = rng.choice((time_songs._drums, _backbeat, _light_drums))(piece)
        is_swung = piece.meter != (6, 8) and rng.random() < 0.12
        if is_swung and piece.meter == (4, 4):  # in two or three it would be written in 6/8 or 9/8
            parts = {name: [_swung(t) for t in tones] for name, tones in parts.items()}
    if is_varied and rng.random() < NO_BASS:
        del parts["bass"]
    midi = pretty_midi.PrettyMIDI(resolution=960)
    for name, tones in parts.items():
        midi.instruments.append(time_songs.player(name, tones, clock, rng))
    sound = play(midi, SOUNDFONT, rate_hz=RATE_HZ, gain=0.4).mean(axis=1, keepdims=True)
    if is_varied and rng.random() < IN_ROOM:
        sound = _in_some_room(sound, rng)
    truth = time_songs._truth(piece, clock, bpm, "drums" in parts)
    curves = onset_curves([Audio(sound, RATE_HZ)], longest_s=600.0)
    spectra = spectra_of([Audio(sound, RATE_HZ)], tuning_hz=440.0)
    lead, bass = (
        _heard([(float(clock(t.onset)), float(clock(t.onset + t.duration))) for t in tones], rng)
        for tones in (parts.get("vocal", []), parts.get("bass", []))
    )
    return Played(truth, curves, spectra, lead, bass)


def _in_some_room(sound: Floats, rng: random.Random) -> Floats:
    """Mono sound in a room of .3 to 1.2 s."""
    noise = np.random.default_rng(rng.randrange(2**31))
    rt60_s = rng.uniform(0.3, 1.2) * RATE_HZ / rooms.RATE_HZ
    both = np.repeat(sound, 2, axis=1)
    wet = rooms.in_room(both, noise, rt60_s=rt60_s, wet_db=rng.uniform(-10.0, -3.0), low_hz=8000.0)
    return wet[:, :1]


def _heard(notes: Notes, rng: random.Random) -> list[tuple[float, float]]:
    """Notes as a tracker hears them: some lost, some split, none quite in time."""
    heard = []
    for start_s, end_s in notes:
        if rng.random() < LOST:
            continue
        first_s = start_s + rng.gauss(0.0, 0.02)
        last_s = first_s + (end_s - start_s) * rng.uniform(0.75, 1.0)
        middle_s = (first_s + last_s) / 2
        is_split = rng.random() < SPLIT and end_s - start_s > 0.3
        heard += [(first_s, middle_s), (middle_s, last_s)] if is_split else [(first_s, last_s)]
    return sorted(heard)


# --- tempi ------------------------------------------------------------------------------------

_drift: Swing = time_songs.drifting


def _breathing(piece: Piece, quarters: Floats, rng: random.Random) -> Floats:
    """Each four bars lead on and hold back by up to 8 %, and the last bar slows down."""
    size, last = rng.uniform(0.02, 0.08), rng.uniform(0.0, 0.4)
    left = (piece.end - quarters) / (2 * piece.bar)
    sway = 1 - size * np.sin(2 * np.pi * quarters / (4 * piece.bar))
    return np.asarray(sway + last * np.clip(1 - left, 0, 1))


def _swung(tone: Tone) -> Tone:
    """The second of two eighths at two thirds of the beat."""
    return replace(
        tone,
        onset=_late(tone.onset),
        duration=max(0.1, _late(tone.onset + tone.duration) - _late(tone.onset)),
    )


def _late(quarters: float) -> float:
    whole, part = divmod(quarters, 1.0)
    return whole + float(np.interp(part, (0.0, 0.5, 1.0), (0.0, 2 / 3, 1.0)))


# --- who plays what -----------------------------------------------------------------------------


def _band(piece: Piece, rng: random.Random) -> dict[str, list[Tone]]:
    figure = rng.choice(FIGURES)
    if figure not in ("bouncing", "walking"):
        return time_songs._band(piece, rng)
    parts: dict[str, list[Tone]] = {"bass": [], "backing": []}
    for span in time_songs._by_bars(piece):
        classes = time_songs._classes(*span.label.split(":"))
        tones = [m for m in range(52, 70) if m % 12 in classes][:4]
        if figure == "walking":
            parts["backing"] += [Tone(span.onset, span.end - span.onset, m) for m in tones]
        low = itertools.cycle([m for m in range(36, 55) if m % 12 in classes][: rng.choice((2, 4))])
        for at in np.arange(span.onset, span.end - 1e-6, piece.beat):
            left = min(piece.beat, span.end - at)
            parts["bass"].append(Tone(at, (1.0 if figure == "walking" else 0.5) * left, next(low)))
            if figure == "bouncing":
                after = piece.beat * (2 / 3 if piece.beat == 1.5 else 0.5)
                parts["backing"] += [Tone(at + after, 0.3 * piece.beat, m) for m in tones]
    return parts


def _backbeat(piece: Piece) -> list[Tone]:
    """The snare on every second beat (in three on the last two), a kick before the third."""
    tones = []
    for bar in np.arange(piece.first_bar, piece.end - 1e-6, piece.bar):
        beats = np.arange(bar, bar + piece.bar - 1e-6, piece.beat)
        for k, at in enumerate(beats):
            is_snare = k % 2 == 1 if len(beats) != 3 else k > 0
            tones.append(Tone(at, 0.2, SNARE if is_snare else KICK))
            parts = 3 if piece.beat == 1.5 else 2
            tones += [Tone(at + j * piece.beat / parts, 0.1, HAT) for j in range(parts)]
        if len(beats) == 4:
            tones.append(Tone(bar + 1.5, 0.2, KICK))
    return [t for t in tones if t.onset < piece.end]


def _light_drums(piece: Piece) -> list[Tone]:
    """A kick on the first beat and hats on the others."""
    bars = np.arange(piece.first_bar, piece.end - 1e-6, piece.bar)
    beats = np.arange(piece.first_bar, piece.end - 1e-6, piece.beat)
    return [*(Tone(at, 0.2, KICK) for at in bars), *(Tone(at, 0.1, HAT) for at in beats)]
