"""What a stranger types and feeds in: silence, wrong charts, wrong files; the answers."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from retune.faces.cli import main

RATE_HZ = 22050
SONG = """format = 1
[stems.vocal]
file = "vocal.wav"
role = "melody"
[stems.harp]
file = "vocal.wav"
role = "backing"
[music]
key = "C major"
meter = "4/4"
tempo_bpm = 120
first_downbeat_s = 0
chords = "C | G7"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """C4 for 1 s, then C4 from 2 s to 6 s, past the end of a chart of two bars (4 s)."""
    time_s = np.arange(6 * RATE_HZ) / RATE_HZ
    tone = sum(np.sin(2 * np.pi * 261.63 * k * time_s) / k for k in range(1, 6))
    sounding = (time_s < 1) | ((time_s > 2) & (time_s < 5.8))
    soundfile.write(tmp_path / "vocal.wav", 0.2 * tone * sounding, RATE_HZ)
    soundfile.write(tmp_path / "silent.wav", np.zeros(RATE_HZ), RATE_HZ)
    (tmp_path / "song.toml").write_text(SONG, encoding="utf-8")
    return tmp_path


def run(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    code = main([*map(str, words), "--no-cache"])
    out, err = capsys.readouterr()
    return code, out, err


def write(folder: Path, old: str, new: str) -> Path:
    assert old in SONG
    (folder / "song.toml").write_text(SONG.replace(old, new, 1), encoding="utf-8")
    return folder / "song.toml"


def test_where_nothing_is_found_it_says_so_once(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = run(capsys, "analyze", folder / "silent.wav")
    assert code == 0
    assert "no key found, no beat found, 1.0 s" in out
    assert "-1 bars" not in out
    assert "no notes heard" in out


def test_numbers_agree_with_their_nouns(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "analyze", folder / "song.toml")
    assert "1 notes" not in out
    assert "1 phrases" not in out


def test_a_note_held_past_the_chart_ends_over_its_last_chord(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, out, _ = run(capsys, "analyze", write(folder, "C | G7", "G7 | C"))
    assert "melody alone" not in out
    assert "at rest" in out


@pytest.mark.parametrize(
    ("chart", "says"),
    [("C | Hm", 'bar 2 ("Hm")'), ("C | G . . . .", "5 entries for 4 beats")],
)
def test_a_wrong_chart_is_placed_in_its_file(
    folder: Path, capsys: pytest.CaptureFixture[str], chart: str, says: str
) -> None:
    code, _, err = run(capsys, "analyze", write(folder, "C | G7", chart))
    assert code == 2
    assert "song.toml, line 13: music.chords: bar 2" in err
    assert says in err
    assert err.count("\n") == 1


def test_a_wrong_chart_of_a_recording_names_the_option(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("--key", "C major", "--tempo", "120", "--downbeat", "0", "--chords", "C | Hm")
    code, _, err = run(capsys, "analyze", folder / "vocal.wav", *words)
    assert code == 2
    assert err.startswith("retune: error: --chords: bar 2")


def test_a_correction_of_a_stem_without_notes_is_told(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    extra = '[[corrections]]\nstem = "harp"\nat_s = 2.5\nset = "drop"\n'
    (folder / "song.toml").write_text(SONG + extra, encoding="utf-8")
    code, _, err = run(capsys, "analyze", folder / "song.toml")
    assert code == 0
    assert "stem harp is not read for notes" in err


def test_an_option_beside_what_is_no_song_names_the_real_fault(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "voice.m4a").write_bytes(b"\0\0\0\x20ftypM4A \0\0")
    code, _, err = run(capsys, "analyze", folder / "voice.m4a", "--key", "C major")
    assert code == 2
    assert "voice.m4a is damaged or cut off" in err
    code, _, err = run(capsys, "analyze", folder, "--key", "C major")
    assert code == 2
    assert "is a folder" in err


def test_text_without_quotes_is_told_to_have_them(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = run(capsys, "analyze", write(folder, '"C major"', "C major"))
    assert code == 2
    assert "line 9: not valid TOML: Invalid value; put text in quotes" in err


def test_an_empty_rule_is_refused(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = run(capsys, "plan", folder / "song.toml", "--rule", " ")
    assert code == 2
    assert "the rule is empty" in err


def test_a_wrong_rule_of_a_variant_is_placed_in_its_file(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    extra = """[variants.odd]
rules = [
    "move phrase-ending degree 2 to degree 1",
    "move phrase-endin degree 2 to degree 1",
]
"""
    (folder / "song.toml").write_text(SONG + extra, encoding="utf-8")
    code, _, err = run(capsys, "plan", folder / "song.toml", "--variant", "odd")
    assert code == 2
    assert "song.toml, line 17: variants.odd.rules entry 2: unknown word" in err
    assert "column 6" in err


def test_verify_reads_the_folder_of_a_batch(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    extra = '[variants.up]\nrules = ["move every degree 1 to degree 2"]\n'
    (folder / "song.toml").write_text(SONG + extra, encoding="utf-8")
    out = folder / "made"
    code, _, _ = run(capsys, "batch", folder / "song.toml", "--out", out)
    assert code == 0
    assert main(["verify", str(out), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert len(found) == 1
    assert next(iter(found)).endswith("/up")
