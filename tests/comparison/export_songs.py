"""Invented songs for the tests of exports: the lantern's, and random ones in any meter."""

from __future__ import annotations

from compare_songs import home_early, lantern
from hypothesis import strategies as st

from retune.carriers.heard import Analysis, Bars, Key, KeySpan, Note, Phrase, StemAnalysis
from retune.comparison.exports.material import Material
from retune.theory.spelling import pitch_name

METERS = ((3, 4), (4, 4), (2, 4), (2, 2), (3, 8), (6, 8), (9, 8), (12, 8), (5, 4))


def lantern_material() -> Material:
    analysis = lantern()
    return Material(
        analysis,
        (home_early(analysis),),
        rights="CC0 1.0",
        source="song.toml",
        inputs={"vocal.flac": "ab" * 32},
        abouts={"home-early": "phrases come home"},
    )


def song(
    *,
    meter: tuple[int, int],
    lead_s: float,
    beat_s: float,
    units: list[tuple[int, int, int]],
    per_beat: int,
    key: Key,
) -> Analysis:
    """A melody of (start unit, end unit, MIDI) notes exactly on a grid of `per_beat` units."""
    bars = Bars((), meter, 60.0 / beat_s)
    beats = bars.beats_in(1)
    last = max(end for _, end, _ in units)
    n_bars = max(-(-last // (per_beat * beats)), 1)
    downbeats = tuple(lead_s + k * beats * beat_s for k in range(n_bars + 1))
    notes = []
    for index, (start, end, midi) in enumerate(units, 1):
        name = pitch_name(midi, key)
        start_s, end_s = (lead_s + unit * beat_s / per_beat for unit in (start, end))
        notes.append(Note(index, start_s, end_s, midi + 0.25, name, 25.0, phrase=1))
    return Analysis(
        title="Grid",
        rate_hz=48_000,
        duration_s=downbeats[-1] + 1.0,
        tuning_hz=442.0,
        keys=(KeySpan(0.0, key),),
        key_source="given",
        key_confidence=1.0,
        bars=Bars(downbeats, meter, 60.0 / beat_s),
        chords=(),
        stems={
            "vocal": StemAnalysis(
                "vocal", "melody", tuple(notes), (Phrase(1, notes[0].start_s, notes[-1].end_s),)
            )
        },
    )


@st.composite
def songs(draw: st.DrawFn) -> tuple[Analysis, list[tuple[int, int, int]], int]:
    """A song, its notes in units from the first downbeat, and units to a beat."""
    meter = draw(st.sampled_from(METERS))
    compound = meter[1] == 8 and meter[0] in (6, 9, 12)
    per_beat = {2: 8, 4: 4, 8: 6 if compound else 2}[meter[1]]
    beats = Bars((), meter, 60.0).beats_in(1)
    lead_s = draw(st.floats(2.5, 4.0))
    beat_s = draw(st.floats(0.4, 0.8))
    lead_units = min(per_beat * beats - 1, int(lead_s / beat_s * per_beat) - 1)
    at = -draw(st.integers(0, lead_units))
    units = []
    for _ in range(draw(st.integers(1, 14))):
        length = draw(st.integers(1, 2 * per_beat * beats))
        units.append((at, at + length, draw(st.integers(48, 84))))
        # Either joined to the next note or with a rest that is too long to be a breath.
        at += length + draw(st.sampled_from((0, 0, per_beat, 3 * per_beat)))
    key = draw(st.sampled_from((Key("Bb", "major"), Key("F#", "minor"), Key("D", "dorian"))))
    analysis = song(
        meter=meter, lead_s=lead_s, beat_s=beat_s, units=units, per_beat=per_beat, key=key
    )
    return analysis, units, per_beat
