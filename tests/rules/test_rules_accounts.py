"""Whether a reading has every word of its sentence in it, and what is offered where it has not."""

from __future__ import annotations

import pytest

from retune.carriers.errors import RuleError
from retune.rules import understand
from retune.rules.spoken.accounts import contradicts, unaccounted
from retune.rules.spoken.tokens import sentence_of

STEMS = ("vocal", "bass", "harp")


def left_out(text: str, canonical: str) -> list[str]:
    sentence = sentence_of(text)
    untold = unaccounted(sentence, canonical)
    return [" ".join(t.raw for t in sentence.tokens[u.first : u.last]) for u in untold]


@pytest.mark.parametrize(
    ("text", "canonical", "words"),
    [
        ("raise the endings a step", "shift phrase-ending note up 1 scale step", []),
        ("raise the endings a step", "shift phrase-ending note down 1 scale step", ["raise"]),
        ("the last note up a step", "shift every note up 1 scale step", ["last"]),
        ("end on 5 in phrase 3", "move phrase-ending note to degree 5 in phrase 2", ["phrase 3"]),
        ("end every line on 5", "move phrase-ending note to degree 5 in phrase last", ["every"]),
        ("sing E instead of F4", "move note F4 to E", []),
        ("make the endings alike", "move phrase-ending note to degree 1", ["alike"]),
        ("an octave lower in the chorus", "shift every note down 1 octave", ["in chorus"]),
        ("never end on 1", "move phrase-ending note to degree 1", ["never"]),
        ("never end on 1", "move phrase-ending degree 1 to degree 2", []),
    ],
)
def test_a_word_that_no_rule_tells_is_found(text: str, canonical: str, words: list[str]) -> None:
    assert left_out(text, canonical) == words


def test_what_is_forbidden_is_no_reading() -> None:
    assert contradicts(sentence_of("it should not end on 1"), "move phrase-ending note to degree 1")
    assert not contradicts(sentence_of("it should not move"), "keep every note")
    assert not contradicts(sentence_of("end on 1"), "move phrase-ending note to degree 1")


REFUSED = (
    "make the end of each line go woop up",
    "let the grumbling endings wobble",
    "frobnicate the highest note of phrase 2",
    "walk the bass up to the last note by step",
    "please don't go down at the end of the lines",
    "the second phrase should end higher than the first",
    "make phrase 3 louder",
    "sing the whole thing in reverse",
    "raise phrase 2",
    "the last note of line 4",
)


@pytest.mark.parametrize("text", REFUSED)
def test_every_refusal_is_a_question_with_offers_that_read(text: str) -> None:
    with pytest.raises(RuleError) as caught:
        understand(text, stems=STEMS)
    error = caught.value
    assert "a rule begins with" not in error.problem
    for offer in error.readings:
        assert all(understand(part, stems=STEMS) for part in offer.split("; "))
        assert not contradicts(sentence_of(text), offer)


@pytest.mark.parametrize(
    ("text", "said", "offer"),
    [
        ("make the end of each line go woop up", "about the last note of each phrase: how far up?",
         "shift phrase-ending note up 1 octave"),
        ("frobnicate the highest note of phrase 2", "the highest note of phrase 2",
         "shift highest note up 1 scale step in phrase 2"),
        ("offset everything in the verse by a beat", "it is about every note in section verse",
         "delay every note by 1 beat in section verse"),
    ],
)  # fmt: skip
def test_what_was_understood_is_said_back(text: str, said: str, offer: str) -> None:
    with pytest.raises(RuleError) as caught:
        understand(text, stems=STEMS)
    assert said in caught.value.problem
    assert offer in caught.value.readings


def test_to_leave_the_rest_keeps_none_of_what_moves() -> None:
    rules = understand("make bars 5 and 6 a step higher and leave the rest", stems=STEMS)
    assert [str(rule) for rule in rules] == ["shift every note up 1 scale step in bars 5, 6"]
