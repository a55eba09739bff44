"""Kinds of note, by place, role, chord and scale, and manners of singing: how people say them, as
patterns over plain words."""

# ruff: noqa: E501  (a pattern reads best on one line)
from __future__ import annotations

ALL = r"(?:every )?"
_COUNTED = r"note (?:number |# ?)?{}(?= (?:of|in) (?:\S+ )?phrase)"
_NUMBERED = r"|(?= (?:of|in) bars? \d)"
_OF_BAR = (
    ("opening", "o:1", _NUMBERED),
    ("ending", "last", _NUMBERED),
    *((kind, kind, "") for kind in ("highest", "lowest", "longest", "shortest")),
)
POSITIONS = {
    "phrase-ending": r"very last (?:note|1)|last(?= (?:note )?n:)|last end|(?:very )?last (?:syllable|word)|ending(?P<many>s)?(?: notes?)?|last (?:note(?P<many2>s)?|1(?P<many3>s))(?! (?:of|in) (?:(?:every|a) )?bars?(?: |$))|resolution(?P<many4>s)?(?! of (?!phrase|every phrase|song|melody))",
    "phrase-penultimate": r"penultimate(?: notes?)?|(?:1|note) before (?:ending|end(?! of)|last 1|last note|last)",
    "phrase-antepenultimate": r"antepenultimate(?: notes?)?|(?:1|note) before penultimate(?: note)?",
    "phrase-opening": r"very o:1 (?:note|1)|o:1 (?:word|syllable)(?P<many4>s)?(?! q:)|opening(?P<many>s)?|o:1 (?:note(?P<many2>s)?|1(?P<many3>s))(?! (?:of|in) (?:(?:every|a) )?bars?(?: |$))",
    "phrase-second": rf"(?<!every )o:2 notes?|{_COUNTED.format(2)}",
    "phrase-third": rf"(?<!every )o:3 notes?|{_COUNTED.format(3)}",
    "phrase-fourth": rf"(?<!every )o:4 notes?|{_COUNTED.format(4)}",
    "phrase-pickup": r"pickup(?P<many>s)?(?: notes?)?",
    "highest": r"highest(?: note(?P<many>s)?| 1(?P<many2>s))?|apex|(?P<many3>peaks)",
    "lowest": r"lowest(?: note(?P<many>s)?| 1(?P<many2>s))?",
    "shortest": r"shortest(?: note(?P<many>s)?| 1(?P<many2>s))?",
    **{
        f"bar-{kind}": rf"(?:very )?{which} (?:notes?|1s?)(?: (?:of|in) (?:every|a) bars?{numbered})"
        for kind, which, numbered in _OF_BAR
    },
    "longest": r"longest(?: note(?P<many>s)?| 1(?P<many2>s))?",
}
ROLES = {
    "passing": r"passing notes?",
    "neighbour": r"neighbour notes?|neighbours",
    "changing": r"changing notes?",
    "escape": r"escape notes?|escapes|echappees?",
    "blue": r"blue notes?",
    "pedal": r"pedal (?:notes?|points?)|pedals",
    "unresolved": r"unresolved notes?",
    "suspension": r"(?:[2-9]-[1-8] )?suspensions?",
    "retardation": r"retardations?",
    "appoggiatura": r"appoggiaturas?|leaning notes?",
    "anticipation": r"anticipations?",
    **{
        role: rf"chord {ordinal}s|{ordinal}s of chords?"
        for role, ordinal in (("third", "o:3"), ("fifth", "o:5"), ("seventh", "o:7"))
    },
    "root": r"chord roots|roots of chords?",
}
WHERE = {
    "where it is not a chord tone": (
        r"(?:where |that |which )?is not (?:in )?(?:a )?(?:its )?chord(?: notes?)?"
        r"|(?:not in|outside) (?:its )?chord|nonchord(?: notes?)?|dissonant(?: notes?)?"
        r"|dissonances?|where (?:it |they )?is dissonant|(?:that |which )?do(?:es)? not (?:fit|belong to|"
        r"match) (?:in )?(?:its )?chord|(?:that |which )?clash(?:es)?(?: with chord)?"
    ),
    "where it is a chord tone": (
        r"(?:where |that |which )?is (?:in )?(?:a )?(?:its )?chord(?: notes?)?|chord notes"
        r"|every chord note|consonant(?: notes?)?"
    ),
}
_WHO = r"(?:where |that |which )?(?:it )?(?:is |lies? )?"
WHERE |= {
    "where it is not a scale tone": (
        rf"{_WHO}(?:(?:do(?:es)? )?not (?:in|on|part of|of|belong to|fit|fit in|fit into|belong in)|outside(?: of)?|out of|foreign to) (?:a |its )?"
        r"(?:key|scale)|(?:every )?(?:non ?scale|nondiatonic|non diatonic|chromatic) (?:notes?|alterations?|inflections?|pitch(?:es)?)"
        r"|every (?:accidentals?|chromatics?)"
    ),
    "where it is a scale tone": rf"{_WHO}(?:in|of|part of) (?:key|scale)|(?:every )?diatonic notes?",
}
_GLIDE = r"(?:glide|slide)s?(?: (?:up |down )?(?:to|into)(?: it)?(?= ,|$))?"
_FORMANTS = r"(?:its |their )?formants?"
_MOVING = rf"(?:mov(?:ed?|ing)|shift(?:ed)?) {_FORMANTS}|{_FORMANTS} (?:mov(?:es?|ed|ing)|shift(?:s|ed|ing)?|follow(?:s|ing)?|after|go(?:es|ing)?)"
_ALONG = r"(?: too| along| as well)?(?: (?:along )?(?:with |by )?(?:it|them|note|notes))?"
MANNERS = (
    (["with moved formants"], rf"(?:and )?(?:with |let |while )?(?:{_MOVING}){_ALONG}"),
    ([""], rf"(?:and )?(?:with )?(?:(?:keep|kept) {_FORMANTS}|{_FORMANTS} (?:keep|kept))"),
    (
        ["with its tail"],
        r"(?:and )?(?:with|take|bring) (?:its |their )?(?:tails?|reverbs?|echo|echoes|ring|decay)"
        r"(?: (?:too|along|as well))?",
    ),
    (["without vibrato"], r"(?:and )?(?:except|no|senza|with no|not any) (?:any |every )?vibrato"),
    (["with half vibrato"], r"(?:with )?half (?:of )?(?:its |as much )?vibrato"),
    (
        ["with 50 percent vibrato", "with 25 percent vibrato"],
        r"(?:and )?(?:with )?(?:less|down|reduced) vibrato",
    ),
    (["with 150 percent vibrato", "with 200 percent vibrato"], r"(?:and )?(?:with )?more vibrato"),
    (["with a slow glide"], rf"(?:with )?(?:a )?(?:slow|long|gentle) {_GLIDE}"),
    (["with a fast glide"], rf"(?:with )?(?:a )?(?:fast|quick|short|shorten) {_GLIDE}"),
    (["with a slow glide", "with a fast glide"], rf"(?:and |by |with )?(?:a )?{_GLIDE}"),
)
