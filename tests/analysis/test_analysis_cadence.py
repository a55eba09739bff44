"""Which chords a phrase's cadence is told by."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

from retune.analysis.stems import _cadence
from retune.carriers.heard import Key
from retune.theory.chords import parse_chord

C = Key("C", "major")


def test_the_chord_of_the_ending_counts_though_it_ends_as_the_phrase_begins() -> None:
    dominant, tonic = (
        replace(parse_chord(name, C), start_s=start_s, end_s=start_s + 1.0)
        for name, start_s in (("G", 0.0), ("C", 1.0))
    )
    facts = SimpleNamespace(chords=(dominant, tonic))
    short = SimpleNamespace(chord=tonic, midi_name=60)
    assert _cadence(facts, SimpleNamespace(start_s=1.95), short, C) == "none"
    assert _cadence(facts, SimpleNamespace(start_s=0.2), short, C) == "perfect authentic"
