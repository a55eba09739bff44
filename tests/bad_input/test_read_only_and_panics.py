"""Files that may not be written, libraries that panic, and answers too many to count together."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest
from hostile_songs import RULE, refused, run, seen, write_song

from retune.carriers.errors import OutputError
from retune.comparison.exports import typesetting
from retune.faces.web.work import Tasks
from retune.song.songsave import edit_song

HEAD = "listener,sheet,trial,kind,passage,first,second,answer\n"


def test_a_read_only_song_file_is_not_replaced(tmp_path: Path) -> None:
    """A rename asks for no right on what it replaces, and root has every right."""
    song = write_song(tmp_path)
    song.chmod(0o444)
    before = seen(tmp_path)
    editor = edit_song(song)
    editor.set_variant("other", [RULE])
    with pytest.raises(OutputError, match="is read-only and left as it is: make it writable"):
        editor.save()
    assert seen(tmp_path) == before


@pytest.mark.parametrize(
    "words",
    [
        ("render", "song/song.toml", "--all", "--out", "out"),
        ("export", "song/song.toml", "--format", "midi", "--out", "out"),
        ("compare", "song/song.toml", "--out", "out/page.html"),
    ],
    ids=lambda words: words[0],
)
def test_a_read_only_output_is_kept(
    words: tuple[str, ...],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    write_song(tmp_path / "song")
    (tmp_path / "out").mkdir()
    monkeypatch.chdir(tmp_path)
    assert run(capsys, *words, "--quiet").code == 0
    for path in (tmp_path / "out").rglob("*.*"):
        path.chmod(stat.S_IRUSR)
    said = refused(capsys, tmp_path, *words, "--quiet", code=1)
    assert "is read-only and left as it is" in said


class PanicException(BaseException):
    """What a fault inside a library in Rust is in Python."""


def test_a_library_that_panics_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """90 000 accents on one letter did it."""
    typst = pytest.importorskip("typst", reason="needs the extra retune[exports]")

    def panics(*given: object, **options: object) -> bytes:
        raise PanicException("assertion failed: j < i")

    monkeypatch.setattr(typst, "compile", panics)
    with pytest.raises(OutputError, match="could not be typeset: assertion failed: j < i"):
        typesetting.typeset("picture", {}, svgs={})


def test_a_work_that_panics_ends() -> None:
    """Else it would run for ever, as far as the page can tell."""
    tasks = Tasks()

    def panics(tell: object) -> dict[str, object]:
        raise PanicException("assertion failed")

    task = tasks.begin("export", panics)
    tasks.stop_all()
    assert task.state == "failed"
    assert "assertion failed" in task.error


def test_many_files_of_answers_are_limited_together(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = []
    for number in range(3):
        files.append(tmp_path / f"{number}.csv")
        rows = (f"a{number}-{n},1,1,pair,p,original,b,first\n" for n in range(900))
        files[-1].write_text(HEAD + "".join(rows))
    assert "more than 2000 listeners" in refused(capsys, tmp_path, "tally", *files)
