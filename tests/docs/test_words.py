"""One word for one thing on every surface: page, workbench, terminal, slides, documentation."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[2] / "retune"
# What people may type is understood by more words than are ever shown.
TYPED = ("rules/spoken/",)
SAY = (
    # (what is not said, what is said instead)
    (r"\b(doubtful|unsure|uncertain)\b", "in doubt (of a note); not sure"),
    (r"change with the (last|one heard)|\blast heard\b|\bheard last\b", "the previous"),
    (r"\b[Dd](one|o) again\b|\b[Tt]aken back\b", "redo, redone; undo, undone"),
    (r"\b[Dd]elete (?!remove)\w+|\b[Dd]iscard|(?<!to )\btake (it |them )?away\b", "remove"),
    (r"\b[A-G] (flat|sharp) (major|minor)\b|\bin [A-G] (flat|sharp)\b", "the sign: B♭ major, Bb"),
    (r"\bauto: guess", "estimated (of key, meter, tempo, chords)"),
    (r"\bvariations?\b", "variant"),
    (r"\b(sham|placebo)\b|\bmatched-control (?!\|)[a-z]+ed\b", "matched control"),
    (r"\b(time signature|anacrusis|upbeat)\b", "meter, pickup"),
    (r"\b(half|whole)[ -]?tones?\b", "semitone, whole step"),
    (r"\bmeasure \d|\bmeasures \d", "bar"),
    (r"\bloudness[- ]match|\bvolume[- ]match", "level match"),
    (r"\b[Qq]uestion (\d|\$?\{)|[Ee]ach question plays|\d questions", "trial"),
    (r"\b(participants?|test subjects?)\b", "listener"),
)


def of_python(path: Path) -> Iterator[tuple[int, str]]:
    """Texts of a module but for docstrings."""
    tree = ast.parse(path.read_text("utf-8"))
    alone = {id(n.value) for n in ast.walk(tree) if isinstance(n, ast.Expr)}
    for node in ast.walk(tree):
        is_text = isinstance(node, ast.Constant) and isinstance(node.value, str)
        if is_text and id(node) not in alone and " " in node.value:
            yield node.lineno, node.value


def of_script(path: Path) -> Iterator[tuple[int, str]]:
    for number, line in enumerate(path.read_text("utf-8").splitlines(), 1):
        code = re.sub(r"(^|\s)(//|\*|/\*\*).*$", "", line)
        yield from ((number, found) for found in re.findall(r'"[^"]* [^"]*"|`[^`]* [^`]*`', code))


def of_text(path: Path) -> Iterator[tuple[int, str]]:
    """Lines as they are read: without tags, and without what stands as code."""
    text = path.read_text("utf-8")
    for number, line in enumerate(text.splitlines(), 1):
        yield number, re.sub(r"<[^>]*>|`[^`]*`", "", line)


READERS = {".py": of_python, ".js": of_script, ".html": of_text, ".md": of_text}


def shown() -> Iterator[tuple[str, str]]:
    """Every text that somebody reads, with its place."""
    files = [*PACKAGE.rglob("*"), PACKAGE.parent / "README.md"]
    for path in sorted(file for file in files if file.suffix in READERS):
        place = path.relative_to(PACKAGE.parent).as_posix()
        if not any(typed in place for typed in TYPED):
            for number, text in READERS[path.suffix](path):
                yield f"{place}:{number}", text


@pytest.mark.parametrize(("never", "instead"), SAY, ids=[instead for _, instead in SAY])
def test_one_word_for_one_thing(never: str, instead: str) -> None:
    found = [f"{place}: {text.strip()[:90]}" for place, text in TEXTS if re.search(never, text)]
    assert not found, f"say: {instead}"


TEXTS = tuple(shown())


def test_the_texts_are_found() -> None:
    """Else nothing would be forbidden anywhere."""
    said = " ".join(text for _, text in TEXTS)
    for sure in ("matched control", "Preparing the sound", "Drop stems here", "retune serve"):
        assert sure in said
