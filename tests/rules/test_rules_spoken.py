"""Sentences as people say them: the corpora `spoken_*.txt`, and what is said where one is not
understood."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from retune.carriers.errors import RuleError
from retune.rules import Rule, completions, parse_rule, understand
from retune.rules.spoken.covers import VERBS
from retune.rules.spoken.sentence import Token
from retune.rules.spoken.synonyms import free_words, same_words
from retune.rules.spoken.tokens import sentence_of, synonyms

STEMS = ("vocal", "bass", "harp")
HERE = Path(__file__).parent
LINES = [
    line
    for path in sorted(HERE.glob("spoken_*.txt"))
    for line in path.read_text(encoding="utf-8").splitlines()
    if line and not line.startswith("#")
]
READ = [line.split(" => ") for line in LINES if " => " in line]
ASKED = [line.split(" =?") for line in LINES if " =?" in line]


@pytest.mark.parametrize(("text", "canonical"), READ)
def test_a_spoken_sentence_is_taken_for_its_canonical_form(text: str, canonical: str) -> None:
    rules = understand(text, stems=STEMS)
    assert "; ".join(map(str, rules)) == canonical
    for rule in rules:
        assert understand(str(rule), stems=STEMS) == (rule,)


@pytest.mark.parametrize(("text", "offers"), ASKED)
def test_where_something_is_missing_or_open_the_program_asks(text: str, offers: str) -> None:
    with pytest.raises(RuleError) as caught:
        understand(text, stems=STEMS)
    error = caught.value
    for offer in offers.split(" / "):
        assert offer.strip() in str(error)
    for reading in error.readings:
        for part in reading.split("; "):
            assert understand(part, stems=STEMS)


def refused(text: str) -> RuleError:
    with pytest.raises(RuleError) as caught:
        understand(text, stems=STEMS)
    return caught.value


@pytest.mark.parametrize(
    ("text", "under", "reading"),
    [
        ("raise the zebra endings by a step", "zebra", "shift phrase-ending note up 1 scale step"),
        ("please lower all 3s a half step gently", "gently",
         "shift every degree 3 down 1 semitone"),
        ("raise the endings", "raise", "shift phrase-ending note up 1 scale step"),
        ("raise the endings or lower them", "", ""),
    ],
)  # fmt: skip
def test_the_caret_stands_under_what_was_typed(text: str, under: str, reading: str) -> None:
    error = refused(text)
    if under:
        assert text[error.column : error.column + error.length] == under
        assert reading in error.readings


def test_a_word_that_forbids_is_never_passed_over() -> None:
    for text in ("do not end on 1", "no ending goes to 1", "never raise the endings a step"):
        refused(text)


def test_two_rules_in_one_sentence_are_no_one_rule() -> None:
    with pytest.raises(RuleError, match="two rules") as caught:
        parse_rule("swap 1 and 2", stems=STEMS)
    assert caught.value.readings == (
        "move every degree 1 to degree 2",
        "move every degree 2 to degree 1",
    )


@pytest.mark.parametrize(
    ("text", "rules"),
    [
        ("raise the endings a step and keep the last phrase",
         ["shift phrase-ending note up 1 scale step", "keep every note in phrase last"]),
        ("end every phrase on 1 but leave phrase 2 alone",
         ["move phrase-ending note to degree 1", "keep every note in phrase 2"]),
        ("delay the endings by a beat and move them to 1",
         ["delay phrase-ending note by 1 beat", "move phrase-ending note to degree 1"]),
        ("end the phrases on 1, so that it sounds finished",
         ["move phrase-ending note to degree 1"]),
        ("the first two notes of each phrase a step higher",
         ["shift phrase-opening note up 1 scale step", "shift phrase-second note up 1 scale step"]),
    ],
)  # fmt: skip
def test_a_sentence_may_be_several_rules(text: str, rules: list[str]) -> None:
    assert [str(rule) for rule in understand(text, stems=STEMS)] == rules


def test_the_stem_of_the_song_is_meant_before_a_synonym() -> None:
    assert str(parse_rule("raise the tune an octave", stems=("tune",))) == "shift tune up 1 octave"
    assert str(parse_rule("raise the tune an octave")) == "shift every note up 1 octave"


def test_no_wording_is_listed_for_two_words() -> None:
    """A wording that stood in two lines would mean the later one, unseen."""
    others = [other for wordings in same_words().values() for other in wordings]
    assert sorted({o for o in others if others.count(o) > 1}) == []
    assert not set(synonyms()) & {("not",), ("never",)}
    assert not {"not", "never", "no"} & set(free_words())


def test_no_wording_that_says_nothing_is_a_verb_or_the_melody() -> None:
    """A synonym of it among the free words would pass over every one of them."""
    plain = {sentence_of(wording).text for wording in free_words()}
    assert plain & (VERBS | {"melody", "phrase", "note", "notes", "ending", "except"}) == set()


SOME_WORDS = (
    "make every phrase end on the tonic 2 1 3s a third up down raise lower note last first except "
    "in bar and swap to beat longer chord of each Bb over V"
)


@given(st.text(max_size=60) | st.lists(st.sampled_from(SOME_WORDS.split(" "))).map(" ".join))
@settings(max_examples=200, deadline=None)
def test_what_is_taken_prints_back_and_what_is_not_is_told_inside_the_line(text: str) -> None:
    fault = None
    rules: tuple[Rule, ...] = ()
    try:
        rules = understand(text, stems=STEMS)
    except RuleError as error:
        fault = error
    if fault is not None:
        assert 0 <= fault.column <= len(fault.text)
        assert len(str(fault).splitlines()) == 1
    for rule in rules:
        assert understand(str(rule), stems=STEMS) == (rule,)


def test_every_word_keeps_its_place() -> None:
    text = "Please, take the second-to-last note of each phrase's end to E♭4!"
    for token in sentence_of(text).tokens:
        assert 0 <= token.start < token.stop <= len(text)


def test_a_spoken_sentence_is_completed_word_by_word() -> None:
    assert "make" in completions("ma")
    assert completions("make every phrase e")[0] == "end on the tonic"
    assert "except the last phrase" in completions("make every phrase end on 1 ")
    assert "to the tonic" in completions("please put all 2s t", stems=STEMS)
    assert completions("make zebras and ") == ()


@pytest.mark.parametrize(
    "text",
    [
        "move " + " and ".join(["degree 2"] * 3000),
        "shift every note up a step in bars " + ", ".join(f"{k}-{k + 1}" for k in range(1, 99)),
        "move every note in section " + "a " * 60,
    ],
)
def test_nothing_is_offered_after_more_words_than_a_rule_has(text: str) -> None:
    """Offering words after so many took minutes."""
    assert completions(text, stems=STEMS) in ((), (",", "and"))


def test_turns_of_phrase_are_not_looked_for_in_more_words_than_a_rule_has(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Their patterns take with the cube of the words: seconds for two thousand letters."""
    looked: list[int] = []

    def turned(words: Sequence[Token], typed: str) -> Sequence[Token]:
        looked.append(len(words))
        return words

    monkeypatch.setattr("retune.rules.spoken.tokens.turned", turned)
    for n in (10, 40, 100, 900):
        with pytest.raises(RuleError):
            understand("no " + "x " * n)
    assert looked
    assert max(looked) <= 90
