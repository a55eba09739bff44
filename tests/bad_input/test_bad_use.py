# ruff: noqa: E501 (a case a line)
"""Wrong words on the command line, every command in turn: one line, exit code 2, nothing written."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from hostile_songs import RULE, SONG, refused

from retune.faces.cli import COMMANDS

HEAD = "listener,sheet,trial,kind,passage,first,second,answer\n"
PLAN = ("plan", "SONG", "--rule")

RULES: dict[str, tuple[str, str]] = {
    "empty": ("", '--rule: the rule is empty; write one, such as "move every degree 2 to degree 1"'),
    "a comment": ("# nothing", '--rule: "# nothing" is a comment alone; write one'),
    "other words": ("make it better", "say which notes, and where they go"),
    "a slip of the pen": ("move phrase-endng degree 2 to degree 1", 'unknown word "phrase-endng"; expected'),
    "broken off": ("move phrase-ending degree 2", "the rule breaks off; expected"),
    "two lines": ("keep highest note\nkeep lowest note", "a rule is one line; write each rule on a line of its own"),
    "5000 letters": ("keep " + "x" * 5000, "a rule of 5005 characters; at most 2000 are allowed"),
    "degree 9": ("move every degree 9 to degree 1", '"9" is not a degree; expected degrees 1 to 7'),
    "a huge shift": ("shift vocal up 999 semitones", "a shift of 999 semitones; expected more than 0, at most 48"),
    "a shift of nothing": ("shift vocal up 0 semitones", "a shift of 0 semitones; expected more than 0"),
    "an unknown stem": ("shift flute up 2 semitones", 'there is no stem "flute"; the stems are vocal, bass'),
    "a bar that is not there": ("keep note at 99:1", "99:1 is not in the song: bars 0 to 4, beats 1 to 4"),
    "a time before time": ("keep note at -3s", 'unknown word "-3s"'),
    "a phrase range backwards": ("keep highest note in phrases 3-2", 'the list runs backwards; did you mean "2-3"?'),
    "NUL": ("keep highest note\0", 'unknown word "note?"'),
    "an escape sequence": ("\x1b[31mkeep", "?[31mkeep"),
    "reversed words": ("keep \u202ehighest note", 'unknown word "?highest"'),
}  # fmt: skip


@pytest.mark.parametrize("case", RULES)
def test_a_rule_that_does_not_read(
    case: str, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rule, message = RULES[case]
    said = refused(capsys, home, "plan", home / "song.toml", "--rule", rule)
    assert message in said
    assert len(said) < 400


def test_a_rule_of_a_variant_is_told_with_its_line(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (home / "song.toml").write_text(SONG.replace(RULE, "move phrase-ending degree 2 to Q sharp"))
    said = refused(capsys, home, "render", home / "song.toml", "--all", "--out", home / "out")
    assert "song.toml, line 18: variants.home.rules entry 1: " in said


def test_both_rules_and_keeps_that_conflict_are_warned_of_not_refused(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Rules that claim one note are no error: the later wins, `keep` wins over all, and it is
    said."""
    from hostile_songs import run

    rules = ("move phrase-ending degree 2 to degree 1", "move phrase-ending degree 2 to degree 3")
    answer = run(capsys, "plan", home / "song.toml", "--rule", *rules, "--json")
    (edit,) = json.loads(answer.out)["edits"]
    assert (answer.code, edit["to_degree"]) == (0, "3")
    assert "retune: warning: " in answer.err
    answer = run(
        capsys, "plan", home / "song.toml", "--rule", *rules, "keep phrase-ending note", "--json"
    )
    assert (answer.code, json.loads(answer.out)["edits"]) == (0, [])


USES: dict[str, tuple[tuple[str, ...], str]] = {
    # analyze and the facts of a bare recording
    "no song": (("analyze",), "the following arguments are required: SONG (see: retune analyze --help)"),
    "no such song": (("analyze", "nowhere.toml"), "nowhere.toml does not exist; check the name and the folder"),
    "a folder for a song": (("analyze", "HOME"), "song is a folder; give a song file (song.toml) or a recording"),
    "a NUL in a path": (("analyze", "a\0b.toml"), "argument SONG: the name holds a NUL character; give one"),
    "an option beside a song file": (("analyze", "SONG", "--key", "C major"), "--key is for a bare recording; in"),
    "a key of no letter": (("analyze", "VOICE", "--key", "H major"), "--key: "),
    "a voice of stems": (("voice", "SONG", "--out", "OUT"), 'song.toml has no stem of role "mix"; the voice is that of one finished mix'),
    "a separator without its model": (("voice", "VOICE", "--out", "OUT", "--separator", "demucs"), "allow demucs to fetch it over the network"),
    "a meter in words": (("analyze", "VOICE", "--meter", "waltz"), '--meter: "waltz" is not a meter; write beats over a note value, as "3/4"'),
    "a tempo in words": (("analyze", "VOICE", "--tempo", "fast"), '--tempo: "fast" is not a number; write a number or "auto"'),
    "a tempo of none": (("analyze", "VOICE", "--tempo", "0"), "--tempo: 0.0 is out of range; must be a number from 20 to 400 beats a minute"),
    "a downbeat before time": (("analyze", "VOICE", "--downbeat=-1"), "--downbeat: -1.0 is out of range"),
    "a downbeat past the end": (("analyze", "VOICE", "--downbeat", "60", "--tempo", "120"), "--downbeat: 60 s is past the end of the song (8.00 s)"),
    "phrases in other words": (("analyze", "VOICE", "--phrases", "often"), '--phrases: "often" is not known; write "auto", "every 4 bars"'),
    "a pickup of bars": (("analyze", "VOICE", "--meter", "3/4", "--phrases", "every 4 bars, pickup 9 beats"), "--phrases: a pickup of 9 beats is no shorter than a bar of 3"),
    "a chart that does not fill": (("analyze", "VOICE", "--meter", "4/4", "--tempo", "120", "--downbeat", "0", "--key", "C major", "--chords", "C G F"), '--chords: bar 1 ("C G F"): 3 entries do not divide 4 beats evenly'),
    "an unknown tracker": (("analyze", "SONG", "--tracker", "guesswork"), 'guesswork'),
    "a table of f0 that is not there": (("analyze", "SONG", "--tracker", "csv:none.csv"), "none.csv does not exist; check the name and the folder"),
    "a table of f0 that is a folder": (("analyze", "SONG", "--tracker", "csv:HOME"), "is a folder; give an f0 table: a CSV file with time_s,f0_hz"),
    # plan and render
    "neither rule nor variant": (("plan", "SONG"), "one of the arguments --variant --rule is required"),
    "both rule and variant": (("plan", "SONG", "--variant", "home", "--rule", RULE), "argument --rule: not allowed with argument --variant"),
    "no such variant": (("plan", "SONG", "--variant", "hme"), 'song.toml: no variant "hme" (it has: home); did you mean "home"?'),
    "an unknown engine": (("render", "SONG", "--all", "--out", "OUT", "--engine", "warp"), "warp"),
    "an unknown subtype": (("render", "SONG", "--all", "--out", "OUT", "--subtype", "PCM_12"), 'no subtype "PCM_12": use PCM_16, PCM_24, PCM_32, FLOAT'),
    "nowhere to write": (("render", "SONG", "--all"), "the following arguments are required: --out"),
    "an empty name to write to": (("render", "SONG", "--all", "--out", ""), "argument --out: the name is empty; give one"),
    # compare
    "a phrase that is not there": (("compare", "SONG", "--out", "OUT.html", "--phrase", "77"), 'no phrases "77": the song has phrases 1 to 2'),
    "a passage backwards": (("compare", "SONG", "--out", "OUT.html", "--from", "5s", "--to", "1s"), "the passage from 5s to 1s is not in the song, which lasts 8.0 s: choose a start and an end in it"),
    "a passage past the end": (("compare", "SONG", "--out", "OUT.html", "--from", "90s"), "the passage from 90s to the end is not in the song"),
    "a passage in two ways": (("compare", "SONG", "--out", "OUT.html", "--phrase", "1", "--from", "1s"), "--phrase does not go with --from and --to"),
    "a time in words": (("compare", "SONG", "--out", "OUT.html", "--from", "noon"), '"noon" is not a time: write 72.5s, 1:12'),
    "rules for two songs": (("compare", "SONG", "VOICE", "--rule", RULE, "--out", "OUT.html"), "--rule and --variant go with one song at a time"),
    "an unknown sound format": (("compare", "SONG", "--out", "OUT.html", "--format", "mp9"), "argument --format: invalid choice: 'mp9'"),
    # batch
    "a batch for nothing": (("batch", "SONG"), "give --out DIR to render, or --report DIR to study without rendering"),
    "a table that is none": (("batch", "SONG", "--report", "OUT", "--format", "xls"), 'no table format "xls": use csv, parquet, jams'),
    "no processes": (("batch", "SONG", "--out", "OUT", "--jobs", "0"), "argument --jobs: '0' is not a number of processes, 1 to 1024"),
    "a million processes": (("batch", "SONG", "--out", "OUT", "--jobs", "1000000"), "'1000000' is not a number of processes, 1 to 1024"),
    "no such variants file": (("batch", "SONG", "--variants", "none.toml", "--out", "OUT"), "none.toml does not exist; check the name and the folder"),
    "a song for a variants file": (("batch", "SONG", "--variants", "SONG", "--out", "OUT"), "song.toml, line 2: title: unknown key"),
    "a scheduler in words": (("batch", "SONG", "--out", "OUT", "--dask", "somewhere"), '--dask somewhere: write the scheduler as "tcp://host:8786"'),
    "a scheduler that is not there": (("batch", "SONG", "--out", "OUT", "--dask", "tcp://127.0.0.1:1"), "--dask tcp://127.0.0.1:1: no scheduler answers there"),
    "an engine that a batch has not": (("batch", "SONG", "--out", "OUT", "--engine", "warp"), "warp"),
    "a subtype that a batch has not": (("batch", "SONG", "--out", "OUT", "--subtype", "PCM_12"), 'no subtype "PCM_12"'),
    # export
    "an unknown format": (("export", "SONG", "--out", "OUT", "--format", "midi,mp33"), 'no export format "mp33": use midi, musicxml'),
    "no format": (("export", "SONG", "--out", "OUT", "--format", ","), "no export format was given: use midi, musicxml"),
    "a grid of 7": (("export", "SONG", "--out", "OUT", "--format", "musicxml", "--resolution", "7"), "the resolution is 7; give one of"),
    "a grid in words": (("export", "SONG", "--out", "OUT", "--format", "musicxml", "--resolution", "fine"), "argument --resolution: invalid int value: 'fine'"),
    "a film of no version": (("export", "SONG", "--out", "OUT", "--format", "mp4", "--film", "original,nothing"), '--film: no version "nothing"; there are original, home'),
    # serve
    "a port of none": (("serve", "SONG", "--port", "0"), "argument --port: '0' is not a port, 1 to 65535"),
    "a port too high": (("serve", "SONG", "--port", "99999"), "'99999' is not a port, 1 to 65535"),
    "no song to serve": (("serve", "nowhere.toml", "--no-browser"), "nowhere.toml does not exist; give a song file"),
    "a folder to serve": (("serve", "HOME", "--no-browser"), "is a folder; give a song file"),
    # suggest, verify, tally, demo, help
    "nowhere to suggest": (("suggest", "nowhere.toml"), "nowhere.toml does not exist"),
    "a folder of no renditions": (("verify", "HOME"), "no manifest.json here or two folders down; give what render or batch wrote"),
    "a folder that is not there": (("verify", "nowhere"), "nowhere: no manifest.json here"),
    "no answers": (("tally", "nowhere.csv"), "nowhere.csv does not exist; check the name and the folder"),
    "a folder of answers": (("tally", "HOME"), "is a folder; give a CSV file of answers"),
    "a song for answers": (("tally", "SONG"), 'song.toml: line 1: no column "listener"; the header is listener,sheet,trial'),
    "sound for answers": (("tally", "VOICE"), "a NUL byte; this is not a text file; give a CSV file of answers"),
    "a name for doctor": (("doctor", "song.toml"), "unrecognized arguments: song.toml"),
    "no such topic": (("help", "rulez"), "rulez"),
    "no such command": (("frobnicate",), "invalid choice: 'frobnicate'"),
    "no such option": (("analyze", "SONG", "--frobnicate"), "unrecognized arguments: --frobnicate"),
}  # fmt: skip


@pytest.mark.parametrize("case", USES)
def test_wrong_use(
    case: str, home: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    words, message = USES[case]
    monkeypatch.chdir(home)
    places = {
        "SONG": "song.toml",
        "VOICE": "vocal.wav",
        "HOME": str(home),
        "csv:HOME": f"csv:{home}",
        "OUT": "made",
        "OUT.html": "made.html",
    }
    said = refused(capsys, home, *(places.get(word, word) for word in words))
    assert message in said
    assert len(said) < 500


def test_every_command_is_misused_here() -> None:
    tried = {words[0] for words, _ in USES.values()} | {"plan", "demo"}
    assert set(COMMANDS) <= tried


ANSWERS: dict[str, tuple[bytes, str]] = {
    "empty": (b"", 'answers.csv: line 1: no column "listener"; the header is listener,sheet,trial,kind'),
    "a header alone": (HEAD.encode(), "answers.csv: no answers below the header"),
    "a column short": (HEAD.encode() + b"anna,1,1,pair\n", "answers.csv: line 2: not as many fields as the header has"),
    "an unknown kind": (HEAD.encode() + b"anna,1,1,duel,p,a,b,first\n", 'answers.csv: line 2: kind "duel"; give one of practice, pair'),
    "a rating of 9": (HEAD.encode() + b"anna,1,1,rating,p,a,,9\n", 'line 2: answer "9"; a rating is a whole number from 1 to 7'),
    "an answer in words": (HEAD.encode() + b"anna,1,1,pair,p,a,b,both\n", 'line 2: answer "both"; give first or second'),
    "a trial of words": (HEAD.encode() + b"anna,1,one,pair,p,a,b,first\n", 'line 2: trial "one"; give a whole number from 1'),
    "a million million hands": (HEAD.encode() + b"anna,1,1,hands,p,a,b,first:" + b"9" * 5000 + b" second:1\n", "write a count as first:12 second:9"),
    "twice the same": (HEAD.encode() + b"anna,1,1,pair,p,a,b,first\n" * 2, "line 3: anna, sheet 1, trial 1 is answered twice; remove one"),
    "UTF-16": (HEAD.encode("utf-16"), "answers.csv, line 1: "),
    "Latin-1": (HEAD.encode() + "J\xfcrg,1,1,pair,p,a,b,first\n".encode("latin-1"), "answers.csv, line 2: not UTF-8; save the file as UTF-8"),
    "an open quote": (HEAD.encode() + b'"anna,1,1,pair,p,a,b,first\n', "answers.csv: line 1: does not read as CSV (unexpected end of data); mend the line: is a quote left open?"),
    "one endless cell": (HEAD.encode() + b"x" * 200_000, "does not read as CSV (field larger than field limit (131072)); mend the line"),
}  # fmt: skip


@pytest.mark.parametrize("case", ANSWERS)
def test_answers_that_cannot_be_counted(
    case: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data, message = ANSWERS[case]
    (tmp_path / "answers.csv").write_bytes(data)
    said = refused(
        capsys, tmp_path, "tally", tmp_path / "answers.csv", "--plot", tmp_path / "plot.svg"
    )
    assert message in said
    assert len(said) < 400


def test_a_plot_never_falls_on_the_answers(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "answers.csv").write_text(HEAD + "anna,1,1,pair,p,original,b,first\n")
    os.symlink("answers.csv", tmp_path / "plot.svg")
    said = refused(
        capsys, tmp_path, "tally", tmp_path / "answers.csv", "--plot", tmp_path / "plot.svg"
    )
    assert "plot.svg is an input; choose another --plot" in said
