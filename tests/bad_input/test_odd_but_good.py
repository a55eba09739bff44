"""Unusual and right: these must work, and say what a plain song says."""

from __future__ import annotations

import csv
import json
import os
import shutil
from pathlib import Path

import pytest
from hostile_songs import RULE, SONG, run, run_apart, seen, spoiled

NAMES = {
    "right to left": "שיר-הפנס",
    "emoji": "🏮🎶👩‍🎤",
    "accents, one letter in two": "Lau\u0308tern",
    "spaces": " a  b ",
    "quotes": 'it\'s "so"',
    "a leading dash": "-rf",
    "dots": "..song..",
    "percent and hash": "50%#1",
    "not UTF-8": os.fsdecode(b"caf\xe9"),
    "200 letters": "x" * 200,
}


@pytest.fixture(scope="module")
def plain(clean_song: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """What is written of the song under its plain name."""
    from retune import pipeline

    out = tmp_path_factory.mktemp("plain")
    opened = pipeline.open_song(clean_song)
    pipeline.write_versions(opened, plans=pipeline.plans_of(opened, None), out=out)
    return seen(out)


@pytest.mark.parametrize("case", NAMES)
def test_any_name_of_a_folder_gives_the_same_bytes(
    case: str, home: Path, plain: dict[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    odd = Path(shutil.copytree(home, home.parent / NAMES[case]))
    out = home.parent / f"out {NAMES[case][:100]} made"
    answer = run(capsys, "render", odd / "song.toml", "--all", "--out", out, "--quiet")
    assert answer.code == 0, answer.err
    assert seen(out) == plain


@pytest.mark.parametrize("case", sorted(set(NAMES) - {"spaces"}))
def test_any_name_of_a_recording(case: str, home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    odd = home / f"{NAMES[case]}.wav"
    (home / "vocal.wav").rename(odd)
    facts, out = ("--key", "C major", "--rule", "keep highest note"), home.parent / "out"
    answer = run(capsys, "plan", odd, *facts, "--json")
    assert answer.code == 0, answer.err
    assert json.loads(answer.out)["edits"] == []
    assert run(capsys, "render", odd, *facts, "--out", out, "--quiet").code == 0
    assert run(capsys, "compare", odd, *facts, "--out", out / "a.html", "--quiet").code == 0
    assert run(capsys, "verify", out).code == 0


@pytest.mark.parametrize(
    "name", ["פנס.wav", "🏮.wav", "Lau\u0308t.wav", "a b.wav", "deep/er/x.wav"]
)
def test_any_name_of_a_stem(name: str, home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (home / name).parent.mkdir(parents=True, exist_ok=True)
    (home / "bass.wav").rename(home / name)
    (home / "song.toml").write_text(spoiled('"bass.wav"', json.dumps(name, ensure_ascii=False)))
    assert run(capsys, "analyze", home / "song.toml").code == 0


LETTERS: dict[str, bytes] = {
    "CRLF": SONG.replace("\n", "\r\n").encode(),
    "a byte order mark": b"\xef\xbb\xbf" + SONG.encode(),
    "both": b"\xef\xbb\xbf" + SONG.replace("\n", "\r\n").encode(),
    "no line end at the end": SONG.rstrip("\n").encode(),
    "titles of any script": SONG.replace("Lantern Song", "שיר 🏮 <b>&amp; \\u202e x").encode(),
}


@pytest.mark.parametrize("case", LETTERS)
def test_any_way_to_write_a_song_file(
    case: str, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plain = run(capsys, "plan", home / "song.toml", "--variant", "home", "--json")
    (home / "song.toml").write_bytes(LETTERS[case])
    answer = run(capsys, "plan", home / "song.toml", "--variant", "home", "--json")
    assert (answer.code, answer.out) == (0, plain.out)
    assert len(json.loads(answer.out)["edits"]) == 1


@pytest.mark.parametrize("case", ["CRLF", "a byte order mark", "both"])
def test_a_song_file_keeps_its_letters_when_variants_are_added(
    case: str, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (home / "song.toml").write_bytes(LETTERS[case])
    assert run(capsys, "suggest", home / "song.toml", "--write").code == 0
    data = (home / "song.toml").read_bytes()
    assert data.count(b"[variants.") > 1
    assert ("CRLF" in case or case == "both") == (b"\r\n" in data)
    assert data.count(b"\n") == data.count(b"\r\n") or b"\r" not in data
    assert run(capsys, "analyze", home / "song.toml").code == 0


@pytest.mark.parametrize("line_end", ["\r\n", "\r", "\n"])
def test_answers_of_any_line_end_and_mark(
    line_end: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = ["listener,sheet,trial,kind,passage,first,second,answer"]
    rows += [f"אנה 🏮,1,{k},pair,p,original,home,second" for k in range(1, 4)]
    (tmp_path / "a.csv").write_bytes(b"\xef\xbb\xbf" + line_end.join(rows).encode())
    answer = run(capsys, "tally", tmp_path / "a.csv", "--json")
    assert answer.code == 0, answer.err
    assert list(json.loads(answer.out)["pairs"][0]["listeners"]) == ["אנה 🏮"]


YEARS = {"1970": 0.0, "2099": 4_070_908_800.0, "before the epoch": -86_400.0}


@pytest.mark.parametrize("year", YEARS)
def test_what_the_clock_says_changes_nothing(
    year: str, home: Path, plain: dict[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    for path in (home / "vocal.wav", home / "bass.wav", home / "song.toml", home):
        os.utime(path, (YEARS[year], YEARS[year]))
    out = home.parent / "out"
    assert run(capsys, "render", home / "song.toml", "--all", "--out", out, "--quiet").code == 0
    assert seen(out) == plain


def test_a_changed_sound_of_the_same_time_and_size_is_heard_anew(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("plan", home / "song.toml", "--rule", RULE, "--json")
    vocal = home / "vocal.wav"
    before, times = run(capsys, *words), os.stat(vocal)
    data = vocal.read_bytes()
    silence = bytes(len(data) - 44)
    vocal.write_bytes(data[:44] + silence)
    os.utime(vocal, ns=(times.st_atime_ns, times.st_mtime_ns))
    after = run(capsys, *words)
    assert len(json.loads(before.out)["edits"]) == 1
    assert json.loads(after.out)["edits"] == []


def test_a_song_of_names_that_a_spreadsheet_would_run(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (home / "song.toml").write_text(spoiled('"Lantern Song"', '"=1+1"'))
    out = home.parent / "out"
    assert run(capsys, "export", home / "song.toml", "--format", "csv", "--out", out).code == 0
    for path in out.glob("*.csv"):
        with path.open(newline="", encoding="utf-8") as stream:
            cells = [cell for row in csv.reader(stream) for cell in row]
        assert not [cell for cell in cells if cell.startswith(("=", "+", "@"))]


# --- a process of its own --------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp1252"])
def test_a_terminal_that_has_few_letters(encoding: str, home: Path) -> None:
    (home / "song.toml").write_text(spoiled("Lantern Song", "שיר 🏮"), encoding="utf-8")
    environment = {**os.environ, "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"}
    for words in (("analyze",), ("plan", "--variant", "home"), ("suggest",)):
        answer = run_apart(*words, home / "song.toml", env=environment)
        assert answer.code == 0, answer.err
        assert "error" not in answer.err


@pytest.mark.slow
def test_a_user_without_home_whose_temporary_files_lie_in_an_odd_place(home: Path) -> None:
    """As in a container: no name for the user's number, no HOME, and TMPDIR as it comes."""
    place = home.parent / "kept for a while ü 歌"
    place.mkdir()
    gone = ("HOME", "USERPROFILE", "XDG_CACHE_HOME", "RETUNE_CACHE", "USER", "LOGNAME")
    environment = {name: value for name, value in os.environ.items() if name not in gone}
    environment |= {"TMPDIR": str(place), "TEMP": str(place), "TMP": str(place)}
    nameless = "import pwd\ndef getpwuid(_): raise KeyError\npwd.getpwuid = getpwuid"
    for words in (("plan", home / "song.toml"), ("render", home / "song.toml", "--out", place)):
        answer = run_apart(*words, "--variant", "home", before=nameless, env=environment)
        assert (answer.code, "nothing is kept" in answer.err) == (0, False), answer.err
    assert len([*place.rglob("*.npz")]) > 3


def test_a_reader_that_leaves_early(home: Path) -> None:
    """As `retune analyze ... | head -1` does."""
    closing = "import os; r, w = os.pipe(); os.close(r); os.dup2(w, 1)"
    answer = run_apart("analyze", home / "song.toml", "--json", before=closing)
    assert (answer.code, answer.err) == (0, "")


@pytest.mark.slow
def test_no_cache_to_write_to_is_told_and_does_no_harm(home: Path) -> None:
    environment = {**os.environ, "RETUNE_CACHE": "/dev/null/cache"}
    answer = run_apart("plan", home / "song.toml", "--variant", "home", "--json", env=environment)
    assert answer.code == 0
    assert len(json.loads(answer.out)["edits"]) == 1


def test_errors_of_a_real_process_are_one_line_and_debug_shows_more(home: Path) -> None:
    (home / "vocal.wav").write_bytes(b"")
    before = seen(home)
    plain = run_apart("analyze", home / "song.toml")
    assert plain.code == 2
    assert plain.refusal.endswith("vocal.wav is empty; export it again")
    debug = run_apart("analyze", home / "song.toml", "--debug")
    assert "Traceback" in debug.err
    assert seen(home) == before


LEFT_EARLY = "import os; r, w = os.pipe(); os.close(r); os.dup2(w, 1)"


@pytest.mark.parametrize(
    "words",
    [
        ("plan", "song.toml", "--variant", "home"),
        ("suggest", "song.toml"),
        ("help", "rules"),
        ("--help",),
        ("--version",),
        (),
    ],
)
def test_no_command_minds_a_reader_that_leaves(words: tuple[str, ...], home: Path) -> None:
    answer = run_apart(*words, before=LEFT_EARLY, cwd=home)
    assert (answer.code, answer.err) == (0, "")


@pytest.mark.slow
@pytest.mark.parametrize("closed", ["0", "1", "2", "0, 1, 2"])
def test_streams_that_are_closed(closed: str, home: Path) -> None:
    """As `>&-` leaves them; no file of ours may take the number of one."""
    shut = f"import os\nfor n in ({closed},): os.close(n)\n"
    shut += f"sys.stdin, sys.stdout, sys.stderr = [None if n in ({closed},) else s for n, s in "
    shut += "enumerate((sys.stdin, sys.stdout, sys.stderr))]"
    good = ("export", "song.toml", "--format", "midi", "--out", "out", "--quiet")
    assert run_apart(*good, before=shut, cwd=home).code == 0
    assert list((home / "out").iterdir())
    assert run_apart("analyze", "none.toml", before=shut, cwd=home).code == 2


def test_a_current_folder_that_is_gone(home: Path) -> None:
    gone = "import os; os.mkdir('gone'); os.chdir('gone'); os.rmdir('../gone')"
    for words in (("render", home / "song.toml", "--rule", RULE, "--out", "out"), ("serve",)):
        answer = run_apart(*words, before=gone, cwd=home)
        assert answer.code == 2
        assert answer.refusal == (
            "the current folder was removed; change to one that exists (cd) and run again"
        )


def test_bars_as_short_as_may_be(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The chord by which a phrase is judged may then have ended before the phrase begins."""
    starts = ", ".join(f"{k * 0.0501:.4f}" for k in range(155))
    text = spoiled("tempo_bpm = 120\nfirst_downbeat_s = 0", f"downbeats_s = [{starts}]")
    (home / "song.toml").write_text(text, encoding="utf-8")
    answer = run(capsys, "analyze", home / "song.toml", "--json", "--quiet")
    assert answer.code == 0, answer.err
