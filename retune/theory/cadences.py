"""The cadence that closes a phrase, by name, from its last two chords and its last melody note.

Common practice, no source; the names as in first-year textbooks. Conventions of ours are printed
in the user's docs (`retune help harmony`).
"""

from __future__ import annotations

from collections.abc import Sequence

from retune.carriers.heard import Cadence, Chord, Key
from retune.theory.chords import (
    acts_as_dominant,
    fifth_semitone,
    is_no_chord,
    is_root_position,
    is_tonic_chord,
    third_semitone,
)
from retune.theory.keys import degree_of, tonic_pc


def cadence_of(chords: Sequence[Chord], midi: int, key: Key) -> Cadence:
    """The cadence on the last of a phrase's chords.

    Parameters
    ----------
    chords : sequence of Chord
        Those that sound in the phrase, to the one that its ending is judged by; at least one.
    midi : int
        The melody's last note.
    key : Key
        The key in force there.

    Returns
    -------
    Cadence
        "perfect authentic": V in root position to the tonic chord in root position, the melody on
        1; "imperfect authentic": other V or viio to the tonic chord; "plagal": IV or iv to it;
        "half": on V; "phrygian half": iv6 to V; "deceptive": V to vi (VI, bVI) or to IV6;
        "none": all else, also a phrase of one chord.
    """
    last = chords[-1]
    before = _before(chords)
    if before is None or is_no_chord(last):
        return "none"
    if acts_as_dominant(last, key):
        return "phrygian half" if _is_phrygian(before, key) else "half"
    leads = acts_as_dominant(before, key)
    if is_tonic_chord(last, key):
        return _on_the_tonic(before, last, midi, key)
    return "deceptive" if leads and _is_deceiving(last, key) else "none"


def _before(chords: Sequence[Chord]) -> Chord | None:
    """The last chord on another root: a suspension or inversion of the last is no step to it."""
    last = chords[-1]
    for chord in reversed(chords[:-1]):
        if not is_no_chord(chord) and chord.root_pc != last.root_pc:
            return chord
    return None


def _on_the_tonic(before: Chord, last: Chord, midi: int, key: Key) -> Cadence:
    tonic = tonic_pc(key)
    if (last.bass_pc - last.root_pc) % 12 == fifth_semitone(last):
        return "none"
    dominant = (tonic + 7) % 12
    if acts_as_dominant(before, key):
        closed = before.bass_pc == dominant and is_root_position(last)
        return (
            "perfect authentic" if closed and degree_of(midi, key) == "1" else "imperfect authentic"
        )
    if (before.root_pc - tonic) % 12 == 11 and fifth_semitone(before) == 6:
        return "imperfect authentic"
    is_fourth = (before.root_pc - tonic) % 12 == 5 and third_semitone(before) in (3, 4)
    return "plagal" if is_fourth else "none"


def _is_phrygian(before: Chord, key: Key) -> bool:
    """Whether a chord is iv with the lowered sixth in the bass."""
    root, bass = ((pc - tonic_pc(key)) % 12 for pc in (before.root_pc, before.bass_pc))
    return (root, bass, third_semitone(before)) == (5, 8, 3)


def _is_deceiving(last: Chord, key: Key) -> bool:
    root, bass = ((pc - tonic_pc(key)) % 12 for pc in (last.root_pc, last.bass_pc))
    if root == 5:
        return bass in (8, 9)
    return (root, third_semitone(last)) in ((9, 3), (8, 4))
