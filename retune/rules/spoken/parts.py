"""The parts of a spoken sentence: patterns over its plain words, and what each part means.

A part is found wherever its pattern fits; `readings` then looks for the parts that together cover
the whole sentence.
"""

# ruff: noqa: E501  (a pattern reads best on one line)
from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any

from retune.rules.spoken.kinds import ALL, MANNERS, POSITIONS, ROLES, WHERE
from retune.rules.spoken.pitches import (
    CHORD_MEMBER,
    DEGREE,
    DEGREES,
    INTERVAL,
    LENGTH,
    NAMES,
    TARGET,
    degrees_of,
)
from retune.rules.spoken.places import PLACE_PARTS, MatchAt
from retune.rules.spoken.sentence import Sentence
from retune.rules.spoken.stretches import SECTIONS

Match = re.Match[str]


@dataclass(frozen=True)
class Part:
    """A part of a sentence: its kind, what it means, and which words it is made of."""

    kind: str
    value: Any
    first: int
    last: int


_TIME_VERBS = {
    "hold": "hold",
    "shorten": "shorten",
    "delay": "delay",
    "bring": "earlier",
    "suspend": "suspend",
}
# Phrases that are told by another: "that end lower than the one before".
_OTHERS = (
    r"(?:phrases? )(?:(?:that|which|where|with|whose|its|a) )*(?:end(?:ing)? )?(?:is )?"
    r"(?:up|down|hold|shorten|more|less) than (?:(?:in|at|of) )*(?:1 (?:before|after)|(?:its|their) \w+|"
    r"it begin|before (?:phrase|1)|phrase \d+|(?:o:\d+|last)(?: phrase| 1)?|every (?:else|other 1s?))"
)
_SIZE = rf"(?:by )?{LENGTH}".replace("?P<", "?P<next_")
# "On the last note of phrase 2" says where; "to" and "as" that ending say where to.
_NO_PLACE = r"(?:(?<=as )|(?!(?:ending|last note) of ))"
TO = r"(?:on|at|with|(?<!up )(?<!down )by|as|in(?! o:\d(?! degree))|is)"


def _compiled() -> list[tuple[str, MatchAt, Callable[[Match], Any]]]:
    found: list[tuple[str, str, Callable[[Match], Any]]] = [
        ("up", "up", lambda m: "up"),
        ("down", "down", lambda m: "down"),
        ("sharp", "sharpen", lambda m: "up"),
        ("sharp", "flatten", lambda m: "down"),
        ("keep", "keep", lambda m: None),
        ("swap", "swap|reverse", lambda m: None),
        (
            "passed",
            r"(?:instead of|rather than|not) (?:up|down|approach|going up|going down|go up|go down)(?= |$)",
            lambda m: None,
        ),
        (
            "passed",
            rf"(?:, )?(?:and )?not (?:on |at |to |in )?(?:root|{CHORD_MEMBER}|{DEGREES})(?= |$)",
            lambda m: None,
        ),
        (
            "target",
            rf"(?:, )?(?:and )?not (?:on |at |to |in )?(?P<not>{DEGREES})",
            lambda m: ("not", m),
        ),
        ("down", r"(?:to|in|into|at) an? down key", lambda m: "down"),
        ("up", r"(?:to|in|into|at) an? up key", lambda m: "up"),
        (
            "vague_until",
            r"(?:until|till|up to|to|through|over|into) (?:very )?(?:end(?:ing)?(?: of (?:its |a )?(?:bar|song|phrase|melody))?|(?:next|after|last|o:2|following) (?:note|bar|phrase|downbeat|chord|1)|barline|bar line|downbeat)",
            lambda m: None,
        ),
        (
            "vague_bars",
            r"(?:by |for )?(?:an?|1|half a|half|another|whole|(?P<n>\d+)) (?:whole |full |more |extra |additional )?bars?(?! \d)",
            lambda m: None,
        ),
        (
            "in_all",
            rf"(?:to|down to|into) (?:just |only )?(?:at (?:most|least) )?{LENGTH}(?: long)?",
            lambda m: m,
        ),
        ("in_all", rf"(?:at (?:most|least) )?{LENGTH} (?:long|in length)", lambda m: m),
        (
            "in_all",
            rf"(?:last|lasts|lasting) (?:for )?(?:at (?:most|least) )?{LENGTH}(?: long)?",
            lambda m: m,
        ),
        ("resolve", "resolve", lambda m: None),
        ("copy", "copy", lambda m: None),
        ("like", r"like|where(?= phrase \d+ end)", lambda m: None),
        ("inverse", "substitute", lambda m: None),
        ("end", r"end(?:ing)?", lambda m: None),
        ("hang", r"hanging|hangs?|dangling", lambda m: None),
        ("hang", r"(?:keep )?(?:open|unresolved|unfinished)(?= (?:on|at|with) )", lambda m: None),
        ("begin", r"(?:come|comes|coming) in|enters?|entry|entrance", lambda m: None),
        ("delay", rf"back(?= {_SIZE})", lambda m: None),
        ("hold", rf"(?:an? )?(?:extra|additional|add)(?= {_SIZE})", lambda m: None),
        ("hold", rf"{LENGTH} (?:extra|additional)".replace("?P<", "?P<hold_"), lambda m: None),
        ("shorten", "off(?! beat)", lambda m: None),
        (
            "note_number",
            r"note (?:number |# ?)?(?P<n>\d+)(?! (?:of|in) (?:\S+ )?phrase)",
            lambda m: m["n"],
        ),
        ("middle", r"(?:in |of )?(?:\d )?middle phrases?", lambda m: None),
        (
            "compared",
            rf"(?:highest|lowest|longest|shortest) (?:end(?:ing)? )?phrases?|{_OTHERS}|(?:up|down|hold|shorten) of (?:2 |both )?phrases",
            lambda m: None,
        ),
        (
            "section_end",
            rf"(?<!every )(?:end|ending|last note) (?:of|in) (?P<a>(?:every |o:\d+ |last )?(?:{SECTIONS})s?(?: \d+)?)|(?P<b>(?:every |o:\d+ |last )?(?:{SECTIONS})s?(?: \d+)?) (?:is |now )?(?:end|ending)",
            lambda m: m["a"] or m["b"],
        ),
        (
            "little",
            r"(?:by )?(?:just )?(?:a )?(?:tiny |little |wee |teeny |teensy )?(?:bit|little|tad|touch|hair|slightly|somewhat|teeny|teensy|smidge|smidgen|whisker|fraction)(?: bit)?(?: (?:too|more))?",
            lambda m: None,
        ),
        (
            "suspend",
            r"(?:with |into )?an? (?:[2-9]-[1-8] )?suspension(?! (?:up|down|of))",
            lambda m: None,
        ),
        (
            "suspend",
            r"hold (?:(?:note|1) )?(?:before note|before|penultimate)(?: (?:1|note|ending|last note|last 1|last))? (?:over|into|across|through|above) (?:every |a |next )?(?:chord changes?|change of chord|chord|barlines?)",
            lambda m: "ending",
        ),
        (
            "wait",
            rf"wait {LENGTH}(?: before| with| for| on| (?P<penultimate>penultimate)(?: note)?)?",
            lambda m: m,
        ),
        (
            "hold",
            r"(?:rings?|lingers?|continues?|goes? on)(?: on)?(?= .*\bbeats?\b)",
            lambda m: None,
        ),
        (
            "times",
            r"(?:twice|2 times|double) (?:as )?(?:long|hold|length|duration)|(?:in |by )?half(?: as long| its length| its duration| length)?(?! (?:a|of|cadences?|beats?|note|step))",
            lambda m: m[0],
        ),
        (
            "value",
            r"(?:by |for )?(?:an?|1) (?P<value>o:8|quarter|half note|o:16|quaver|semiquaver|crotchet|minim)(?: note)?",
            lambda m: m["value"],
        ),
        ("begin", r"begin|opening", lambda m: None),
        ("song", r"(?:of |in )?(?:every |whole )?song", lambda m: None),
        ("song", r"of (?:every |whole )?melody", lambda m: None),
        ("melody", r"(?:every |whole |main )?melody", lambda m: None),
        (
            "notes",
            rf"{ALL}notes?(?: of melody)?|everything|every 1|every thing",
            lambda m: None,
        ),
        ("target", rf"(?:home )?(?:to|into|-) {TARGET}", lambda m: ("firm", m)),
        (
            "target",
            rf"(?:should|must|shall|will|has to|have to|needs? to|ought to) (?:now |then |rather )?be {TARGET}",
            lambda m: ("firm", m),
        ),
        ("target", rf"home on {TARGET}", lambda m: ("firm", m)),
        ("target", rf"(?:make|makes|turn|let) it (?:be )?{TARGET}", lambda m: ("firm", m)),
        ("target", rf"no (?:more )?(?P<not>{DEGREES}|{NAMES})", lambda m: ("not", m)),
        ("alike", r"identical|same|alike|rhyme|match", lambda m: None),
        ("target", r"(?P<target>(?:a )?chord notes?)(?P<side>)", lambda m: ("loose", m)),
        ("target", r"(?:at |to )?(?P<target>home)(?P<side>)", lambda m: ("firm", m)),
        ("target", rf"{TO} {_NO_PLACE}{TARGET}", lambda m: ("loose", m)),
        ("target", rf"for {TARGET}", lambda m: ("for", m)),
        (
            "target",
            rf"(?:instead of|rather than) (?:on |to )?(?:an? )?(?P<not>{CHORD_MEMBER}|{DEGREES}|{NAMES}|root)",
            lambda m: ("not", m),
        ),
        ("degrees", rf"{ALL}(?:notes |note (?!\d))?(?:on )?{DEGREES}", lambda m: m),
        ("member", rf"{CHORD_MEMBER}|(?:every )?roots?(?! (?:of|note|position))", lambda m: m),
        ("names", rf"{ALL}(?:notes? )?{NAMES}", lambda m: m),
        ("interval", rf"(?:by |of )?{INTERVAL}", lambda m: m),
        ("length", rf"(?:by |for )?{LENGTH}", lambda m: m),
        ("until", r"(?:until|till|to|(?<!note )at|up to) t:(?P<until>\S+)", lambda m: m["until"]),
    ]
    found += [("manner", pattern, partial(_always, words)) for words, pattern in MANNERS]
    found += [(verb, word, lambda m: None) for verb, word in _TIME_VERBS.items()]
    found += [
        ("position", rf"(?P<all>every (?!o:))?(?:{pattern})", partial(_position, kind))
        for kind, pattern in POSITIONS.items()
    ]
    found += [
        ("firsts", r"(?:every )?o:1 (?P<n>[234]) notes", lambda m: int(m["n"])),
        ("lasts", r"(?:every )?last 2(?: notes| 1s|$)", lambda m: m[0].startswith("every")),
        (
            "befores",
            r"(?:every )?2 notes before (?:every )?(?:ending|last note|last 1|last)",
            lambda m: 2,
        ),
        ("last_degree", rf"(?:every )?last (?P<d>{DEGREE})(?! notes?)", lambda m: m),
    ]
    found += [
        ("role", rf"{ALL}(?:{pattern})", partial(_always, role)) for role, pattern in ROLES.items()
    ]
    found += [("scope", pattern, partial(_always, [scope])) for scope, pattern in WHERE.items()]
    return [
        (kind, re.compile(f"(?:{pattern})(?= |$)").match, make) for kind, pattern, make in found
    ]


def _position(kind: str, match: Match) -> tuple[str, bool, bool]:
    """The kind, whether many are meant, and whether the one of the song is."""
    return kind, _is_many(match), match[0].startswith("very ") or match[0] == "last end"


def _always(value: Any, match: Match) -> Any:
    return value


def _is_many(match: Match) -> bool:
    return any(match.groupdict().values())


_PARTS = _compiled()


def parts_at(sentence: Sentence, place: int) -> Iterator[Part]:
    """Every part that begins with a word of the sentence."""
    text, offset = sentence.text, sentence.offsets[place]
    for kind, match_at, make in _PARTS:
        match = match_at(text, offset)
        if match is not None and match.end() > offset:
            last = sentence.index_at(match.end() - 1) + 1
            if kind == "note_number" and not sentence.tokens[last - 1].raw[0].isdigit():
                continue  # "the note one step"
            if kind == "last_degree" and sentence.tokens[last - 1].raw.lower() == "one":
                # "the last one" is a note, not the last 1
                yield Part("position", ("phrase-ending", False, False), place, last)
                continue
            value = _verb_of(sentence, place) if kind == "end" else make(match)
            yield Part(kind, value, place, last)
    for kind, match_at, place_of in PLACE_PARTS:
        match = match_at(text, offset)
        if match is not None and match.end() > offset:
            value = place_of(match, sentence)
            if value is not None:
                yield Part(kind, value, place, sentence.index_at(match.end() - 1) + 1)
    if sentence.tokens[place].text in ("except", "not"):
        yield from _excepted(sentence, place)


def _verb_of(sentence: Sentence, place: int) -> str:
    """The word that was said for "end", "" where it is no verb ("at the end")."""
    before = sentence.typed[: sentence.tokens[place].start].lower()
    return "" if before.endswith("the ") else sentence.tokens[place].raw.lower()


OWN_KIND = "same-kind"
"""Stands for the kind of note that the rest of the sentence moves."""
_ENDS = frozenset(("ends", "endings"))


def _excepted(sentence: Sentence, place: int) -> Iterator[Part]:
    """ "except" and a place; "the last one" is the last phrase."""
    rest = " ".join(token.text for token in sentence.tokens[place + 1 :])
    last = re.match(
        r"(?:(?:in|for|at|on) )?(?:very )?(?:last(?: 1)?|endings?|end)(?= [^\dnop]|$)", rest
    )
    count = len(last[0].split()) if last is not None else 0
    is_each = bool(count) and (
        rest.split()[count - 1] == "endings" or sentence.tokens[place + count].raw.lower() in _ENDS
    )
    if is_each or (last is not None and last[0].endswith(("ending", "endings"))):
        yield Part("spared", "phrase-ending note", place, place + 1 + count)
    if last is not None and not is_each:
        yield Part("scope", ["except in phrase last"], place, place + 1 + count)
    if place + 1 >= len(sentence.tokens):
        return
    yield from _excepted_ordinal(sentence, place, rest)
    degree = re.match(
        rf"(?:(?:it|they|where|that|which|those) (?:already )?(?:end |is )?)?(?:on )?({DEGREE})(?= ,|$)",
        rest,
    )
    is_except = sentence.tokens[place].text == "except"
    if degree is not None and not degree[1].isdigit() and is_except:
        listed = degrees_of(degree[1])
        last_word = place + 1 + len(degree[0].split())
        if len(listed) == 1 and len(listed[0]) == 1:
            yield Part("spared", f"{OWN_KIND} degree {listed[0][0]}", place, last_word)
    for part in parts_at(sentence, place + 1):
        if part.kind == "position" and (part.value[1] or _is_of_song(part, sentence)):
            lone = "" if part.value[1] else " in phrase last"
            yield Part("spared", f"{part.value[0]} note{lone}", place, part.last)
        if part.kind in ("scope", "phrases", "cadences") and all(part.value):
            turned = [_turned(scope) for scope in part.value]
            yield Part("scope", turned, place, part.last)


def _is_of_song(part: Part, sentence: Sentence) -> bool:
    """ "Except the last note" is that of the song where no phrases or endings were spoken of."""
    speaks = re.search(r"\b(?:phrases?|endings?|end)\b", sentence.text)
    return part.value[0] == "phrase-ending" and speaks is None


def _excepted_ordinal(sentence: Sentence, place: int, rest: str) -> Iterator[Part]:
    """ "All phrases but the first": of what was named before."""
    which = re.match(
        r"(?:(?:in|for|at|on) )?o:(\d+)(?: 1)?(?= (?:up|down|by|to|end|begin|on|go|goes|is|hold|delay|shorten|,)|$)",
        rest,
    )
    before = " ".join(token.text for token in sentence.tokens[:place])
    unit = re.search(r"\b(phrase|bar)s?\b(?!.*\b(?:phrase|bar)s?\b)", before)
    if which is not None and unit is not None:
        count = len(which[0].split())
        scope = f"except in {unit[1]} {which[1]}"
        yield Part("scope", [scope], place, place + 1 + count)


def _turned(scope: str) -> str:
    return scope.removeprefix("except ") if scope.startswith("except ") else f"except {scope}"
