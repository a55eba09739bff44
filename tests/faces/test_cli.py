"""The command line as a user meets it: exit codes, one-line errors, JSON alone on stdout."""

from __future__ import annotations

import errno
import json
from pathlib import Path

import pytest

from retune import pipeline
from retune.faces.cli import COMMANDS, build_parser, main

RULE = "move phrase-ending degree 2 to degree 1"


@pytest.fixture(scope="module")
def song(tmp_path_factory: pytest.TempPathFactory) -> str:
    return str(pipeline.write_demo(tmp_path_factory.mktemp("cli")))


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    try:
        code = main(list(words))
    except SystemExit as stop:
        code = int(stop.code or 0)
    out, err = capsys.readouterr()
    return code, out, err


def test_the_terminal_counts_the_bars_of_the_page(
    song: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """The bars that are sung: the last note rings into what a grid to the end calls bar 25."""
    code, out, _ = run(capsys, "analyze", song)
    assert code == 0
    assert "24 bars" in " ".join(out.split())


def test_analyze_json_keeps_the_contract(song: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "analyze", song, "--json")
    facts = json.loads(out)
    assert code == 0
    assert {"retune", "song", "rate_hz", "duration_s", "tuning_hz", "key", "bars", "chords"} <= set(
        facts
    )
    assert {"tonic", "mode", "source", "confidence"} <= set(facts["key"])
    assert {"meter", "tempo_bpm", "downbeats_s"} <= set(facts["bars"])
    note = facts["stems"]["vocal"]["notes"][0]
    wanted = (
        "index start_s end_s midi name cents degree bar beat phrase phrase_ending chord "
        "chord_role stability confidence"
    )
    assert set(wanted.split()) <= set(note)
    assert note["index"] == 1
    assert isinstance(note["degree"], str)
    phrase = facts["stems"]["vocal"]["phrases"][0]
    wanted = (
        "index start_s end_s ending_note ending_degree ending_chord_role ending ending_melodic "
        "cadence"
    )
    assert set(wanted.split()) <= set(phrase)
    assert "NaN" not in out


def test_plan_json_keeps_the_contract(song: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "plan", song, "--rule", RULE, "--json")
    plan = json.loads(out)
    assert code == 0
    assert set(plan) == {"edits", "consequences", "warnings"}
    assert [(edit["from"], edit["to"], edit["phrase"]) for edit in plan["edits"]] == [
        ("C4", "Bb3", 2),
        ("C4", "Bb3", 4),
    ]
    assert all(edit["shift_cents"] == -200 for edit in plan["edits"])
    assert all(edit["rule"] == RULE for edit in plan["edits"])
    wanted = (
        "stem note start_s end_s from to from_degree to_degree shift_cents rule bar phrase chord "
        "role_before role_after stability_before stability_after"
    )
    assert set(plan["edits"][0]) == set(wanted.split())
    kinds = {item["kind"] for item in plan["consequences"]}
    assert "clash" in kinds
    assert "early-rest" in kinds


def test_plan_of_several_rules_and_tables(song: str, capsys: pytest.CaptureFixture[str]) -> None:
    words = ("--rule", RULE, "keep every note in phrase 2", "--rule", "shift bass up an octave")
    code, out, err = run(capsys, "plan", song, *words, "--quiet")
    assert code == 0
    assert "C4 → B♭3" in out
    assert "keep every note in phrase 2" in out
    assert "Bar 16: " in out
    assert "beyond 3 its effort" in out
    assert "retune: warning:" not in err

    code, out, err = run(capsys, "plan", song, "--rule", "move every degree b2 to degree 1")
    assert code == 0
    assert "nothing moves" in out
    assert "matches nothing; vocal sings degrees" in err


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("analyze", "nothere.toml"), "nothere.toml"),
        (("frobnicate",), "invalid choice"),
        (("plan", "SONG"), "one of the arguments --variant --rule is required"),
        (("plan", "SONG", "--rule", "make it better"), "say which notes, and where they go"),
        (("plan", "SONG", "--variant", "nope"), 'no variant "nope"'),
        (("render", "SONG", "--all", "--out", "OUT", "--engine", "warp"), "warp"),
        (("render", "SONG", "--all", "--out", "OUT", "--subtype", "PCM_12"), "PCM_12"),
        (("compare", "SONG", "--out", "OUT/x.html", "--phrase", "77"), "phrases 1 to 6"),
        (("analyze", "SONG", "--tracker", "guesswork"), "guesswork"),
        (("batch", "SONG", "--out", "OUT", "--jobs", "0"), "not a number of processes"),
        (("verify", "OUT"), "manifest.json"),
    ],
)
def test_wrong_use_is_one_line_and_exit_code_2(
    song: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    words: tuple[str, ...],
    message: str,
) -> None:
    places = {"SONG": song, "OUT": str(tmp_path), "OUT/x.html": str(tmp_path / "x.html")}
    code, out, err = run(capsys, *(places.get(word, word) for word in words))
    assert code == 2
    assert out == ""
    assert err.startswith("retune: error: ")
    # A rule that does not read stands below, with a caret under the fault.
    assert err.count("\n") == (3 if "make it better" in words else 1)
    assert message in err
    assert not list(tmp_path.rglob("*.wav"))


def test_an_unwritable_place_is_exit_code_1(
    song: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("in the way")
    code, _, err = run(
        capsys, "render", song, "--rule", RULE, "--out", str(tmp_path / "file" / "x"), "--quiet"
    )
    assert code == 1
    assert err.startswith("retune: error: ")
    assert err.count("\n") == 1


def test_a_disk_that_fills_up_under_a_library_is_told(
    song: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*args: object, **options: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device", "/somewhere/kernel.nbc")

    monkeypatch.setattr("retune.pipeline.analyze", fail)
    assert run(capsys, "analyze", song)[::2] == (
        1,
        "retune: error: cannot write /somewhere/kernel.nbc: the disk is full; free some space or "
        "write elsewhere\n",
    )


def test_render_json_and_folders(
    song: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = run(
        capsys, "render", song, "--rule", RULE, "--out", str(tmp_path), "--control", "--json"
    )
    assert code == 0
    assert list(json.loads(out)["variants"]) == ["rules"]
    for place in ("original", "rules", "rules/matched-control"):
        names = {path.name for path in (tmp_path / place).glob("*.wav")}
        assert names == {"vocal.wav", "bass.wav", "harp.wav", "brushes.wav", "mix.wav"}


def test_demo_runs_the_whole_job(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = run(capsys, "demo", "--out", str(tmp_path / "lantern"))
    assert code == 0
    assert "open" in err
    assert "compare.html" in err
    assert (tmp_path / "lantern" / "compare.html").stat().st_size > 1_000_000
    assert (tmp_path / "lantern" / "renditions" / "home-early" / "mix.wav").is_file()


def test_a_bare_recording_is_a_song(song: str, capsys: pytest.CaptureFixture[str]) -> None:
    vocal = str(Path(song).parent / "vocal.flac")
    words = ("--key", "Bb major", "--meter", "3/4", "--tempo", "92", "--downbeat", "1.3")
    code, out, _ = run(capsys, "analyze", vocal, *words, "--phrases", "every 4 bars", "--json")
    assert code == 0
    (stem,) = json.loads(out)["stems"].values()
    assert [phrase["ending_melodic"] for phrase in stem["phrases"]][-1] == "at rest"


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_with_an_example(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = run(capsys, name, "--help")
    assert code == 0
    assert f"retune {name}" in out.split("example:")[1]


def test_the_parser_knows_its_commands() -> None:
    assert set(COMMANDS) <= set(build_parser().format_help().split())


@pytest.mark.parametrize(
    "words",
    [
        ("compare", "s.toml", "--out", "p.html"),
        ("export", "s.toml", "--out", "d", "--format", "svg"),
        ("render", "s.toml", "--out", "d"),
    ],
)
def test_an_option_given_twice_means_both(words: tuple[str, ...]) -> None:
    chosen = ("--variant", "one", "--variant", "two", "three")
    assert build_parser().parse_args([*words, *chosen]).variant == ["one", "two", "three"]


@pytest.mark.parametrize(
    ("words", "formats"),
    [
        ("export s.toml --out o --format midi --format svg,lab", "midi,svg,lab"),
        ("batch s.toml --report o", "csv"),
        ("batch s.toml --report o --format jams --format csv", "jams,csv"),
    ],
)
def test_formats_given_one_by_one_all_count(words: str, formats: str) -> None:
    assert build_parser().parse_args(words.split()).format == formats
