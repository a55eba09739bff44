"""Pieces played by a General MIDI soundfont, stem by stem and summed, with their truth.

The tempo drifts by up to 4 %, and the players are never quite together (a standard deviation of
4 to 15 ms): common practice, no source.
"""

from __future__ import annotations

import itertools
import pickle
import random
import zlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pretty_midi
import soundfile
from numpy.typing import NDArray
from real_harmony import HAT, KICK, SNARE
from soundfonts import play
from time_scores import SHAPES, Piece, Span, Tone, pieces

Floats = NDArray[np.float64]
RATE_HZ = 22_050
SOUNDFONT = Path("/usr/share/sounds/sf2/TimGM6mb.sf2")
LONGEST_S = 60.0
# Written beats a minute that players of such tunes take (common practice, no source).
TEMPI: dict[tuple[str, tuple[int, int]], tuple[float, float]] = {
    ("chorale", (4, 4)): (62, 92),
    ("chorale", (3, 4)): (70, 110),
    ("symbols", (4, 4)): (90, 150),
    ("quartet", (4, 4)): (90, 140),
}
METER_TEMPI = {(2, 4): (66, 120), (3, 4): (84, 168), (4, 4): (80, 150), (6, 8): (62, 110)}
# General MIDI programs, counted from 0, that may play a stem.
VOICES = (52, 53, 73, 71, 40, 68, 54)
BACKINGS = (0, 24, 25, 48, 19, 46)
BASSES = (32, 33, 43)
LOOSE_S = {"vocal": 0.015, "bass": 0.008, "drums": 0.004}
GAINS = {"vocal": 0.9, "bass": 0.8, "backing": 0.6, "drums": 0.6}
SONG = """format = 1
title = "bench song"
rights = "played by a program from a score"
"""


@dataclass(frozen=True)
class Truth:
    """What is so: times in seconds, chords as (start_s, end_s, Harte label)."""

    name: str
    kind: str
    meter: tuple[int, int]
    tempo_bpm: float
    beats_s: Floats
    downbeats_s: Floats
    tonic_pc: int | None
    is_minor: bool
    chords: tuple[tuple[float, float, str], ...]
    has_drums: bool
    end_s: float


def drifting(piece: Piece, quarters: Floats, rng: random.Random) -> Floats:
    """How much longer than written each quarter lasts: up to 4 %, in slow waves."""
    drift = rng.choice((0.0, 0.01, 0.02, 0.04))
    turns, phase = rng.uniform(1.0, 3.0), rng.uniform(0, 2 * np.pi)
    return np.asarray(1 + drift * np.sin(2 * np.pi * turns * quarters / piece.end + phase))


Swing = Callable[[Piece, Floats, random.Random], Floats]


def songs(folder: Path) -> list[tuple[Truth, Path]]:
    """Each song's truth and the folder that holds `stems.toml`, `mix.toml` and their sounds,
    made where they are not there yet."""
    folder.mkdir(parents=True, exist_ok=True)
    kept = folder / "pieces.pickle"
    if not kept.exists():
        kept.write_bytes(pickle.dumps(pieces()))
    return [_song(piece, folder / piece.name) for piece in pickle.loads(kept.read_bytes())]


def _song(piece: Piece, home: Path) -> tuple[Truth, Path]:
    kept = home / "truth.pickle"
    if not kept.exists():
        home.mkdir(parents=True, exist_ok=True)
        kept.write_bytes(pickle.dumps(make(piece, home)))
    truth: Truth = pickle.loads(kept.read_bytes())
    return truth, home


def make(piece: Piece, home: Path, swing: Swing = drifting, longest_s: float = LONGEST_S) -> Truth:
    """Play a piece into a folder, stem by stem and summed."""
    home.mkdir(parents=True, exist_ok=True)
    rng = random.Random(zlib.crc32(piece.name.encode()))
    low, high = TEMPI.get((piece.kind, piece.meter), METER_TEMPI[piece.meter])
    bpm = low * (high / low) ** rng.random()
    piece = _shortened(piece, longest_s * bpm / 60 * piece.beat)
    clock = _Clock(piece, bpm, rng, swing)
    parts = dict(piece.parts)
    has_drums = piece.kind in ("folk", "symbols") and rng.random() < 0.5
    if piece.kind in ("folk", "symbols"):
        parts |= _band(piece, rng)
    if has_drums:
        parts["drums"] = _drums(piece)
    total = np.zeros(0)
    stems = [SONG]
    for name, tones in parts.items():
        sound = _played(name, tones, clock, rng)
        soundfile.write(home / f"{name}.wav", sound, RATE_HZ, subtype="PCM_16")
        n = max(len(total), len(sound))
        total = np.pad(total, (0, n - len(total))) + np.pad(sound, (0, n - len(sound)))
        stems.append(f'[stems.{name}]\nfile = "{name}.wav"\nrole = "{_role(name)}"\n')
    (home / "stems.toml").write_text("".join(stems), encoding="utf-8")
    soundfile.write(home / "mix.wav", 0.9 * total / np.abs(total).max(), RATE_HZ, subtype="PCM_16")
    text = SONG + '[stems.song]\nfile = "mix.wav"\nrole = "mix"\n'
    (home / "mix.toml").write_text(text, encoding="utf-8")
    return _truth(piece, clock, bpm, has_drums)


def _shortened(piece: Piece, quarters: float) -> Piece:
    bars = int((quarters - piece.first_bar) / piece.bar)
    end = piece.first_bar + bars * piece.bar
    if end >= piece.end:
        return piece
    parts = {
        name: [replace(t, duration=min(t.duration, end - t.onset)) for t in tones if t.onset < end]
        for name, tones in piece.parts.items()
    }
    chords = [replace(c, end=min(c.end, end)) for c in piece.chords if c.onset < end]
    return replace(piece, parts=parts, chords=chords)


class _Clock:
    """Seconds of a place in quarters, in a tempo that moves."""

    def __init__(
        self, piece: Piece, bpm: float, rng: random.Random, swing: Swing = drifting
    ) -> None:
        step = 0.25
        self.quarters = np.arange(0.0, piece.end + 8.0, step)
        slower = 60.0 / bpm / piece.beat * step * swing(piece, self.quarters, rng)
        self.seconds = rng.uniform(0.2, 1.5) + np.concatenate(([0.0], np.cumsum(slower[:-1])))

    def __call__(self, quarters: float | Floats) -> Floats:
        return np.asarray(np.interp(quarters, self.quarters, self.seconds))


def _truth(piece: Piece, clock: _Clock, bpm: float, has_drums: bool) -> Truth:
    end = piece.end
    first = piece.first_bar
    pickup = int(first / piece.beat + 1e-6)
    beats = np.arange(first - pickup * piece.beat, end - 1e-6, piece.beat)
    return Truth(
        piece.name,
        piece.kind,
        piece.meter,
        bpm,
        clock(beats),
        clock(np.arange(first, end - 1e-6, piece.bar)),
        piece.tonic_pc,
        piece.is_minor,
        tuple((float(clock(c.onset)), float(clock(c.end)), c.label) for c in piece.chords),
        has_drums,
        float(clock(end)),
    )


# --- who plays what ---------------------------------------------------------------------------


def _role(name: str) -> str:
    roles = {"vocal": "melody", "bass": "bass", "backing": "backing", "drums": "unpitched"}
    return roles.get(name, "harmony")


def player(
    name: str, tones: list[Tone], clock: _Clock, rng: random.Random
) -> pretty_midi.Instrument:
    """Someone who plays a part, never quite in time."""
    program = rng.choice({"vocal": VOICES, "bass": BASSES, "backing": BACKINGS}.get(name, VOICES))
    played = pretty_midi.Instrument(0 if name == "drums" else program, is_drum=name == "drums")
    for tone in tones:
        start = max(0.0, float(clock(tone.onset)) + rng.gauss(0, LOOSE_S.get(name, 0.010)))
        end = float(clock(tone.onset + tone.duration)) - 0.02
        velocity = min(120, max(30, round(rng.gauss(84, 9))))
        played.notes.append(pretty_midi.Note(velocity, tone.midi, start, max(end, start + 0.06)))
    return played


def _played(name: str, tones: list[Tone], clock: _Clock, rng: random.Random) -> Floats:
    midi = pretty_midi.PrettyMIDI(resolution=960)
    midi.instruments.append(player(name, tones, clock, rng))
    sound = play(midi, SOUNDFONT, rate_hz=RATE_HZ, gain=0.5).mean(axis=1)
    level = float(np.sqrt(np.mean(sound**2)))
    return 0.08 * GAINS.get(name, 0.8) * sound / max(level, 1e-9)


def _band(piece: Piece, rng: random.Random) -> dict[str, list[Tone]]:
    """Bass and backing under the chords, in one of a few figures."""
    figure = rng.choice(("held", "struck", "broken"))
    bass: list[Tone] = []
    backing: list[Tone] = []
    for span in _by_bars(piece):
        root, kind = span.label.split(":")
        classes = _classes(root, kind)
        low = 36 + (classes[0] - 4) % 12 + 4 - 12 * ((classes[0] - 4) % 12 > 7)
        tones = [m for m in range(52, 70) if m % 12 in classes][:4]
        pulses = np.arange(span.onset, span.end - 1e-6, piece.beat)
        for k, at in enumerate(pulses):
            left = min(piece.beat, span.end - at)
            if figure == "held" and k:
                continue
            if figure == "held":
                bass.append(Tone(at, span.end - at, low))
                backing += [Tone(at, span.end - at, m) for m in tones]
            elif figure == "struck":
                strong = abs((at - piece.first_bar) / piece.bar % 1) < 1e-6 or k == 0
                if strong or (len(pulses) > 3 and k == 2):
                    fifth = low + 7 if k == 2 and low < 43 else low
                    bass.append(Tone(at, left, fifth))
                else:
                    backing += [Tone(at, 0.7 * left, m) for m in tones]
            else:
                if k == 0:
                    bass.append(Tone(at, span.end - at, low))
                parts = 3 if piece.beat == 1.5 else 2
                for j in range(parts):
                    note = tones[(parts * k + j) % len(tones)]
                    backing.append(Tone(at + j * piece.beat / parts, 1.3 * left / parts, note))
    return {"bass": bass, "backing": backing or [Tone(0.0, 1.0, 60)]}


def _classes(root: str, kind: str) -> list[int]:
    from retune.theory.chords import parse_chord

    chord = parse_chord(f"{root}:{kind}", None)
    shape = SHAPES.get(kind)
    if shape is None:
        return [chord.root_pc, *[pc for pc, _ in chord.tones if pc != chord.root_pc]]
    return [(chord.root_pc + s) % 12 for s in shape]


def _by_bars(piece: Piece) -> list[Span]:
    """The chords that name one, cut at the barlines."""
    spans = []
    lines = np.arange(piece.first_bar, piece.end, piece.bar)
    for chord in piece.chords:
        if chord.label == "X":
            continue
        inside = [t for t in lines if chord.onset + 1e-6 < t < chord.end - 1e-6]
        edges = [chord.onset, *inside, chord.end]
        spans += [Span(a, b, chord.label) for a, b in itertools.pairwise(edges)]
    return spans


def _drums(piece: Piece) -> list[Tone]:
    tones = []
    parts = 3 if piece.beat == 1.5 else 2
    for bar in np.arange(piece.first_bar, piece.end - 1e-6, piece.bar):
        for k, at in enumerate(np.arange(bar, bar + piece.bar - 1e-6, piece.beat)):
            kick = k == 0 or (piece.meter == (4, 4) and k == 2)
            tones.append(Tone(at, 0.2, KICK if kick else SNARE))
            tones += [Tone(at + j * piece.beat / parts, 0.1, HAT) for j in range(parts)]
    return [t for t in tones if t.onset < piece.end]
