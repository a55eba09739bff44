"""Roles of stems whose names say nothing, from small sounds whose pitch is known by a formula."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from retune.pipeline.demo import demo_folder
from retune.pipeline.part_guess import guessed_parts
from retune.sound.audio import open_audio

RATE_HZ = 8000
NOTE_S = 0.4
LEAD = (60, 62, 64, 65, 67, 69, 67, 65, 64, 62, 60, 67, 64, 72, 71, 67)
THIRD_ABOVE = (64, 65, 67, 69, 71, 72, 71, 69, 67, 65, 64, 71, 67, 76, 74, 71)
ELSEWHERE = (72, 71, 69, 67, 65, 64, 62, 60, 67, 69, 72, 62, 69, 60, 64, 76)
Sound = NDArray[np.float64]


def tone(midi: float, seconds: float, *, decay: float = 0.0, harmonics: int = 6) -> Sound:
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    hz = 440 * 2 ** ((midi - 69) / 12)
    waves = [np.sin(2 * np.pi * k * hz * t) / k for k in range(1, harmonics + 1)]
    return 0.2 * np.sum(waves, axis=0) * np.exp(-decay * t) * np.minimum(1, t / 0.01)


def line(pitches: tuple[int, ...], *, cents: float = 0.0) -> Sound:
    rest = np.zeros(round(0.05 * RATE_HZ))
    parts = [[tone(midi + cents / 100, NOTE_S - 0.05), rest] for midi in pitches]
    return np.concatenate([sound for part in parts for sound in part])


def chords() -> Sound:
    roots = (48, 53, 55, 48) * 4
    return np.concatenate(
        [sum(tone(root + step, NOTE_S, decay=1) for step in (0, 4, 7, 12)) for root in roots]
    )


def struck(length_s: float = 0.05) -> Sound:
    """Bursts of noise that die away."""
    t = np.arange(round(NOTE_S * RATE_HZ)) / RATE_HZ
    rng = np.random.default_rng(5)
    return np.concatenate([rng.normal(0, 0.2, len(t)) * np.exp(-t / length_s) for _ in LEAD])


def kick() -> Sound:
    return np.concatenate([tone(31, NOTE_S, decay=12, harmonics=2) for _ in LEAD])


SOUNDS = {
    "lead": line(LEAD),
    "double": 0.6 * np.roll(line(LEAD, cents=12), 200),
    "third": 0.7 * line(THIRD_ABOVE),
    "elsewhere": 0.5 * line(ELSEWHERE),
    "bass": np.concatenate([tone(m - 28, NOTE_S, decay=2) for m in LEAD]),
    "chords": chords(),
    "snare": struck(),
    "kick": kick(),
    "silence": np.zeros(round(NOTE_S * RATE_HZ) * len(LEAD)),
}


def guesses(folder: Path, **named: str) -> dict[str, tuple[str, str]]:
    """Role and reason of stems: their names, with the sound that each has."""
    files = {}
    for name, kind in named.items():
        soundfile.write(folder / f"{name}.wav", SOUNDS[kind], RATE_HZ, "PCM_24")
        files[name] = open_audio(folder / f"{name}.wav")
    return {name: (found.role, found.reason) for name, found in guessed_parts(files).items()}


def test_names_that_say_nothing_leave_it_to_the_sound(tmp_path: Path) -> None:
    kinds = ("lead", "double", "third", "bass", "chords", "snare", "kick", "silence")
    found = guesses(tmp_path, **{f"Audio_{k}": kind for k, kind in enumerate(kinds)})
    assert [role for role, _ in found.values()] == [
        *("melody", "double", "harmony", "bass", "backing", "unpitched", "unpitched", "backing")
    ]
    assert found["Audio_1"][1].startswith("it sings what Audio_0 sings, ")
    assert found["Audio_2"][1] == "it moves along with Audio_0, a third above it"
    assert all(reason for _, reason in found.values())


def test_a_name_wins_over_the_sound(tmp_path: Path) -> None:
    found = guesses(tmp_path, Piano="lead", Snare="bass", Vox_Dbl="elsewhere", Audio_1="third")
    assert {name: role for name, (role, _) in found.items()} == {
        "Piano": "backing",
        "Snare": "unpitched",
        "Vox_Dbl": "double",
        "Audio_1": "melody",
    }
    assert not found["Piano"][1]


def test_of_several_that_sing_by_name_the_sound_tells_who_goes_along(tmp_path: Path) -> None:
    found = guesses(tmp_path, Vox_1="double", Vox_2="lead", Vox_3="third", Bass="bass")
    assert [found[name][0] for name in ("Vox_1", "Vox_2", "Vox_3")] == [
        *("double", "melody", "harmony")
    ]
    named = guesses(tmp_path, Lead_Vox="third", Vox_2="lead")
    assert [role for role, _ in named.values()] == ["melody", "harmony"]


def test_two_unlike_lines_are_both_melodies_and_left_to_be_asked(tmp_path: Path) -> None:
    found = guesses(tmp_path, Audio_1="lead", Audio_2="elsewhere")
    assert [role for role, _ in found.values()] == ["melody", "melody"]
    beside = guesses(tmp_path, Lead_Vox="lead", Audio_2="elsewhere")
    assert beside["Audio_2"] == ("backing", "one note at a time, but not along with Lead_Vox")


@pytest.mark.parametrize("part", ["vocal", "bass", "harp", "brushes"])
def test_the_demo_s_stems_are_told_by_their_sound(part: str) -> None:
    audio = open_audio(demo_folder() / f"{part}.flac")
    (guess,) = guessed_parts({"Audio 1": audio}).values()
    roles = {"vocal": "melody", "bass": "bass", "harp": "backing", "brushes": "unpitched"}
    assert guess.role == roles[part]
