"""The tonic seventh of a blues: a dominant seventh on I that comes back as the tonic.

In a major key such a chord is else V7 of IV. Common practice, no source; the bounds are ours.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from retune.carriers.heard import Chord, Key
from retune.theory.chords import is_no_chord, seventh_semitone, third_semitone
from retune.theory.chordtables import TONIC_SEVENTHS
from retune.theory.keys import tonic_pc

LEAST_TIMES = 2
"""So often it has to come."""
LEAST_SHARE = 0.5
"""Of the time that chords on the tonic sound, so much it has to have."""


def with_tonic_sevenths(
    chords: Sequence[Chord], key_at: Callable[[float], Key | None]
) -> tuple[Chord, ...]:
    """The chords, the tonic sevenths of keys whose harmony is a blues named as such ("Ib7" for
    "V7/IV"): those in which the seventh chord comes twice or more and for at least half of the time
    that chords on the tonic sound."""
    keys = [None if is_no_chord(c) else key_at(c.start_s + 1e-6) for c in chords]
    blue = {key for key in set(keys) if key is not None and _is_blues(chords, keys, key)}
    return tuple(
        _named(chord) if key in blue and key and is_tonic_seventh(chord, key) else chord
        for chord, key in zip(chords, keys, strict=True)
    )


def is_tonic_seventh(chord: Chord, key: Key) -> bool:
    """Whether a chord is a dominant seventh on the tonic of a major key."""
    on_tonic = key.mode == "major" and chord.root_pc == tonic_pc(key)
    return on_tonic and (third_semitone(chord), seventh_semitone(chord)) == (4, 10)


def _is_blues(chords: Sequence[Chord], keys: Sequence[Key | None], key: Key) -> bool:
    here = [c for c, k in zip(chords, keys, strict=True) if k == key]
    on_tonic = [c for c in here if c.root_pc == tonic_pc(key)]
    sevenths = [c for c in on_tonic if is_tonic_seventh(c, key)]
    length_s = sum(c.end_s - c.start_s for c in on_tonic)
    share = sum(c.end_s - c.start_s for c in sevenths) / max(length_s, 1e-9)
    return len(sevenths) >= LEAST_TIMES and share >= LEAST_SHARE


def _named(chord: Chord) -> Chord:
    members = dict(chord.tones)
    places = {"root": 0, "third": 1, "fifth": 2, "seventh": 3}
    return replace(chord, roman=TONIC_SEVENTHS[places.get(members.get(chord.bass_pc, ""), 0)])
