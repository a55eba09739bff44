"""Files out: own bit depth, the session's time reference, and only what changed where asked."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from retune import pipeline
from retune.faces.cli import main
from retune.sound.audiohead import common_time_reference
from retune.sound.audiowrite import write_wav

RATE_HZ = 44_100
HOUR = 3600 * RATE_HZ
SONG = """\
format = 1
title = "Three Steps"
[stems.lead]
file = "lead.wav"
role = "melody"
[stems.pad]
file = "pad.wav"
role = "backing"
[music]
key = "C major"
meter = "4/4"
tempo_bpm = 120
first_downbeat_s = 0.0
phrases = "every 2 bars"
[variants.home]
rules = ["move every degree 2 to degree 1"]
"""


def tones(pitches_midi: list[int]) -> np.ndarray:
    """Half-second notes of ten falling harmonics, with short edges."""
    time_s = np.arange(RATE_HZ // 2) / RATE_HZ
    edge = np.minimum(1, np.minimum(time_s, time_s[::-1]) / 0.02)
    notes = []
    for pitch in pitches_midi:
        hz = 440 * 2 ** ((pitch - 69) / 12)
        sound = sum(np.sin(2 * np.pi * hz * k * time_s) / k for k in range(1, 11))
        notes.append(0.15 * edge * sound)
    return np.concatenate(notes)[:, None].astype(np.float32)


@pytest.fixture(scope="module")
def rendered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("session")
    (folder / "song.toml").write_text(SONG, encoding="utf-8")
    for name, pitches in {"lead": [60, 62, 64, 62] * 2, "pad": [48] * 8}.items():
        write_wav(
            folder / f"{name}.wav",
            [tones(pitches)],
            rate_hz=RATE_HZ,
            n_channels=1,
            subtype="PCM_16",
            time_reference=HOUR,
        )
    command = ("render", str(folder / "song.toml"), "--all", "--quiet")
    assert main([*command, "--out", str(folder / "all")]) == 0
    assert main([*command, "--out", str(folder / "few"), "--changed-only"]) == 0
    return folder


def test_stems_keep_their_depth_and_samples_and_mixes_are_finer(rendered: Path) -> None:
    for place in ("original", "home"):
        kinds = {n: soundfile.info(rendered / "all" / place / f"{n}.wav").subtype
                 for n in ("lead", "pad", "mix")}  # fmt: skip
        assert kinds == {"lead": "PCM_16", "pad": "PCM_16", "mix": "PCM_24"}
    given, _ = soundfile.read(rendered / "pad.wav", dtype="int16")
    written, _ = soundfile.read(rendered / "all/home/pad.wav", dtype="int16")
    np.testing.assert_array_equal(written, given)


def test_every_file_keeps_the_time_reference_of_the_session(rendered: Path) -> None:
    files = sorted((rendered / "all").glob("*/*.wav"))
    assert len(files) == 6
    assert [common_time_reference([path]) for path in files] == [HOUR] * 6


def test_with_changed_only_the_manifest_names_what_was_not_written(rendered: Path) -> None:
    home = rendered / "few/home"
    assert sorted(path.name for path in home.iterdir()) == ["lead.wav", "manifest.json", "mix.wav"]
    all_of = json.loads((rendered / "all/home/manifest.json").read_text(encoding="utf-8"))
    manifest = json.loads((home / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["unwritten"] == {"pad.wav": all_of["outputs"]["pad.wav"]}
    assert manifest["outputs"] | manifest["unwritten"] == all_of["outputs"]
    assert manifest["address"] != all_of["address"]


def test_verify_holds_the_original_to_the_hash_that_stands_for_it(rendered: Path) -> None:
    (same,) = pipeline.verify(rendered / "few")
    assert same.identical, same.differences
    (whole,) = pipeline.verify(rendered / "all")
    assert whole.identical, whole.differences
    pad = rendered / "few/original/pad.wav"
    kept = pad.read_bytes()
    pad.write_bytes(kept[:-2] + b"\1\0")
    (changed,) = pipeline.verify(rendered / "few")
    pad.write_bytes(kept)
    assert "original/pad.wav is not the file that was written" in changed.differences


def test_a_folder_that_held_all_stems_then_holds_the_changed_ones(rendered: Path) -> None:
    out = rendered / "twice"
    command = ["render", str(rendered / "song.toml"), "--all", "--quiet", "--out", str(out)]
    assert main(command) == 0
    assert (out / "home/pad.wav").is_file()
    assert main([*command, "--changed-only"]) == 0
    assert not (out / "home/pad.wav").exists()
