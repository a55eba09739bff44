"""Song files that do not read: one line with file, line, key and what to change."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from retune.carriers.errors import SongFileError
from retune.song.songfile import read_song

HEAD = """\
format = 1
title = "Lantern Song"
[stems.vocal]
file = "vocal.flac"
role = "melody"
"""


@pytest.fixture
def home(tmp_path: Path) -> Path:
    (tmp_path / "song").mkdir()
    for name in ("vocal.flac", "melody.txt", "chords.lab"):
        (tmp_path / "song" / name).write_bytes(b"")
    (tmp_path / "outside.wav").write_bytes(b"")
    os.symlink(tmp_path / "outside.wav", tmp_path / "song" / "link.wav")
    os.symlink("loop.wav", tmp_path / "song" / "loop.wav")
    (tmp_path / "song" / "folder").mkdir()
    return tmp_path / "song"


def swap(old: str, new: str) -> str:
    assert old in HEAD
    return HEAD.replace(old, new)


def music(line: str) -> str:
    return f"{HEAD}[music]\n{line}\n"


def variant(text: str) -> str:
    return f"{HEAD}{text}\n"


def correction(stem: str, at_s: str, form: str) -> str:
    return f"{HEAD}[[corrections]]\nstem = {stem}\nat_s = {at_s}\nset = {form}\n"


CASES = {
    # the whole file
    "no-format": (swap("format = 1\n", ""), "song.toml: format is missing; add format = 1"),
    "format-2": (
        swap("format = 1", "format = 2"),
        "line 1: format: 2 is newer than this retune",
    ),
    "format-text": (swap("format = 1", 'format = "1"'), 'line 1: format: "1" is not known'),
    "format-true": (swap("format = 1", "format = true"), "line 1: format: true is not known"),
    "format-decimal": (swap("format = 1", "format = 1.0"), "line 1: format: 1.0 is not known"),
    "unknown-top": (f"tittle = 1\n{HEAD}", 'line 1: tittle: unknown key; did you mean "title"?'),
    "title-number": (swap('"Lantern Song"', "7"), "line 2: title: 7 must be a string in quotes"),
    "title-lines": (swap('"Lantern Song"', '"a\\nb"'), "line 2: title: must be one line"),
    "title-bell": (swap('"Lantern Song"', '"a\\u0007"'), "line 2: title: .* control character"),
    "not-toml": ("format = 1\ntitle = Lantern\n", "line 2: not valid TOML: Invalid value"),
    "twice": (f"{HEAD}[stems.vocal]\n", "line 6: not valid TOML: Cannot declare"),
    "unclosed": ('format = 1\ntitle = "x\n', "line 2: not valid TOML"),
    "deep": ("format = 1\nx = " + "[" * 5000, "not valid TOML: nested too deeply"),
    "huge-int": (music(f"tempo_bpm = {'9' * 5000}"), "a number of more than 400 digits"),
    "empty": ("", "song.toml: format is missing"),
    # stems
    "no-stems": ("format = 1\n", r"song.toml: stems is missing; add \[stems.vocal\]"),
    "empty-stems": ("format = 1\n[stems]\n", r"line 2: stems: names no stem; add \[stems.vocal\]"),
    "stems-list": (
        "format = 1\nstems = []\n",
        r"line 2: stems: \[\] must be tables, as \[stems.NAME",
    ),
    "stem-text": (
        'format = 1\n[stems]\nvocal = "a.wav"\n',
        "line 3: stems.vocal: .* must be a table",
    ),
    "stem-unknown": (
        f"{HEAD}gain = 3\n",
        'line 6: stems.vocal.gain: unknown key; did you mean "gain_db"',
    ),
    "no-file": (swap('file = "vocal.flac"\n', ""), "line 3: stems.vocal: file is missing"),
    "no-role": (swap('role = "melody"\n', ""), "line 3: stems.vocal: role is missing"),
    "role": (
        swap('"melody"', '"lead"'),
        'line 5: stems.vocal.role: "lead" is not known; use "melody"',
    ),
    "role-list": (swap('"melody"', "[]"), r"line 5: stems.vocal.role: \[\] is not known"),
    "file-gone": (
        swap("vocal.flac", "vocals.flac"),
        'line 4: stems.vocal.file: "vocals.flac" does not',
    ),
    "file-long-name": (
        swap("vocal.flac", "v" * 500),
        "line 4: stems.vocal.file: .*does not exist; check the name",
    ),
    "file-folder": (swap("vocal.flac", "folder"), "line 4: stems.vocal.file: .* is a folder"),
    "file-up": (swap("vocal.flac", "../outside.wav"), "line 4: .* leaves the song's folder; move"),
    "file-absolute": (
        swap("vocal.flac", "/etc/passwd"),
        "line 4: .* is absolute; give a path inside",
    ),
    "file-drive": (swap("vocal.flac", "C:/a.wav"), "line 4: .* is absolute"),
    "file-backslash": (swap('"vocal.flac"', "'..\\a.wav'"), "line 4: .* holds a backslash"),
    "file-link-out": (swap("vocal.flac", "link.wav"), "line 4: .* leads out of the song's folder"),
    "file-link-loop": (
        swap("vocal.flac", "loop.wav"),
        "line 4: stems.vocal.file: .* loop of links",
    ),
    "file-number": (swap('"vocal.flac"', "3"), "line 4: stems.vocal.file: 3 must be a string"),
    "gain-text": (
        f'{HEAD}gain_db = "3"\n',
        'line 6: stems.vocal.gain_db: "3" must be a number from',
    ),
    "gain-bool": (f"{HEAD}gain_db = true\n", "line 6: stems.vocal.gain_db: true must be a number"),
    "gain-nan": (f"{HEAD}gain_db = nan\n", "line 6: stems.vocal.gain_db: nan is out of range"),
    "gain-large": (
        f"{HEAD}gain_db = 61\n",
        "line 6: .*61 is out of range; must be a number from -60 to",
    ),
    "gain-endless": (
        f"{HEAD}gain_db = {'9' * 400}\n",
        "line 6: a number of more than 400 digits",
    ),
    "gain-hex": (f"{HEAD}gain_db = 0x{'F' * 9000}\n", "line 6: a number of more than 400 digits"),
    "key-lines": (f'"a\\nb" = 1\n{HEAD}', r"line 1: a b: unknown key"),
    "title-hex": (
        swap('"Lantern Song"', f"[0x{'F' * 9000}]"),
        "line 2: a number of more than 400 digits",
    ),
    "follow": (
        f'{HEAD}follow = "thirds"\n',
        'line 6: .*"thirds" is not known; use "keep", "scale steps"',
    ),
    "follow-twice": (
        f'{HEAD}follow = "keep"\nwhen_melody_moves = "keep"\n',
        "line 6: stems.vocal.follow: stands beside when_melody_moves, its new name",
    ),
    "when_melody_moves": (
        f'{HEAD}when_melody_moves = "thirds"\n',
        'line 6: .*"thirds" is not known; use "keep", "scale steps"',
    ),
    "name-space": (
        swap("stems.vocal", 'stems."my vocal"'),
        'line 3: .*"my vocal" cannot name a stem',
    ),
    "name-digit": (
        swap("stems.vocal", "stems.2nd"),
        'line 3: .*"2nd" cannot name a stem; use a letter',
    ),
    "name-emoji": (swap("stems.vocal", 'stems."🎤"'), "line 3: .* cannot name a stem"),
    "name-rtl": (swap("stems.vocal", 'stems."קול"'), "line 3: .* cannot name a stem"),
    "name-long": (swap("stems.vocal", f"stems.{'v' * 65}"), "line 3: .* cannot name a stem"),
    "name-mix": (
        swap("stems.vocal", "stems.Mix"),
        'line 3: stems.Mix: "Mix" has a meaning of its own',
    ),
    "name-word": (
        swap("stems.vocal", "stems.highest"),
        'line 3: .*"highest" has a meaning of its own',
    ),
    "name-number": (swap("stems.vocal", "stems.two"), 'line 3: .*"two" has a meaning of its own'),
    "clash": (
        f'{HEAD}[stems.Vocal]\nfile = "vocal.flac"\nrole = "bass"\n',
        'line 6: stems.Vocal: differs from "vocal" only by capitals',
    ),
    # music
    "music-text": (f'music = "Bb"\n{HEAD}', r'line 1: music: "Bb" must be a table, as \[music\]'),
    "music-unknown": (
        music("tempo = 92"),
        'line 7: music.tempo: unknown key; did you mean "tempo_bpm"',
    ),
    "key": (music('key = "H major"'), "line 7: music.key: .*H"),
    "key-number": (music("key = 3"), "line 7: music.key: 3 must be a string in quotes"),
    "keys-shape": (
        music('key = "C major"\nkeys = ["17:1"]'),
        "line 8: music.keys entry 1: .*must be a bar:beat",
    ),
    "keys-place": (
        music('key = "C major"\nkeys = [["17", "G major"]]'),
        'line 8: music.keys entry 1: "17" is not a bar:beat',
    ),
    "keys-order": (
        music('key = "C major"\nkeys = [\n["17:1", "G major"],\n["9:1", "C major"],\n]'),
        "line 10: music.keys entry 2: comes at or before the change of key above it",
    ),
    "keys-without-key": (
        music('keys = [["17:1", "G major"]]'),
        "line 7: music.keys: needs the key it",
    ),
    "meter": (music('meter = "3"'), 'line 7: music.meter: "3" is not a meter'),
    "meter-bottom": (music('meter = "3/5"'), 'line 7: music.meter: "3/5" is not a meter'),
    "meter-top": (music('meter = "17/8"'), 'line 7: music.meter: "17/8" is not a meter'),
    "meter-number": (music("meter = 3.4"), "line 7: music.meter: 3.4 is not a meter"),
    "tempo-slow": (music("tempo_bpm = 19.9"), "line 7: music.tempo_bpm: 19.9 is out of range"),
    "tempo-text": (
        music('tempo_bpm = "92"'),
        'line 7: .*"92" must be a number from 20 to 400 beats',
    ),
    "tempo-bool": (music("tempo_bpm = true"), "line 7: music.tempo_bpm: true must be a number"),
    "downbeat": (
        music("first_downbeat_s = -0.1"),
        "line 7: music.first_downbeat_s: -0.1 is out of",
    ),
    "downbeats": (
        music("downbeats_s = [0, 2, 2]"),
        "line 7: music.downbeats_s entry 3: 2 does not come",
    ),
    "downbeats-one": (music("downbeats_s = [0]"), "line 7: .*needs 2 or more times"),
    "downbeats-both": (
        music("first_downbeat_s = 0\ndownbeats_s = [0, 2]"),
        "line 7: music.first_downbeat_s: downbeats_s is given too; keep one",
    ),
    "tuning": (music("tuning_hz = 300"), "line 7: music.tuning_hz: 300 is out of range"),
    "chords-both": (
        music('chords = "Bb"\nchords_file = "chords.lab"'),
        "line 8: music.chords_file: chords is given too; keep one of the two",
    ),
    "chords-file": (
        music('chords_file = "none.lab"'),
        'line 7: music.chords_file: "none.lab" does not',
    ),
    "chords-list": (
        music('chords = ["Bb"]'),
        "line 7: music.chords: .* must be a string in quotes",
    ),
    "guide": (music('guide = "melody.txt"'), "line 7: music.guide: .* must be a CSV"),
    "phrases-word": (
        music('phrases = "four bars"'),
        'line 7: .*"four bars" is not known; write "auto"',
    ),
    "phrases-zero": (music('phrases = "every 0 bars"'), 'line 7: .*"every 0 bars" is not known'),
    "phrases-empty": (
        music("phrases = []"),
        "line 7: music.phrases: needs 1 or more phrases",
    ),
    "phrases-overlap": (
        music("phrases = [\n[0, 4],\n[3.5, 8],\n]"),
        "line 9: music.phrases entry 2: starts at 3.5 s, before the phrase above it ends",
    ),
    "phrases-backward": (
        music("phrases = [[4, 0]]"),
        "line 7: .*entry 1: ends at 0 s, not after its",
    ),
    "phrases-negative": (music("phrases = [[-1, 4]]"), "line 7: .*entry 1: -1 is out of range"),
    "phrases-three": (music("phrases = [[1, 2, 3]]"), "line 7: .*must be a start and an end"),
    "phrases-number": (music("phrases = 4"), "line 7: music.phrases: 4 must be a list of phrases"),
    # variants
    "variant-original": (
        variant('[variants.Original]\nrules = ["a"]'),
        "line 6: .*meaning of its own",
    ),
    "variant-control": (
        variant('[variants.matched-control]\nrules = ["a"]'),
        "line 6: .*of its own",
    ),
    "variant-none": (
        variant("[variants.a]\nrules = []"),
        "line 7: .*rules: needs 1 or more rules",
    ),
    "variant-missing": (
        variant('[variants.a]\nabout = "x"'),
        "line 6: variants.a: rules is missing",
    ),
    "variant-text": (
        variant('[variants.a]\nrules = "keep"'),
        "line 7: .*must be a list of rules in",
    ),
    "variant-number": (
        variant('[variants.a]\nrules = [\n"keep",\n3,\n]'),
        "line 9: variants.a.rules entry 2: 3 must be a string",
    ),
    "variant-clash": (
        variant('[variants.a]\nrules = ["x"]\n[variants.A]\nrules = ["x"]'),
        'line 8: variants.A: differs from "a" only by capitals',
    ),
    # corrections
    "correction-stem": (
        correction('"bass"', "1", '"drop"'),
        'line 7: corrections entry 1.stem: no stem is called "bass"; there are vocal',
    ),
    "correction-time": (
        correction('"vocal"', "-1", '"drop"'),
        "line 8: corrections entry 1.at_s: -1 is",
    ),
    "correction-inf": (
        correction('"vocal"', "inf", '"drop"'),
        "line 8: .*at_s: inf is out of range",
    ),
    "correction-day": (
        correction('"vocal"', "1e9", '"drop"'),
        "line 8: .*at_s: 1000000000.0 is out of",
    ),
    "correction-form": (
        correction('"vocal"', "1", '"remove"'),
        'line 9: .*"remove" is not a correction',
    ),
    "correction-degree": (
        correction('"vocal"', "1", '"degree 8"'),
        "line 9: .*is not a correction; use",
    ),
    "correction-pitch": (correction('"vocal"', "1", '"pitch H4"'), "line 9: .*is not a correction"),
    "correction-start": (correction('"vocal"', "1", '"start -2"'), "line 9: .*is not a correction"),
    "correction-table": (
        f"{HEAD}[corrections]\nstem = 1\n",
        "line 6: corrections: .*must be a list of",
    ),
    "correction-extra": (
        correction('"vocal"', "1", '"drop"') + "why = 1\n",
        "line 10: corrections entry 1.why: unknown key",
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_refused_in_one_line(home: Path, case: str) -> None:
    text, message = CASES[case]
    path = home / "song.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SongFileError, match=message) as caught:
        read_song(path)
    assert str(caught.value).startswith(str(path))
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 400 + len(str(path))


RAW = {
    "nul": (b"format = 1\ntitle = \"a\0b\"\n", "line 2: a NUL byte; this is not a text file"),
    "latin-1": ("format = 1\ntitle = \"ä\"\n".encode("latin-1"), "line 2: not UTF-8; save"),
    "utf-16": ("format = 1\n".encode("utf-16"), "line 1: a NUL byte"),
    "huge": (b"#" * 5_000_001, "is larger than 1 MB"),
    "wave": (b"RIFF\4\0\0\0WAVEfmt ", "line 1: a NUL byte"),
}  # fmt: skip


@pytest.mark.parametrize("case", RAW)
def test_bytes_that_are_no_text(home: Path, case: str) -> None:
    data, message = RAW[case]
    (home / "song.toml").write_bytes(data)
    with pytest.raises(SongFileError, match=message):
        read_song(home / "song.toml")


def test_paths_that_hold_no_file(home: Path) -> None:
    with pytest.raises(SongFileError, match=r"none\.toml does not exist"):
        read_song(home / "none.toml")
    with pytest.raises(SongFileError, match=r"is a folder; give a song file"):
        read_song(home)
    os.symlink("ring.toml", home / "ring.toml")
    with pytest.raises(SongFileError, match=r"ring\.toml cannot be read"):
        read_song(home / "ring.toml")
    os.mkfifo(home / "pipe.toml")
    with pytest.raises(SongFileError, match="is not a regular file"):
        read_song(home / "pipe.toml")
    with pytest.raises(SongFileError, match="cannot be read"):
        read_song(f"{home}/a\0b.toml")


@pytest.mark.parametrize(
    "form",
    [
        "pitch F4", "pitch Bb4", "pitch F#3", "degree 2", "degree b7", "degree #4", "octave up",
        "octave down", "split", "merge next", "start 12.5", "end 12", "end 12.5s", "ending here",
        "not an ending", "drop",
    ],
)  # fmt: skip
def test_every_form_of_correction_reads(home: Path, form: str) -> None:
    (home / "song.toml").write_text(correction('"vocal"', "1", f'"{form}"'))
    assert read_song(home / "song.toml").corrections[0].set == form
