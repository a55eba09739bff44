"""Pieces whose bars, key and chords are known, read from the scores that music21 ships.

Chorales with a published reading of their harmony (Riemenschneider's numbers; Roman analyses that
music21 ships), reels with printed chord symbols (Nottingham Music Database), folk tunes (Essen,
Ryan's collection) over a plain harmony made here, and string quartets (bars and key alone).
"""

from __future__ import annotations

import itertools
import random
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import essen
import numpy as np

METERS = ((2, 4), (3, 4), (4, 4), (6, 8))
LONGEST_BARS = 24
SHORTEST_BARS = 7
# A tune with less of its notes in its key is misprinted.
IN_KEY = 0.7
SHARP_NAMES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")


@dataclass(frozen=True)
class Tone:
    """One printed note, in quarters from the start."""

    onset: float
    duration: float
    midi: int


@dataclass(frozen=True)
class Span:
    """A chord (Harte label) in quarters."""

    onset: float
    end: float
    label: str


@dataclass(frozen=True)
class Piece:
    """A score: parts by stem name, the first downbeat and all lengths in quarters."""

    name: str
    kind: str
    parts: dict[str, list[Tone]]
    meter: tuple[int, int]
    first_bar: float
    tonic_pc: int | None
    is_minor: bool = False
    chords: list[Span] = field(default_factory=list)

    @property
    def bar(self) -> float:
        return self.meter[0] * 4 / self.meter[1]

    @property
    def beat(self) -> float:
        return 1.5 if self.meter[1] == 8 and self.meter[0] % 3 == 0 else 4 / self.meter[1]

    @property
    def end(self) -> float:
        return max(t.onset + t.duration for part in self.parts.values() for t in part)


def pieces() -> list[Piece]:
    """All pieces of the bench, the kinds taking turns, so that even and odd places are alike."""
    rows = [list(chorales()), list(with_symbols()), list(folk()), list(alone()), list(quartets())]
    return [piece for row in rows for piece in row if piece.meter in METERS]


# --- read from music21 ------------------------------------------------------------------------


def _score(path: str) -> Any:
    import warnings

    from music21 import corpus

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return corpus.parse(path)


def _tones(part: Any) -> list[Tone]:
    from music21 import harmony

    tones = []
    for item in part.stripTies().flatten().notes:
        if isinstance(item, harmony.ChordSymbol) or item.duration.isGrace:
            continue
        for pitch in item.pitches:
            tones.append(Tone(float(item.offset), float(item.quarterLength), pitch.midi))
    return tones


def _even_bars(part: Any) -> tuple[tuple[int, int], float, float, dict[int, float]] | None:
    """Meter, first downbeat, where the even bars stop, and the onset of each bar by number."""
    from music21 import stream

    bars = list(part.getElementsByClass(stream.Measure))
    signatures = list(part.flatten().getElementsByClass("TimeSignature"))
    if len(bars) < SHORTEST_BARS or not signatures:
        return None
    meter = (signatures[0].numerator, signatures[0].denominator)
    length = meter[0] * 4 / meter[1]
    at = [float(b.offset) for b in bars]
    first = at[0] if any(abs(t - at[0] - length) < 1e-6 for t in at) else at[1]
    # A bar may be written in two parts, about a repeat.
    count = 0
    while count < LONGEST_BARS and any(abs(t - first - (count + 1) * length) < 1e-6 for t in at):
        count += 1
    if count < SHORTEST_BARS:
        return None
    numbers: dict[int, float] = {}
    for bar, start in zip(bars, at, strict=True):
        numbers.setdefault(int(bar.number), start)
    return meter, first, first + count * length, numbers


def _until(tones: list[Tone], end: float) -> list[Tone]:
    kept = [t for t in tones if t.onset < end - 1e-6]
    return [replace(t, duration=min(t.duration, end - t.onset)) for t in kept]


# --- chorales ---------------------------------------------------------------------------------


def chorales(numbers: Sequence[int] = range(1, 21)) -> Iterator[Piece]:
    for number in numbers:
        reading = _folder() / f"bach/choraleAnalyses/riemenschneider{number:03d}.rntxt"
        catalogue = re.search(r"^BWV: (\S+)", reading.read_text("utf-8"), re.M)
        if catalogue and (_folder() / f"bach/bwv{catalogue[1]}.mxl").exists():
            piece = _chorale(number, f"bach/bwv{catalogue[1]}")
            if piece is not None:
                yield piece


def _folder() -> Path:
    import music21

    return Path(music21.__file__).parent / "corpus"


def _chorale(number: int, path: str) -> Piece | None:
    score, reading = _score(path), _score(f"bach/choraleAnalyses/riemenschneider{number:03d}")
    parts = list(score.parts)
    bars = _even_bars(parts[0])
    if bars is None or len(parts) != 4:
        return None
    meter, first, end, numbers = bars
    names = ("vocal", "alto", "tenor", "bass")
    stems = {n: _until(_tones(p), end) for n, p in zip(names, parts, strict=True)}
    romans = list(reading.flatten().getElementsByClass("RomanNumeral"))
    chords = _read_chords(romans, numbers, end, meter[0] * 4 / meter[1])
    if not chords or _agreement(chords, stems) < 0.75:
        return None
    key = romans[0].key
    same = romans[-1].key.tonic.pitchClass == key.tonic.pitchClass
    return Piece(
        f"chorale-{number:02d}",
        "chorale",
        stems,
        meter,
        first,
        key.tonic.pitchClass if same else None,
        key.mode == "minor",
        chords,
    )


def more_chorales(limit: int) -> Iterator[Piece]:
    """Chorales without a published reading, none of them among those with one; their chords are
    what sounds, their key that of signature and last bass note."""
    readings = (_folder() / "bach/choraleAnalyses").glob("*.rntxt")
    found = [re.search(r"^BWV: (\S+)", path.read_text("utf-8"), re.M) for path in readings]
    known = {match[1] for match in found if match}
    paths = sorted((_folder() / "bach").glob("bwv*.mxl"))
    random.Random(5).shuffle(paths)
    made = (_unread_chorale(path) for path in paths if path.stem[3:] not in known)
    yield from itertools.islice((piece for piece in made if piece is not None), limit)


def _unread_chorale(path: Path) -> Piece | None:
    try:
        score = _score(f"bach/{path.name}")
    except Exception:
        return None
    parts = list(score.parts)
    bars = _even_bars(parts[0]) if len(parts) == 4 else None
    if bars is None or bars[0] not in METERS:
        return None
    meter, first, end, _numbers = bars
    names = ("vocal", "alto", "tenor", "bass")
    stems = {n: _until(_tones(p), end) for n, p in zip(names, parts, strict=True)}
    if not all(stems.values()):
        return None
    key = _key_by_signature(parts[0], _tones(parts[3])) or (None, False)
    sounding = [c for c in score.chordify().flatten().notes if c.isChord and c.offset < end]
    chords = [
        Span(float(c.offset), min(end, float(c.offset + c.quarterLength)), _harte(c))
        for c in sounding
    ]
    return Piece(f"more-{path.stem}", "chorale", stems, meter, first, *key, chords)


def _read_chords(
    romans: list[Any], numbers: dict[int, float], end: float, length: float
) -> list[Span]:
    rows = []
    for roman in romans:
        at = numbers.get(int(roman.measureNumber))
        if at is not None:
            short = max(0.0, length - (numbers.get(int(roman.measureNumber) + 1, at + length) - at))
            rows.append(
                (
                    at + (float(roman.beat) - 1) * roman.beatDuration.quarterLength - short,
                    _harte(roman),
                )
            )
    rows = sorted(r for r in rows if r[0] < end)
    ends = [r[0] for r in rows[1:]] + [end]
    return [Span(a, b, label) for (a, label), b in zip(rows, ends, strict=True) if b > a]


def _harte(chord: Any) -> str:
    """A music21 chord by Harte's shorthand; "X" where it is none of the common kinds."""
    common = chord.commonName
    kinds = {
        "major triad": "maj", "minor triad": "min", "diminished triad": "dim",
        "augmented triad": "aug", "dominant seventh chord": "7", "major seventh chord": "maj7",
        "minor seventh chord": "min7", "half-diminished seventh chord": "hdim7",
        "diminished seventh chord": "dim7",
    }  # fmt: skip
    if common not in kinds:
        return "X"
    return f"{SHARP_NAMES[chord.root().pitchClass]}:{kinds[common]}"


def _agreement(chords: list[Span], stems: dict[str, list[Tone]]) -> float:
    """How much of what sounds belongs to the chord read there."""
    from retune.theory.chords import parse_chord

    inside = total = 0.0
    for span in chords:
        if span.label == "X":
            continue
        tones = dict(parse_chord(span.label, None).tones)
        for tone in (t for part in stems.values() for t in part):
            shared = min(span.end, tone.onset + tone.duration) - max(span.onset, tone.onset)
            if shared > 0:
                total += shared
                inside += shared * (tone.midi % 12 in tones)
    return inside / max(total, 1e-9)


# --- reels, folk tunes, tunes alone, quartets ---------------------------------------------------


def with_symbols() -> Iterator[Piece]:
    """Tunes with printed chord symbols."""
    from music21 import harmony

    paths = ["nottingham-dataset/reelsa-c.abc"]
    paths += [f"leadSheet/{p.name}" for p in sorted((_folder() / "leadSheet").glob("*.mxl"))]
    scores = [s for path in paths for s in getattr(_score(path), "scores", None) or [_score(path)]]
    for number, score in enumerate(scores):
        part = score.parts[0]
        bars = _even_bars(part)
        symbols = list(part.flatten().getElementsByClass(harmony.ChordSymbol))
        if bars is None or len(symbols) < 6:
            continue
        meter, first, end, _numbers = bars
        melody = _until(_tones(part), end)
        rows = [(float(s.offset), _harte(s)) for s in symbols if s.offset < end]
        key = _key_by_signature(part, _tones(part)) or (None, False)
        ends = [r[0] for r in rows[1:]] + [end]
        chords = [Span(a, b, c) for (a, c), b in zip(rows, ends, strict=True) if b > a]
        yield Piece(f"symbols-{number}", "symbols", {"vocal": melody}, meter, first, *key, chords)


def _key_by_signature(part: Any, melody: list[Tone]) -> tuple[int, bool] | None:
    """The key of a signature whose tonic the tune ends on, major or minor."""
    signatures = list(part.flatten().getElementsByClass("KeySignature"))
    if not signatures:
        return None
    major = (7 * signatures[0].sharps) % 12
    last = melody[-1].midi % 12
    if last == major:
        return major, False
    return ((major + 9) % 12, True) if last == (major + 9) % 12 else None


def fiddle_tunes(each: int) -> Iterator[Piece]:
    """Reels, jigs and airs of three printed collections, `each` of every meter at most."""
    paths = [
        path
        for name in ("ryansMammoth", "oneills1850", "airdsAirs")
        for path in sorted((_folder() / name).glob("*"))
        if path.suffix in (".abc", ".mxl")
    ]
    random.Random(3).shuffle(paths)
    count = dict.fromkeys(METERS, 0)
    for path in paths:
        score = _score(f"{path.parent.name}/{path.name}")
        for k, tune in enumerate((getattr(score, "scores", None) or [score])[:3]):
            bars = _even_bars(tune.parts[0]) if tune.parts else None
            if bars is None or count.get(bars[0], each) >= each:
                continue
            meter, first, end, _numbers = bars
            melody = _until(_tones(tune.parts[0]), end)
            key = _key_by_signature(tune.parts[0], _tones(tune.parts[0])) or (None, False)
            count[meter] += 1
            yield Piece(f"{path.stem}-{k}", "folk", {"vocal": melody}, meter, first, *key)
        if min(count.values()) >= each:
            return


def folk(each: int = 7) -> Iterator[Piece]:
    for meter in ((2, 4), (3, 4), (4, 4), (6, 8)):
        chosen = _essen(meter, each, seed=11)
        yield from (replace(p, kind="folk", chords=harmonized(p)) for p in chosen)


def alone(each: int = 2) -> Iterator[Piece]:
    for meter in ((2, 4), (3, 4), (4, 4), (6, 8)):
        yield from (replace(p, kind="alone") for p in _essen(meter, each, seed=12))


def _essen(meter: tuple[int, int], count: int, *, seed: int) -> list[Piece]:
    bar = meter[0] * 4 / meter[1]
    beat = 1.5 if meter[1] == 8 else 1.0
    tunes = [
        (k, t)
        for k, t in enumerate(essen.read_tunes("*.abc"))
        if t.bar == bar and t.beat == beat and 30 <= len(t.midi) <= 120
        and _ends_even(t) and len(t.midi) / t.onset[-1] > 0.6
    ]  # fmt: skip
    random.Random(seed).shuffle(tunes)
    return [_essen_piece(k, t, meter) for k, t in tunes[:count] if _is_in_its_key(t)]


def _is_in_its_key(tune: essen.Tune) -> bool:
    """Whether a tune's notes are those of the key it is printed in: of the 8 289 three are not."""
    scale = {0, 2, 3, 5, 7, 8, 9, 10, 11} if tune.is_minor else {0, 2, 4, 5, 6, 7, 9, 10, 11}
    inside = [(midi - tune.tonic_pc) % 12 in scale for midi in tune.midi]
    return float(np.average(inside, weights=tune.duration)) >= IN_KEY


def _ends_even(tune: essen.Tune) -> bool:
    """Whether the tune, its pickup with its last bar, fills whole bars."""
    end = tune.onset[-1] + tune.duration[-1]
    bars = end / tune.bar
    return abs(bars - round(bars)) < 1e-6 and bars >= SHORTEST_BARS and tune.first_bar <= tune.bar


def _essen_piece(number: int, tune: essen.Tune, meter: tuple[int, int]) -> Piece:
    lift = 12 * round((66 - np.median(tune.midi)) / 12)
    rows = zip(tune.onset, tune.duration, tune.midi, strict=True)
    melody = [Tone(a, d, m + lift) for a, d, m in rows]
    first = tune.first_bar % tune.bar
    name = f"essen-{number:04d}"
    return Piece(name, "", {"vocal": melody}, meter, first, tune.tonic_pc, tune.is_minor)


def quartets() -> Iterator[Piece]:
    paths = [
        "mozart/k155/movement1", "mozart/k155/movement3", "mozart/k156/movement1",
        "haydn/opus74no1/movement1", "haydn/opus74no1/movement3", "beethoven/opus18no1/movement1",
        "haydn/opus1no1/movement1", "mozart/k80/movement1",
    ]  # fmt: skip
    for k, path in enumerate(paths):
        try:
            score = _score(path)
        except Exception:
            continue
        bars = _even_bars(score.parts[0])
        if bars is None:
            continue
        meter, first, end, _ = bars
        names = ("vocal", "violin2", "viola", "bass")
        stems = {
            n: _until(_tones(p), end) for n, p in zip(names, list(score.parts)[:4], strict=False)
        }
        if all(stems.values()) and len(stems) == 4:
            yield Piece(f"quartet-{k}", "quartet", stems, meter, first, None)


# --- a plain harmony --------------------------------------------------------------------------

MAJOR_CHORDS = ((0, "maj"), (5, "maj"), (7, "maj"), (7, "7"), (9, "min"), (2, "min"))
MINOR_CHORDS = ((0, "min"), (5, "min"), (7, "maj"), (7, "7"), (8, "maj"), (10, "maj"), (3, "maj"))
SHAPES = {"maj": (0, 4, 7), "min": (0, 3, 7), "7": (0, 4, 7, 10)}


def harmonized(piece: Piece) -> list[Span]:
    """A chord a bar (two in long bars) that holds most of the melody, ending on the tonic."""
    tonic = piece.tonic_pc or 0
    step = piece.bar / 2 if piece.bar >= 4 else piece.bar
    edges = np.arange(piece.first_bar, piece.end - 1e-6, step)
    choices = MINOR_CHORDS if piece.is_minor else MAJOR_CHORDS
    worth = np.array([[_holds(piece, a, a + step, tonic, c) for c in choices] for a in edges])
    worth += np.array([0.15, 0.1, 0.1, 0.05, 0.0, 0.0, 0.0])[: len(choices)]
    worth[-1, 1:] -= 9.0
    # Off the barline the chord had rather stay; over it had rather go.
    total, back = worth[0].copy(), []
    for k in range(1, len(edges)):
        onbar = abs((edges[k] - piece.first_bar) / piece.bar % 1) < 1e-6
        cost = (np.eye(len(choices)) if onbar else 2 * (1 - np.eye(len(choices)))) * 0.15
        reached = total[:, None] - cost
        back.append(reached.argmax(axis=0))
        total = reached.max(axis=0) + worth[k]
    path = [int(total.argmax())]
    for came in reversed(back):
        path.append(int(came[path[-1]]))
    spans: list[Span] = []
    for a, c in zip(edges, path[::-1], strict=True):
        root, kind = choices[c]
        label = f"{SHARP_NAMES[(tonic + root) % 12]}:{kind}"
        end = min(a + step, piece.end)
        if spans and spans[-1].label == label:
            spans[-1] = replace(spans[-1], end=end)
        else:
            spans.append(Span(float(a), end, label))
    return spans


def _holds(piece: Piece, start: float, end: float, tonic: int, choice: tuple[int, str]) -> float:
    tones = {(tonic + choice[0] + s) % 12 for s in SHAPES[choice[1]]}
    inside = total = 0.0
    for tone in piece.parts["vocal"]:
        shared = min(end, tone.onset + tone.duration) - max(start, tone.onset)
        if shared > 0:
            shared *= 1.5 if abs(tone.onset - start) < 1e-6 else 1.0
            total += shared
            inside += shared * (tone.midi % 12 in tones)
    return inside / total if total else 0.0
