"""Invented songs written as text, for the tests of this room: a second a beat, exact notes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from types import MappingProxyType

import numpy as np

from retune.analysis.bars import bars_from_tempo
from retune.analysis.corrections import Draft
from retune.analysis.naming import Tuned
from retune.analysis.phrases import PhraseSpan
from retune.analysis.stems import StemFacts, build_stem, shared_phrases
from retune.carriers.heard import Analysis, Bars, Key, KeySpan, Role, StemAnalysis
from retune.song.bartime import bar_time
from retune.song.chart import read_chart
from retune.theory.keys import parse_key
from retune.theory.pitchnames import parse_pitch_name

FIRST_S = 2.0
GAP_S = 0.04


def song(
    parts: Mapping[str, tuple[Role, str]],
    *,
    key: str = "Bb major",
    meter: tuple[int, int] = (4, 4),
    chart: str = "",
    pickup: int | str = 0,
    keys: Sequence[tuple[int, str]] = (),
    title: str = "Invented",
    unsure: Sequence[float] = (),
) -> Analysis:
    """A song from its stems, each a role and notes "Bb4:2 r:1 C5:1/2 / D5:1" (name and written
    beats, "/" between phrases, "~" before a note that the last one runs into).

    The first downbeat is at 2 s and a beat lasts 1 s; `pickup` beats come before it. `keys` are
    changes (bar, key). Notes that start at a time in `unsure` have little confidence. Stems
    without notes are written "".
    """
    rows = {name: _row(text, pickup) for name, (_, text) in parts.items()}
    end_s = max((n.end_s for row in rows.values() for n in row.drafts), default=4.0)
    bars = bars_from_tempo(meter=meter, tempo_bpm=60.0, first_downbeat_s=FIRST_S, duration_s=end_s)
    spans = (
        KeySpan(0.0, parse_key(key)),
        *(KeySpan(bar_time(bars, bar), parse_key(name)) for bar, name in keys),
    )

    def key_at(time_s: float) -> Key | None:
        return [s.key for s in spans if s.start_s <= time_s + 1e-9][-1]

    chords = read_chart(chart, bars=bars, key_at=key_at) if chart else ()
    lead = next(name for name, (_, text) in parts.items() if text)
    stems = {}
    for name, (role, text) in parts.items():
        row = rows[name]
        if not text:
            stems[name] = StemAnalysis(name, role)
            continue
        onsets = [draft.start_s for draft in row.drafts]
        own = rows[lead].phrases if name == lead else shared_phrases(rows[lead].phrases, onsets)
        drafts = tuple(
            Draft(d.start_s, d.end_s, d.midi, 0.3 if d.start_s in unsure else 1.0)
            for d in row.drafts
        )
        stems[name], _ = build_stem(
            StemFacts(
                name, role, None, drafts, _tuned(drafts), row.joined, own, bars, spans, chords
            )
        )
    return Analysis(
        title=title,
        rate_hz=16_000,
        duration_s=bars.downbeats_s[-1],
        tuning_hz=440.0,
        keys=spans,
        key_source="given",
        key_confidence=1.0,
        bars=bars,
        chords=chords,
        stems=MappingProxyType(stems),
    )


class _Row:
    def __init__(self) -> None:
        self.drafts: list[Draft] = []
        self.phrases: tuple[PhraseSpan, ...] = ()
        self.joined: frozenset[float] = frozenset()


def _row(text: str, pickup: int | str) -> _Row:
    row, at, joined = _Row(), FIRST_S - float(Fraction(pickup)), set()
    firsts = [0]
    for word in text.split():
        if word == "/":
            firsts.append(len(row.drafts))
            continue
        name, _, length = word.partition(":")
        stop = at + float(Fraction(length))
        if name.startswith("~"):
            joined.add(round(at, 6))
        if name != "r":
            midi = float(parse_pitch_name(name.lstrip("~")))
            row.drafts.append(Draft(round(at, 6), round(stop - GAP_S, 6), midi))
        at = stop
    stops = [*firsts[1:], len(row.drafts)]
    row.phrases = tuple(
        PhraseSpan(a, b - 1, row.drafts[a].start_s, row.drafts[b - 1].end_s)
        for a, b in zip(firsts, stops, strict=True)
        if b > a
    )
    row.joined = frozenset(joined)
    return row


def _tuned(drafts: Sequence[Draft]) -> Tuned:
    midi = np.array([draft.midi for draft in drafts])
    return Tuned(midi + 0.07, tuple(int(m) for m in midi), 0.0, 0.0)


# --- five songs: major with a pickup, minor, modal, modulating, and in 6/8 -----------------------


def lullaby() -> Analysis:
    """B flat major, 3/4, a pickup to each phrase; endings 2 over V, 3 over vi, 2 over I, 1 over I,
    the third a feminine one; with bass and harp."""
    vocal = (
        "F4:1 Bb4:2 C5:1 D5:2 Bb4:1 C5:5 / "
        "C5:1 D5:2 Eb5:1 F5:2 D5:1 D5:2 Bb4:1 D5:2 / "
        "Bb4:1 D5:1 Eb5:1 D5:1 C5:2 A4:1 Bb4:3 C5:1 C5:1 / "
        "D5:1 Eb5:2 C5:1 Bb4:2 A4:1 A4:2 C5:1 Bb4:2"
    )
    bass = (
        "r:1 Bb2:3 G2:3 F2:3 F2:3 Bb2:3 Eb3:3 D3:3 G2:3 Bb2:3 C3:3 Bb2:3 Bb2:3 Eb3:3 F2:3 F2:3 "
        "Bb2:2"
    )
    return song(
        {"vocal": ("melody", vocal), "bass": ("bass", bass), "harp": ("backing", "")},
        meter=(3, 4),
        pickup=1,
        chart="Bb | Gm | F | F | Bb | Eb | Bb/D | Gm | Bb | Cm | Bb | Bb | Eb | F7 | F7 | Bb",
        title="A lamp in the window",
    )


def lament() -> Analysis:
    """A minor, 4/4, with raised sevenths over V; endings 2 over V, #7 over V, 7 over III, 1."""
    vocal = (
        "A4:1 C5:1 B4:1 A4:1 B4:4 / A4:1 B4:1 C5:1 A4:1 G#4:4 / "
        "C5:1 D5:1 E5:1 C5:1 G4:4 / E5:1 D5:1 C5:1 B4:1 A4:4"
    )
    return song(
        {"vocal": ("melody", vocal), "bass": ("bass", "A2:4 E2:4 A2:4 E2:4 C3:4 C3:4 D3:4 A2:4")},
        key="A minor",
        chart="Am | E | Am | E7 | C | C | Dm . E . | Am",
        title="The ferry went at dusk",
    )


def modal() -> Analysis:
    """D dorian, 4/4; endings 7 over bVII, 2 over IV, 1 over i."""
    vocal = "D4:1 E4:1 F4:1 A4:1 C5:4 / B4:1 A4:1 G4:1 F4:1 E4:4 / F4:1 G4:1 A4:1 E4:1 D4:4"
    return song(
        {"vocal": ("melody", vocal), "harp": ("backing", "")},
        key="D dorian",
        chart="Dm | C | G | G | Dm | Dm",
        title="Salt on the sill",
    )


def modulating() -> Analysis:
    """C major, from bar 5 D major, 4/4; endings 2 over V and 1 over I in each."""
    vocal = (
        "C5:1 D5:1 E5:1 C5:1 D5:4 / E5:1 F5:1 D5:1 B4:1 C5:4 / "
        "D5:1 E5:1 F#5:1 D5:1 E5:4 / F#5:1 G5:1 E5:1 C#5:1 D5:4"
    )
    return song(
        {"vocal": ("melody", vocal)},
        key="C major",
        keys=[(5, "D major")],
        chart="C | G | G7 | C | D | A | A7 | D",
        title="Two hills over",
    )


def rocking() -> Analysis:
    """F major, 6/8 (a beat is a dotted quarter); endings 2 with a short tail, 5, 1."""
    vocal = (
        "C5:1/3 F4:2/3 A4:1/3 G4:2/3 A4:1/3 G4:5/3 ~A4:1/3 / "
        "A4:2/3 Bb4:1/3 C5:2/3 A4:1/3 C5:2 / "
        "D5:2/3 C5:1/3 Bb4:2/3 G4:1/3 F4:2"
    )
    return song(
        {"vocal": ("melody", vocal)},
        key="F major",
        meter=(6, 8),
        pickup="1/3",
        chart="F | C7 | F | F | Bb . | F",
        title="Rocking on the quay",
    )


SONGS = {
    "lullaby": lullaby,
    "lament": lament,
    "modal": modal,
    "modulating": modulating,
    "rocking": rocking,
}


def empty() -> Analysis:
    """A song in which nothing was heard."""
    return Analysis(
        "Silence",
        16_000,
        4.0,
        440.0,
        (),
        "found",
        0.0,
        Bars((), (4, 4), 0.0),
        (),
        MappingProxyType({"vocal": StemAnalysis("vocal", "melody")}),
    )
