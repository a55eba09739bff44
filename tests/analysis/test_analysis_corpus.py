"""Public-domain chorale melodies of music21's corpus, rendered to a simple voice and read back.

Degrees and phrase endings (the notes under fermatas) must come back as the score has them.
"""

from __future__ import annotations

from typing import Any

import pytest
from played import Tone, hear

from retune.carriers.heard import Analysis, Key
from retune.theory.keys import degree_of

CHORALES = ("bach/bwv269", "bach/bwv347", "bach/bwv153.1", "bach/bwv66.6")


def soprano(corpus_id: str) -> tuple[list[Tone], list[int], Key, float]:
    """The upper voice without ties, positions under fermatas, the key, and beats of pickup."""
    from music21 import corpus, expressions

    score: Any = corpus.parse(corpus_id)
    part = score.parts[0]
    found = score.analyze("key")
    tones: list[Tone] = []
    fermatas = []
    for note in part.flatten().stripTies().notes:
        if any(isinstance(e, expressions.Fermata) for e in note.expressions):
            fermatas.append(len(tones))
        tones.append(Tone(float(note.offset), float(note.quarterLength), float(note.pitch.midi)))
    first = part.getElementsByClass("Measure").first()
    pickup = float(first.duration.quarterLength)
    pickup = pickup if pickup < float(first.barDuration.quarterLength) else 0.0
    key = Key(found.tonic.name.replace("-", "b"), found.mode)
    return [Tone(t.beat - pickup, t.beats, t.midi) for t in tones], fermatas, key, pickup


def read_back(corpus_id: str) -> tuple[Analysis, list[str], list[int]]:
    tones, fermatas, key, pickup = soprano(corpus_id)
    beat_s = 60 / 80
    start_s = 0.5 + pickup * beat_s
    spans, first = [], 0
    for last in fermatas:
        spans.append(
            (
                start_s + tones[first].beat * beat_s,
                start_s + (tones[last].beat + tones[last].beats) * beat_s,
            )
        )
        first = last + 1
    found = hear(tones, bpm=80, start_s=start_s, key=str(key), phrases=tuple(spans))
    return found, [degree_of(round(t.midi), key) for t in tones], fermatas


@pytest.mark.parametrize("corpus_id", CHORALES)
def test_a_melody_comes_back(corpus_id: str) -> None:
    found, degrees, fermatas = read_back(corpus_id)
    stem = found.stems["vocal"]
    assert [note.degree for note in stem.notes] == degrees
    assert [phrase.ending_degree for phrase in stem.phrases] == [degrees[k] for k in fermatas]
    assert [phrase.ending_note for phrase in stem.phrases] == [k + 1 for k in fermatas]
