"""Rules are read, refused with a finger on the word, and printed in one form."""

from __future__ import annotations

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from lark import Lark
from lark.exceptions import GrammarError
from rules_strategies import STEMS as ALL_STEMS
from rules_strategies import rules

from retune.carriers.errors import RuleError
from retune.rules import Rule, completions, parse_rule, parse_rules
from retune.rules.grammar import GRAMMAR
from retune.rules.parse import RuleLexer, rule_parser
from retune.rules.words import NAMES_TOO, WORDS
from retune.song.songschema import RULE_WORDS

STEMS = ("vocal", "bass", "harp")


def refused(text: str) -> RuleError:
    with pytest.raises(RuleError) as caught:
        parse_rule(text, stems=STEMS)
    return caught.value


def under(error: RuleError) -> str:
    """The word that the caret stands under."""
    return error.text[error.column : error.column + error.length]


@pytest.mark.parametrize(
    ("text", "word", "says"),
    [
        ("", "", "a rule begins with"),
        ("   ", " ", "a rule begins with"),
        ("mov every note to degree 1", "mov", 'did you mean "move"'),
        ("move every degree 3 to", "", "expected a target such as degree 1, the tonic, F4"),
        ("move every note to a", "a", 'did you mean "A"'),
        ("move note G12 to G4", "G12", "from C-1 to G9"),
        ("shift bass down 2 semitons", "semitons", 'did you mean "semitone"'),
        ("shift bass down 0 cents", "0", "more than 0, at most 4800"),
        ("shift bass down 1.5 semitones", "1.5", "semitones are whole"),
        ("move every note to degree 1 ovr V", "ovr", 'did you mean "over"'),
        ("move every note to degree 1 in phrase 0", "0", "count from 1"),
        ("move every note to degree 1 in bars 0, 3", "0", "count from 1"),
        ("move every note to degree 1 from 9:1 to 5:1", "5:1", "does not come after 9:1"),
        ("move every note to degree 1 from 9s to 9 s", "9 s", "does not come after 9s"),
        ("move note at 9 to F4", "9", "a time such as 12.5s or 9:1"),
        ("move note at 9:0 to F4", "9:0", "beats count from 1"),
        ("move vocl every note to F4", "vocl", 'did you mean "vocal"'),
        ("hold vocal 1 beat longer", "hold", "needs notes, not a whole stem"),
        ("hold every note longer", "longer", "how long, such as 1 beat"),
        ("delay every note by 3:1", "3:1", 'expected "to" before it'),
        ("shorten every note by 0 beats", "0", "more than 0, at most 64 beats"),
        ("bring every note 61s earlier", "61s", "at most 60 seconds"),
        ("suspend every note by 1 beat", "by", "end of the rule"),
        ("keep every note to degree 1", "to", "or the end of the rule"),
        ("move every note to degree ##4", "##4", "degrees 1 to 7"),
        ("move every note to degree 1 in bar 9999999", "9999999", "no such number"),
        ("move every note to degree 1 from 1s to 9999999s", "9999999s", "no such time"),
    ],
)
def test_a_fault_is_told_under_its_word(text: str, word: str, says: str) -> None:
    error = refused(text)
    assert under(error) == word
    assert says in str(error)


@pytest.mark.parametrize(
    "text",
    ["{}", "move {}", "move every note to {}", "shift bass down {} cents", "move note at {}s"],
)
@pytest.mark.parametrize("word", ["x" * 400, "9" * 400, "V" * 400, "b" * 400])
def test_a_long_word_makes_no_long_message(text: str, word: str) -> None:
    error = refused(text.format(word))
    assert len(str(error)) < 500
    assert error.text == text.format(word)


def test_the_caret_stands_under_the_word() -> None:
    assert refused("move every note ot F4").caret().splitlines() == [
        "move every note ot F4",
        "                ^^",
    ]


@pytest.mark.parametrize(
    ("text", "canonical"),
    [
        ("Move THE  phrase ending Degrees 2 and 4 To degree 1.",
         "move phrase-ending degree 2, 4 to degree 1"),
        ("keep every note in bars 1 - 2, 4 – 5 and last", "keep every note in bars 1-2, 4-5, last"),
        ("keep note at 12.50 s", "keep note at 12.5s"),
        ("move note F# to F# below", "move note F# to F# below"),
        ("move note A to Bb#9", None),
        ("move note B♭4 to degree ♭3", "move note Bb4 to degree b3"),
        ("shift BASS an octave up", "shift bass up 1 octave"),
        ("move the first note of every phrase to A",
         "move phrase-opening note to A"),
        ("keep the last note of the last phrase", "keep phrase-ending note in phrase last"),
        ("move every note to degree 1 except where it is a chord tone over I, V or F:7(b9,13)",
         "move every note to degree 1 over I or V or F:7(b9,13) except where it is a chord tone"),
        ("keep every note in bar 0 # pickup", "keep every note in bar 0"),
        ("hold the phrase-ending notes two beats longer",
         "hold phrase-ending note 2 beats longer"),
        ("shorten every degree 5 by half a beat", "shorten every degree 5 by 0.5 beats"),
        ("delay last note of phrase 2 by 1/3 beat",
         "delay phrase-ending note by 1/3 beats in phrase 2"),
        ("bring vocal note at 9:1 a beat earlier", "bring vocal note at 9:1 1 beat earlier"),
        ("hold note at 9:1 0.5 Seconds longer", "hold note at 9:1 0.5s longer"),
        ("delay note at 9:1 to 9:2", "delay note at 9:1 to 9:2"),
        ("Suspend the phrase-ending notes over I", "suspend phrase-ending note over I"),
        ("move every degree #4 to G# # the raised one", "move every degree #4 to G#"),
    ],
)  # fmt: skip
def test_case_spacing_lists_and_signs_are_free(text: str, canonical: str | None) -> None:
    if canonical is None:
        refused(text)
    else:
        assert str(parse_rule(text, stems=STEMS)) == canonical


def test_numerals_keep_their_case() -> None:
    minor = parse_rule("keep every note over v", stems=STEMS)
    assert minor != parse_rule("keep every note over V", stems=STEMS)


@given(rules())
@settings(max_examples=400)
def test_every_rule_prints_a_form_that_reads_to_the_same_rule(rule: Rule) -> None:
    assert parse_rule(str(rule), stems=ALL_STEMS) == rule


@given(rules(), st.sampled_from((str.upper, str.lower, str.title)), st.integers(1, 3))
@settings(max_examples=100)
def test_words_read_in_any_case_and_spacing(rule: Rule, case: object, blanks: int) -> None:
    plain = {word for word in str(rule).split() if word in WORDS and word != "a"}
    assume("section" not in str(rule) and '"' not in str(rule))  # names keep their case
    text = (" " * blanks).join(
        case(word) if word in plain else word  # type: ignore[operator]
        for word in str(rule).split()
    )
    assert parse_rule(text, stems=ALL_STEMS) == rule


@given(
    st.text(max_size=60) | st.lists(st.sampled_from((*WORDS, "2", "V", "F4", ","))).map(" ".join)
)
@settings(max_examples=300)
def test_nonsense_is_refused_in_one_line_with_a_column_inside(text: str) -> None:
    error = None
    try:
        rule = parse_rule(text, stems=STEMS)
    except RuleError as raised:
        error = raised
    if error is None:
        assert parse_rule(str(rule), stems=STEMS) == rule
    else:
        assert 0 <= error.column <= len(error.text)
        assert len(error.problem.splitlines()) == 1


def test_a_list_of_rules_passes_over_blanks_and_comments() -> None:
    lines = ["", "  # the opening stays", "keep every note in bars 1-4", "keep bass  # low"]
    assert [str(rule) for rule in parse_rules(lines, stems=STEMS)] == [
        "keep every note in bars 1-4",
        "keep bass",
    ]


def test_a_line_too_long_or_of_two_lines_is_refused() -> None:
    assert "2000 are allowed" in str(refused("keep bass " + "x" * 2000))
    assert "on a line of its own" in str(refused("keep bass\nkeep vocal"))


def test_words_of_rules_are_no_names_of_stems() -> None:
    assert set(WORDS) <= RULE_WORDS | NAMES_TOO
    low = parse_rule("shift lower, open down 1 octave lower than F4", stems=("lower", "open"))
    assert (low.stems, str(low.scopes[0])) == (("lower", "open"), "lower than F4")


@pytest.mark.parametrize(
    ("text", "offers"),
    [
        ("", ("move", "shift", "keep", "hold", "shorten", "delay", "bring", "suspend")),
        ("hold every note ", ("to", "half a beat", "a")),
        ("delay every note by 2 ", ("beat",)),
        ("move h", ("harp", "highest")),
        ("move every degree ", ("1", "2", "3", "4", "5", "6", "7")),
        ("move every degree 2 ", ("to", "and")),
        ("move every degree 2 to degree 1 over t", ("tonic chord",)),
        (
            "move every degree 2 to degree 1 in ",
            (
                "last phrase",
                "phrases",
                "bars",
                "section",
                "notes",
                "first half of",
                "second half of",
                "open phrases",
                "closed phrases",
            ),
        ),
        ("move every degree 2 to degree 1 in first half of ", ("song", "phrases")),
        ("move every degree 2 to degree 1 on ", ("beat", "word", "strong beats", "weak beats")),
        ("shift bass up 2 s", ("semitones", "scale steps")),
        ("move bogus ", ()),
        ("keep bass # and", ()),
    ],
)
def test_a_line_is_completed(text: str, offers: tuple[str, ...]) -> None:
    assert sorted(completions(text, stems=STEMS)) == sorted(offers)


def test_completion_looks_at_the_cursor_only() -> None:
    assert completions("move ev note", 7, stems=STEMS) == ("every",)


@given(rules())
@settings(max_examples=60)
def test_every_word_of_a_rule_is_among_those_offered(rule: Rule) -> None:
    """Words that the grammar closes over (not names and numbers) are offered where they stand."""
    text = str(rule)
    for column, letter in enumerate(text):
        word = text[column:].split()[0].rstrip(",") if letter.strip() else ""
        is_start = column == 0 or text[column - 1] == " "
        if is_start and word in ("to", "over", "in", "from", "except", "above", "below", "every"):
            assert word in {
                offer.split()[0] for offer in completions(text, column, stems=ALL_STEMS)
            }


def test_the_grammar_is_strict_so_a_sentence_has_one_reading() -> None:
    """Strict LALR refuses a grammar with a conflict when the parser is built."""
    assert rule_parser().options.strict
    twice = GRAMMAR.replace("span: NUMBER", "span: NUMBER | odd\nodd: NUMBER", 1)
    with pytest.raises(GrammarError, match="collision"):
        Lark(twice, parser="lalr", lexer=RuleLexer, start="rule", strict=True)


def test_capitals_do_not_make_an_article_a_note() -> None:
    rule = parse_rule("SHIFT BASS DOWN A THIRD", stems=["bass"])
    assert str(rule) == "shift bass down 2 scale steps"
    assert str(parse_rule("move note A to A4")) == "move note A to A4"
