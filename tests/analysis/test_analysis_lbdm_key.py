"""LBDM and keys against published and closed-form values."""

from __future__ import annotations

import numpy as np
import pytest

from retune.analysis.chroma import spectra_of
from retune.analysis.key import FoundKey, _beside, find_key, histogram, in_its_mode, in_mode
from retune.analysis.key_harmony import Harmony, harmony_of
from retune.analysis.lbdm import boundary_strength
from retune.carriers.heard import Audio, Key
from retune.theory.keys import tonic_pc

PITCHES = [60, 62, 64, 65, 67, 67, 65, 64, 62, 60]


def test_lbdm_worked_example_with_a_rest() -> None:
    # By hand from the definition of Cambouropoulos 2001, in MIDI Toolbox's conventions.
    onset = [0, 1, 2, 3, 4, 7, 8, 9, 10, 11]
    found = boundary_strength(onset, [1, 1, 1, 1, 2, 1, 1, 1, 1, 2], PITCHES)
    wanted = [1, 0, 0.0625, 0.0625, 0.3333, 0.75, 0.3333, 0.0625, 0.0625, 0]
    assert found == pytest.approx(wanted, abs=1e-4)


def test_lbdm_worked_example_without_the_rest() -> None:
    onset = [0, 1, 2, 3, 4, 6, 7, 8, 9, 10]
    found = boundary_strength(onset, [1, 1, 1, 1, 2, 1, 1, 1, 1, 2], PITCHES)
    wanted = [1, 0, 0.0625, 0.0625, 0.375, 0.5, 0.375, 0.0625, 0.0625, 0]
    assert found == pytest.approx(wanted, abs=1e-4)


@pytest.mark.parametrize("n", [0, 1])
def test_lbdm_of_next_to_nothing(n: int) -> None:
    assert list(boundary_strength([0.0] * n, [1.0] * n, [60.0] * n)) == [1.0] * n


def test_all_pitch_classes_alike_have_no_key() -> None:
    # A correlation with a flat histogram is undefined: no key, never C.
    found = find_key(list(range(60, 72)), [1.0] * 12)
    assert found.key is None
    assert found.confidence == 0.0


@pytest.mark.parametrize("tonic", range(12))
@pytest.mark.parametrize(
    ("mode", "scale"), [("major", (0, 2, 4, 5, 7, 9, 11)), ("minor", (0, 2, 3, 5, 7, 8, 11))]
)
def test_a_scale_and_its_tonic_give_the_key(tonic: int, mode: str, scale: tuple[int, ...]) -> None:
    notes = [60 + tonic + step for step in (*scale, 12)]
    found = find_key(notes, [1.0] * len(notes), last=notes[-1])
    assert found.key is not None
    assert (found.key.mode, found.confidence > 0) == (mode, True)
    assert histogram(notes, [1.0] * len(notes))[tonic] == 2


@pytest.mark.parametrize(
    ("key", "rival", "written"),
    [
        (Key("Db", "major"), Key("Bb", "minor"), "Bb minor"),
        (Key("Db", "major"), Key("F#", "major"), "Gb major"),
        (Key("Eb", "major"), Key("G#", "minor"), "Ab minor"),
        (Key("E", "major"), Key("G#", "minor"), "G# minor"),
        (Key("F#", "major"), Key("Eb", "minor"), "D# minor"),
        (Key("C#", "minor"), Key("Db", "major"), "C# major"),
        (Key("Bb", "major"), Key("G", "minor"), "G minor"),
    ],
)
def test_a_rival_is_written_as_its_neighbour_is(key: Key, rival: Key, written: str) -> None:
    # Signatures of Db major: 5 flats, Gb major 6, F# major 6 sharps (common practice, no source).
    assert str(_beside(key, rival)) == written


def test_the_third_decides_the_mode() -> None:
    # C D Eb G with E natural never heard.
    found = find_key([60, 62, 63, 67, 60, 67, 60], [1, 1, 1, 1, 1, 1, 2], last=60)
    assert found.key == Key("C", "minor")


def test_a_bare_scale_is_less_sure_than_a_closing_one() -> None:
    scale = [60, 62, 64, 65, 67, 69, 71]
    bare = find_key(scale, [1.0] * 7)
    closing = find_key([*scale, 72, 67, 64, 60], [1.0] * 11, last=60)
    assert bare.confidence < closing.confidence
    assert closing.key == Key("C", "major")
    assert np.isfinite(bare.confidence)


def chords_played(rows: list[tuple[int, ...]], *, is_whole: bool = True) -> Harmony:
    """Chords of a second each, four partials a tone."""
    t = np.arange(22_050) / 22_050
    sounds = [
        sum(
            np.sin(2 * np.pi * 440 * 2 ** ((m - 69) / 12) * k * t) / k
            for m in chord
            for k in (1, 2, 3, 4)
        )
        for chord in rows
    ]
    audio = Audio(0.05 * np.concatenate(sounds)[:, None], 22_050)
    harmony = harmony_of(spectra_of([audio], tuning_hz=440.0), is_whole=is_whole)
    assert harmony is not None
    return harmony


@pytest.mark.parametrize("lift", range(0, 12, 5))
def test_a_dominant_tells_a_minor_key_from_its_relative_major(lift: int) -> None:
    """i iv i V7 i under a melody of tones that both keys have (common practice, no source)."""
    rows = [(45, 57, 60, 64), (50, 57, 62, 65), (45, 57, 60, 64), (40, 56, 59, 62, 64)]
    rows = [tuple(m + lift for m in row) for row in [*rows, rows[0]]]
    melody = [m + lift for m in (72, 76, 74, 72, 76)]
    found = find_key(melody, [1.0] * 5, last=melody[-1], harmony=chords_played(rows))
    assert found.key is not None
    assert (tonic_pc(found.key), found.key.mode) == ((9 + lift) % 12, "minor")
    assert 0.5 <= found.confidence <= 0.99


@pytest.mark.parametrize("lift", [0, 7])
@pytest.mark.parametrize(
    ("mode", "rounds", "chords"),
    [
        ("major", 4, "0:7 5:7 0:7 7:7 5:7 0:7"),  # a blues
        ("major", 2, "0:maj 0:maj 10:maj 5:maj 0:maj"),  # mixolydian
        ("minor", 3, "0:min 0:min 5:maj 0:min"),  # dorian
        ("minor", 3, "0:min 8:maj 10:maj 0:min"),  # aeolian
    ],
)
def test_chords_that_go_round_are_told_by_where_they_come_home(
    mode: str, rounds: int, chords: str, lift: int
) -> None:
    """Common practice, no source."""
    shapes = {"maj": (0, 4, 7), "min": (0, 3, 7), "7": (0, 4, 7, 10)}
    pairs = [chord.split(":") for chord in rounds * chords.split()]
    roots = [(int(root) + lift, shapes[kind]) for root, kind in pairs]
    rows = [(36 + root, *(48 + root + s for s in shape)) for root, shape in roots for _ in (0, 1)]
    found = find_key([], [], harmony=chords_played(rows)).key
    assert found is not None
    assert (tonic_pc(found), found.mode) == (lift % 12, mode)


def test_a_part_of_a_song_has_no_beginning_and_no_end() -> None:
    rows = [(36, 48, 52, 55), (41, 53, 57, 60), (43, 55, 59, 62), (36, 48, 52, 55)]
    whole, part = chords_played(rows), chords_played(rows, is_whole=False)
    assert whole.first.sum() == whole.last.sum() == pytest.approx(1.0)
    assert whole.first_bass.any()
    assert whole.last_bass.any()
    for ends in (part.first, part.last, part.first_bass, part.last_bass, part.last_chroma):
        assert not ends.any()
    assert np.array_equal(whole.chords, part.chords)


@pytest.mark.parametrize(
    ("mode", "home", "steps"),
    [
        ("lydian", "major", (0, 2, 4, 6, 7, 9, 11)),
        ("mixolydian", "major", (0, 2, 4, 5, 7, 9, 10)),
        ("dorian", "minor", (0, 2, 3, 5, 7, 9, 10)),
        ("phrygian", "minor", (0, 1, 3, 5, 7, 8, 10)),
    ],
)
def test_a_scale_of_a_mode_is_told_by_its_own_tone(mode, home, steps) -> None:
    counts = histogram([60 + s for s in steps], [1.0] * 7)
    assert in_its_mode(Key("C", home), counts) == Key("C", mode)


@pytest.mark.parametrize(
    ("mode", "steps"), [("major", (0, 2, 4, 5, 7, 9, 11)), ("minor", (0, 2, 3, 5, 7, 8, 10, 11))]
)
def test_a_major_or_minor_scale_stays_what_it_is(mode, steps) -> None:
    counts = histogram([60 + s for s in steps], [1.0] * len(steps))
    assert in_its_mode(Key("C", mode), counts) == Key("C", mode)


def test_a_mode_is_heard_in_all_of_a_song_or_not_at_all() -> None:
    flat, sharp = (
        histogram([60 + s for s in (0, 2, 4, 5, 7, 9, seven)], [1.0] * 7) for seven in (10, 11)
    )
    found = FoundKey(Key("C", "major"), 0.9)
    assert in_mode(found, [flat, flat], is_sure=True).key == Key("C", "mixolydian")
    assert in_mode(found, [6 * flat, sharp], is_sure=True) == found
    assert in_mode(found, [], is_sure=True) == found
