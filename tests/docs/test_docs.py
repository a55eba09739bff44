"""The pages of `retune help`: every example reads or runs, and nothing is left unsaid."""

from __future__ import annotations

import contextlib
import glob
import io
import re
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path
from textwrap import dedent

import pytest

import retune
from retune import pipeline
from retune.carriers.changes import Consequence
from retune.carriers.errors import RuleError, UsageError
from retune.carriers.heard import ROLES
from retune.faces.cli import COMMANDS, build_parser, main
from retune.faces.topics import GROUPS, WIDEST, topic_text, topics
from retune.pipeline.export_formats import FORMATS
from retune.repitch import ENGINES
from retune.rules import parse_rule
from retune.song.songfile import parse_song, read_song, read_variants
from retune.track import TRACKERS

DOCS = Path(retune.__file__).parent / "docs"
STEMS = ("vocal", "bass", "harp", "brushes")
FENCE = re.compile(r"^```([a-z -]*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
ALL = "\n".join(path.read_text(encoding="utf-8") for path in sorted(DOCS.glob("*.md")))


def blocks(kind: str) -> Iterator[str]:
    for name, text in FENCE.findall(ALL):
        if name == kind:
            yield text


def lines(kind: str) -> list[str]:
    return [line for text in blocks(kind) for line in text.splitlines() if line.strip()]


COMMAND_LINES = lines("sh")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the examples run: the demo song and its renditions, as `retune demo` leaves it."""
    place = tmp_path_factory.mktemp("docs")
    song = pipeline.write_demo(place / "lantern-song")
    opened = pipeline.open_song(song)
    plans = pipeline.plans_of(opened, ["home-early"])
    pipeline.write_versions(opened, plans=plans, out=place / "renditions")
    shutil.copytree(place / "renditions", place / "lantern-song" / "renditions")
    return place


@pytest.mark.parametrize("line", lines("rule"))
def test_rules_read(line: str) -> None:
    rule = parse_rule(line, stems=STEMS)
    assert str(parse_rule(str(rule), stems=STEMS)) == str(rule)


@pytest.mark.parametrize("line", lines("rule-fault"))
def test_faults_do_not_read(line: str) -> None:
    with pytest.raises(RuleError):
        parse_rule(line, stems=STEMS)


def test_song_file_reads(folder: Path) -> None:
    (text,) = blocks("toml song")
    path = folder / "lantern-song" / "example.toml"
    path.write_text(text)
    song = read_song(path)
    assert list(song.stems) == ["vocal", "bass"]
    assert song.corrections[0].set == "pitch F4"
    for rule in song.variants["home-early"].rules:
        parse_rule(rule, stems=STEMS)


def test_variants_file_reads(folder: Path) -> None:
    (text,) = blocks("toml variants")
    path = folder / "contrasts.toml"
    path.write_text(text)
    assert list(read_variants(path)) == ["home-early", "mirror"]


@pytest.mark.parametrize(
    "line", [*COMMAND_LINES, *(example for _, example, _ in COMMANDS.values())]
)
def test_command_lines_parse(line: str) -> None:
    words = shlex.split(line)
    assert words[0] == "retune"
    assert build_parser().parse_args(words[1:]).command in COMMANDS


INDENTED = re.compile(r"^\n((?: {4,}\S.*\n|(?<=\n)\n(?= {4}))+)", re.MULTILINE)


@pytest.mark.parametrize("text", [dedent(text) for text in INDENTED.findall(ALL)])
def test_indented_lines_read(text: str, tmp_path: Path) -> None:
    if "=" not in text:
        for line in text.splitlines():
            if line.startswith("retune "):
                build_parser().parse_args(shlex.split(line)[1:])
            else:
                parse_rule(line, stems=STEMS)
        return
    stem = re.search(r'^stem = "(\w+)"', text, re.MULTILINE)
    if stem:
        role = "mix" if stem[1] == "all" else "melody"
        text = f'[stems.{stem[1]}]\nfile = "a.wav"\nrole = "{role}"\n{text}'
    text = text if text.startswith("format") else f"format = 1\n{text}"
    for name in re.findall(r'= "([\w.]+\.(?:wav|m4a))"', text):
        (tmp_path / name).touch()
    assert parse_song(text, path=tmp_path / "song.toml").stems


STUDY = """song,phrase,position,degree,ending
one,1,first,2,open
one,2,last,1,at rest
two,1,last,5,
"""
LONG = (
    "retune voice",
    "batch",
    "compare",
    "demo --out",
    "mp4",
    "pdf",
    "mix.wav",
    "stems",
    "verify",
)


def runnable() -> list[object]:
    """The lines that need no cluster and no files of the reader's own; long ones are slow."""
    alone = [line for line in COMMAND_LINES if "--dask" not in line and "songs/" not in line]
    return [
        pytest.param(line, marks=pytest.mark.slow) if any(word in line for word in LONG) else line
        for line in alone
    ]


@pytest.mark.parametrize("line", runnable())
def test_command_lines_run(
    line: str,
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(folder)
    words = [found for word in shlex.split(line)[1:] for found in glob.glob(word) or [word]]
    code = main(words)
    assert code == 0, capsys.readouterr().err


@pytest.mark.parametrize("text", list(blocks("python")))
def test_python_runs(
    text: str, folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(folder)
    (folder / "study").mkdir(exist_ok=True)
    (folder / "study" / "phrases.csv").write_text(STUDY)
    exec(compile(text, "docs", "exec"), {})
    said = capsys.readouterr().out
    assert "lantern-song-chords.lab" in said or "1 of 2, 50 %" in said


@pytest.mark.parametrize("word", [*FORMATS, *ENGINES, *ROLES, *TRACKERS])
def test_every_format_engine_role_and_tracker_is_explained(word: str) -> None:
    assert re.search(rf"(?<![\w-]){re.escape(word)}(?![\w-])", ALL)


def test_the_page_of_commands_holds_every_option() -> None:
    text = topic_text("commands")
    for name in COMMANDS:
        section = text.split(f"## retune {name}\n")[1].split("\n## ")[0]
        options = set(re.findall(r"--[a-z][a-z-]+", _help_of(name))) - {"--help"}
        assert options
        missing = {option for option in options if option not in section}
        assert not missing, f"{name}: {missing}"


def _help_of(name: str) -> str:
    out = io.StringIO()
    with contextlib.redirect_stdout(out), pytest.raises(SystemExit):
        build_parser().parse_args([name, "--help"])
    return out.getvalue()


def test_the_page_of_python_holds_every_public_name() -> None:
    text = topic_text("python")
    for name in retune.__all__:
        assert f"\n## retune.{name}\n" in text
    for name in dir(retune.OpenSong):
        assert name.startswith("_") or f"\n### OpenSong.{name}\n" in text
    assert "plan: Plan | Sequence[Plan] | None = None,\n" in text
    assert 'engine: str = "auto"' in text.replace("'", '"')
    assert "object at 0x" not in text


def test_every_page_is_in_one_group() -> None:
    assert sorted(name for names in GROUPS.values() for name in names) == sorted(topics())


def test_topics_are_listed_and_shown(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["help"]) == 0
    listed = capsys.readouterr().out
    for topic in topics():
        assert topic in listed
        assert main(["help", topic]) == 0
        shown = capsys.readouterr().out
        words = re.findall(r"\w+", topic_text(topic))[:5]
        assert re.findall(r"\w+", shown)[:5] == words


@pytest.mark.parametrize("width", [60, 80, 200])
def test_pages_are_drawn_for_the_terminal(
    width: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    for topic in topics():
        assert main(["help", topic]) == 0
        lines = capsys.readouterr().out.splitlines()
        assert max(map(len, lines)) <= min(width, WIDEST)
        text = "\n".join(lines)
        assert not re.search(r"^\|", text, re.MULTILINE), f"{topic}: tables are drawn, not piped"
        assert not re.search(r"^#+ |\*\*\w+\*\*|```|\]\(", text, re.MULTILINE), topic


def test_a_long_command_runs_when_copied_from_the_terminal(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "70")
    assert main(["help", "exports"]) == 0
    shown = "\n".join(line.strip() for line in capsys.readouterr().out.splitlines())
    wanted = [line for line in topic_text("exports").splitlines() if line.startswith("retune ")]
    joined = re.sub(r" \\\n", " ", shown)
    assert wanted
    assert all(line in joined for line in wanted)


def test_every_consequence_is_explained_under_the_name_it_is_shown_by() -> None:
    rooms = (DOCS.parent / "rules").glob("*_effects.py")
    kinds = {
        kind
        for path in rooms
        for kind in re.findall(
            r'Consequence\(\s*"([a-z-]+)"', path.read_text(encoding="utf-8"), re.MULTILINE
        )
    }
    assert len(kinds) >= 13
    page = topic_text("rules")
    for kind in kinds:
        row = next(line for line in page.splitlines() if f"`{kind}`" in line)
        assert Consequence(kind, 0.0, "").word in row


def test_an_unknown_topic_offers_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["help", "ruls"]) == 2
    assert 'did you mean "rules"?' in capsys.readouterr().err
    with pytest.raises(UsageError, match="blind-tests"):
        topic_text("nothing of the kind")


def test_the_page_of_the_workbench_holds_every_key() -> None:
    source = (DOCS.parent / "faces" / "web" / "assets" / "keys.js").read_text(encoding="utf-8")
    listed = re.findall(r'\["([^"]+)", "[^"]+"\]', source.split("];", 1)[0])
    assert len(listed) > 10
    table = "".join(re.findall(r"^\| .*", topic_text("workbench"), re.MULTILINE))
    for keys in listed:
        for key in re.split(r", |,? ", keys):
            assert not key or key in table, keys


def test_topics_named_in_pages_exist() -> None:
    named = set(re.findall(r"retune help ([a-z][a-z-]+)", ALL))
    assert named <= set(topics())


def test_nothing_is_installed_or_upgraded_by_the_bare_name() -> None:
    """In the public index the name is another program's."""
    shown = [
        *DOCS.parent.rglob("*.py"),
        *DOCS.parent.rglob("*.md"),
        DOCS.parent.parent / "README.md",
    ]
    bare = re.compile(r"pip[x]? install (--?\w+ )*['\"]?retune(?![\[\w.-]|` brought)")
    assert not [
        path.name for path in shown if path.is_file() and bare.search(path.read_text("utf-8"))
    ]
    assert bare.search("pip install --upgrade retune")
    assert bare.search('pip install "retune==1.0.0"')
