"""Every sentence of `rules_examples.txt`: those that must read, in their canonical form, and those
that must not, with what the error has to say."""

from __future__ import annotations

from pathlib import Path

import pytest

from retune.carriers.errors import RuleError
from retune.rules import parse_rule

STEMS = ("vocal", "bass", "harp")
LINES = (Path(__file__).parent / "rules_examples.txt").read_text(encoding="utf-8").splitlines()
READ = [line.split(" => ") for line in LINES if " => " in line and not line.startswith("#")]
REFUSED = [line.split(" =! ") for line in LINES if " =! " in line and not line.startswith("#")]

# What the message must hold, and the word that the caret must stand under.
SAID = {
    "move phrase-endng degree 2 to degree 1": ("phrase-ending", "phrase-endng"),
    "move phrase-ending degree 9 to degree 1": ("degrees 1 to 7", "9"),
    "move every degree 3 to b3": ('"degree b3" or "B3"', "b3"),
    "move phrase-ending degree 2": ('"to" and a target', ""),
    "shift bass 2 semitones in bars 3-4": ("up or down", "in"),
    "shift bass down 1.5 scale steps": ("scale steps are whole", "1.5"),
    "move drums to degree 1": ("vocal, bass, harp", "drums"),
    "move phrase-ending degree 2 to degree 1 in phrases 3-1": ("runs backwards", "3-1"),
    "move phrase-ending degree 2 to degree 1 over H7": ("not a chord or a numeral", "H7"),
    "make it better": ("say which notes, and where they go", "better"),
    "move note at 9:1 to F4 200 cents flat": ("less than 100", "200"),
    "move note at 9:1 to F4 with a slow glide without vibrato with half vibrato": (
        "said already",
        "with",
    ),
    "move phrase-ending degree 2 to degree 1 in bar 0-last": ("count from 1", "0-last"),
}


def test_the_file_holds_all_that_is_checked() -> None:
    assert len(READ) == 37
    assert {text for text, _ in REFUSED} == set(SAID)


@pytest.mark.parametrize(("text", "canonical"), READ)
def test_a_sentence_reads_and_prints_back(text: str, canonical: str) -> None:
    rule = parse_rule(text, stems=STEMS)
    assert str(rule) == canonical
    assert parse_rule(canonical, stems=STEMS) == rule


@pytest.mark.parametrize("text", [text for text, _ in REFUSED])
def test_a_sentence_is_refused_with_a_caret_under_the_fault(text: str) -> None:
    said, under = SAID[text]
    with pytest.raises(RuleError) as caught:
        parse_rule(text, stems=STEMS)
    error = caught.value
    assert said in str(error)
    assert text[error.column : error.column + error.length] == under
    shown, caret = error.caret().split("\n")
    assert shown == text
    assert caret.index("^") == error.column
    assert len(caret.strip()) == error.length
