"""Places in spoken sentences: phrases, bars, beats, chords, cadences, sections, words of the song.

Each pattern gives the scopes it may mean in canonical words, one string for each reading; "" is
everywhere.
"""

# ruff: noqa: E501  (a pattern reads best on one line)
from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from retune.carriers.errors import ChordError
from retune.rules.scopes import InSection
from retune.rules.spoken.beside import BESIDE
from retune.rules.spoken.sentence import Sentence
from retune.rules.spoken.stretches import SECTIONS, STRETCHES, is_cadence
from retune.rules.spoken.synonyms import is_worded
from retune.theory.chords import parse_chord
from retune.theory.keys import parse_key

Match = re.Match[str]
MatchAt = Callable[[str, int], Match | None]
Meaning = Callable[[Match, Sentence], Any]

_AND = r"(?: ,)? (?:and |or |& |plus )?"
_ORD = r"o:\d+"
_SPAN = r"(?:\d+ (?:to|through|thru|until|till|-) (?:\d+|last)|\d+-(?:\d+|last)|\d+(?![\w:.])|last(?! (?:\d|o:|notes?|words?|syllables?|pitch)))"
_ONE = r"(?:\d+(?:-\d+)?|last)"
_SIZES_OF_SOME = r"(?:beats|semitones|steps|wholes|octaves|cents|notes|degrees)\b"
_SIZES = r"(?:beat|semitone|step|whole|octave|cent|note|degree|o:\d)s?\b"
_PREP = r"(?:only )?(?:(?:in|of|for|at|from|on|to|into) )?(?:only )?"
_LIST = rf"{_SPAN}(?:{_AND}(?:phrases? |bars? )?{_SPAN}(?! {_SIZES}))*"
_WHICH = rf"(?:{_ORD}|last|penultimate)(?:{_AND}(?:{_ORD}|last|penultimate))*"


def _spans(text: str) -> str:
    """A list as rules write it: "1 to 3 and 5" is "1-3, 5"."""
    text = re.sub(r"phrases? |bars? ", "", text)
    text = re.sub(r" (?:to|through|thru|until|till|-) ", "-", text)
    items = [item for item in re.split(r"(?:,| |and|or|&|plus)+", text) if item]
    return ", ".join(items)


def _listed(unit: str, text: str) -> list[str]:
    spans = _spans(text)
    many = "s" if "," in spans or "-" in spans else ""
    return [f"in {unit}{many} {spans}"]


def _ordinals(unit: str, text: str) -> list[str]:
    found = re.findall(rf"{_ORD}|last|penultimate", text)
    items = [item.removeprefix("o:") for item in found]
    return [f"in {unit}{'s' if len(items) > 1 else ''} {', '.join(items)}"]


def _unit_parts(unit: str) -> list[tuple[str, str, Meaning]]:
    kind = "phrases" if unit == "phrase" else "scope"
    one, many = unit, f"{unit}s"

    def ranged(first: str, last: str) -> list[str]:
        return [f"in {many} {first}-{last}"]

    def every(match: Match, sentence: Sentence) -> list[str] | None:
        number, at = match["n"] or match["m"], match.start("n" if match["n"] else "m")
        before = sentence.tokens[sentence.index_at(at) - 1].raw.lower()
        if before.startswith(("all", "both")):  # "all six phrases" are as many as there are
            return [""]
        return [f"in {many} {number}-last step {number}"] if number not in ("1", "2") else None

    found: list[tuple[str, str, Meaning]] = [
        (kind, rf"{_PREP}(?:every )?{many} (?P<list>{_LIST})(?: only)?",
         lambda m, s: _listed(unit, m["list"])),
        (kind, rf"{_PREP}{one} (?P<list>{_ONE}(?: (?:and|or) (?:{one} )?{_ONE})*)(?: only)?(?! {_SIZES_OF_SOME})(?!(?<= 1) {_SIZES})",
         lambda m, s: _listed(unit, m["list"])),
        (kind, rf"{_PREP}{one} (?P<list>\d+ (?:to|through|thru|-) (?:\d+|last))(?! {_SIZES})"
         if unit == "bar" else "(?!)",
         lambda m, s: _listed(unit, m["list"])),
        (kind, rf"{_PREP}{one} (?P<ord>{_ORD})",
         lambda m, s: _ordinals(unit, m["ord"])),
        (kind, rf"{_PREP}(?P<which>{_WHICH}) (?:{one}|{many})(?: only)?",
         lambda m, s: _ordinals(unit, m["which"])),
        (kind, rf"{_PREP}o:1 (?P<n>\d+) {many}(?: only)?", lambda m, s: ranged("1", m["n"])),
        (kind, rf"{_PREP}last (?P<n>\d+) {many}(?: only)?",
         lambda m, s: [f"in {many} final {m['n']}"]),
        (kind, rf"{_PREP}(?P<odd>odd|even)(?: numbered)? (?:{one}|{many})",
         lambda m, s: [f"in {many} {m['odd']}"]),
        (kind, rf"{_PREP}(?:every (?:other|o:2)|alternate|alternating) (?:{one}|{many})",
         lambda m, s: [f"in {many} odd", f"in {many} even"]),
        (kind, rf"{_PREP}every (?:o:(?P<n>\d+) {one}|(?P<m>\d+) {many})", every),
        (kind, rf"{_PREP}{many} (?:from|between) (?P<a>\d+) (?:to|until|till|through|and) (?P<b>\d+|last)", lambda m, s: ranged(m["a"], m["b"])),
        (kind, rf"(?:only )?(?:from|between|starting (?:in|at|with)) {one}s? (?P<a>\d+)(?: to| until| till| through| and|-| -) (?:(?:{one}|end of {one}) )?(?P<b>\d+|last|end)",
         lambda m, s: ranged(m["a"], "last" if m["b"] == "end" else m["b"])),
        (kind, rf"(?:from|starting (?:in|at|with)|begin (?:in|at|with)) (?:{one} (?P<a>\d+)|(?P<o>{_ORD}) {one})(?: on| onwards?| up| to end)?",
         lambda m, s: ranged(m["a"] or m["o"].removeprefix("o:"), "last")),
        (kind, rf"after {one} (?P<a>\d+)", lambda m, s: ranged(str(int(m["a"]) + 1), "last")),
        (kind, rf"before {one} (?P<a>\d+)",
         lambda m, s: ranged("1", str(int(m["a"]) - 1)) if int(m["a"]) > 1 else None),
        (kind, rf"(?:until|till|up to|through|thru) (?:end of )?{one} (?P<a>\d+)",
         lambda m, s: ranged("1", m["a"])),
    ]  # fmt: skip
    return found


_WORD_CHORDS = {
    "tonic": "tonic chord", "home": "tonic chord", "dominant": "V", "dominant o:7": "V7", "subdominant": "IV",
    "supertonic": "ii", "submediant": "vi", "mediant": "iii",
    "1": "I", "2": "ii", "3": "iii", "4": "IV", "5": "V", "6": "vi", "o:2": "ii", "o:3": "iii", "o:6": "vi", "o:1": "I", "o:4": "IV", "o:5": "V",
}  # fmt: skip
_CHORD = r"(?:a |an |every )?(?:dominant o:7|\S+(?: (?:major|minor)(?= |$))?)"
# Each word is taken in one way: where "and" may be a word between chords or one of them, a sentence
# of many is tried in more ways than there is time for.
_CHORDS = rf"(?>{_CHORD})(?:(?>{_AND})(?>{_CHORD}))*?"
_C = parse_key("C major")
_NOT_CHORDS = frozenset(
    [
        "a",
        "an",
        "it",
        "its",
        "every",
        "in",
        "on",
        "at",
        "of",
        "to",
        "note",
        "notes",
        "is",
        "not",
        "and",
        "or",
        "chord",
        "chords",
    ]
)


def _chord(text: str, raw: str) -> str | None:
    if text in _WORD_CHORDS:
        return _WORD_CHORDS[text]
    if text in _NOT_CHORDS or (raw == "A" and text != "n:A"):
        return None
    try:
        parse_chord(raw, _C)
    except ChordError:
        return None
    return raw


def _is_count(text: str) -> bool:
    return re.fullmatch(r"(?:a |an |every )?(?:o:)?\d", text) is not None


def _over(match: Match, sentence: Sentence) -> list[str] | None:
    """Chords are read as they were typed, for their case tells them apart."""
    first = sentence.index_at(match.start("chords"))
    last = sentence.index_at(match.end("chords") - 1) + 1
    found, place = [], first
    if match[0].startswith("above ") and re.fullmatch(r"n:[A-G][b#]*\d", match["chords"]):
        return None  # higher than that note
    if (
        match[0].startswith("above ")
        and match["chords"] in _WORD_CHORDS
        and "chord" not in match[0]
    ):
        return None  # "a step above the tonic"
    while place < last:
        token = sentence.tokens[place]
        two = " ".join(t.text for t in sentence.tokens[place : place + 2])
        if token.text in (",", "and", "or", "&", "a", "an", "every"):
            place += 1
            continue
        length = 2 if two == "dominant o:7" and place + 1 < last else 1
        label = _chord(two if length == 2 else token.text, token.raw)
        if label is not None and place + 1 < last and two.endswith((" major", " minor")):
            length, label = 2, f"{token.raw}{'m' if two.endswith('minor') else ''}"
        if label is None:
            return None
        found.append(label)
        place += length
    is_worded = "chord" in sentence.text[match.start() : match.end() + 8]
    if not found or (match[0].startswith("where") and not is_worded and _is_count(match["chords"])):
        return None  # "where there is a 6"
    if "tonic chord" in found:
        return (
            ["over tonic chord"] if len(found) == 1 else [f"over {' or '.join(['I', *found[1:]])}"]
        )
    return [f"over {' or '.join(found)}"]


def _change(match: Match, sentence: Sentence) -> list[str] | None:
    """ "Over a V-I change": a rule asks for one chord, the second or the first."""
    found = []
    for group in ("to", "from"):
        token = sentence.tokens[sentence.index_at(match.start(group))]
        label = _chord(token.text, token.raw)
        if label is None:
            return None
        found.append(f"over {label}")
    return found


_CADENCE_WORDS = {
    "perfect authentic": ["perfect authentic"], "imperfect authentic": ["imperfect authentic"],
    "authentic": ["authentic"], "full": ["authentic"], "perfect": ["perfect authentic"],
    "imperfect": ["imperfect authentic", "half"], "half": ["half"], "open": ["half"],
    "phrygian half": ["phrygian half"], "phrygian": ["phrygian half"], "plagal": ["plagal"],
    "deceptive": ["deceptive"], "interrupted": ["deceptive"], "closed": ["authentic"],
    "amen": ["plagal"],
}  # fmt: skip
_CADENCE = "|".join(sorted(_CADENCE_WORDS, key=len, reverse=True))
_ENDINGS = r"(?:endings?|end|cadences?|resolutions?)"


def _cadences(match: Match, sentence: Sentence) -> list[str] | None:
    kinds = re.findall(_CADENCE, match["cadences"])
    last = sentence.tokens[sentence.index_at(match.end() - 1)].raw.lower()
    if kinds == ["half"] and last.startswith(("rest", "come", "land", "stop", "arrive", "settle")):
        return None  # "in the first half rest on 1"
    if kinds in (["open"], ["closed"]) and not is_cadence(match, sentence):
        return None  # only "cadence" itself names one
    first = [_CADENCE_WORDS[kind] for kind in kinds]
    readings = first[0] if len(first) == 1 else [" or ".join(found[0] for found in first)]
    return [f"at {kind} cadences" for kind in readings]


def _section(match: Match, sentence: Sentence) -> list[str]:
    return [_in_section(match["name"], match)]


def _named_section(match: Match, sentence: Sentence) -> list[str] | None:
    token = sentence.tokens[sentence.index_at(match.start("name"))]
    if is_worded(token.raw) and not token.text.startswith("q:"):
        return None  # "when the section repeats" names none
    return [_in_section(token.raw, match)]


def _in_section(name: str, match: Match) -> str:
    which = (match["which"] or match["number"] or "").strip().removeprefix("o:")
    return str(InSection(name, which))


def _beats(match: Match, sentence: Sentence) -> list[str]:
    if match["down"]:
        return ["on beat 1"]
    found = re.findall(r"\d+(?:\.\d+)?", match["list"] or match["ords"])
    return [f"on beat{'s' if len(found) > 1 else ''} {', '.join(found)}"]


_NO_WORDS = frozenset(
    [
        "a",
        "an",
        "in",
        "on",
        "of",
        "at",
        "to",
        "by",
        "for",
        "with",
        "is",
        "up",
        "down",
        "later",
        "hold",
    ]
)


def _on_word(match: Match, sentence: Sentence) -> list[str] | None:
    token = sentence.tokens[sentence.index_at(match.start("word"))]
    if token.text in _NO_WORDS or token.text[0].isdigit():
        return None  # "the last word a beat later" names no word
    return [f'on word "{token.raw.strip(".,")}"']


def _one_of_word(match: Match, sentence: Sentence) -> list[str] | None:
    """ "The last 'home'": each time that a word is sung, or where it may be the one that is meant."""
    every = _on_word(match, sentence)
    if every is None:
        return None
    half = "second" if match["which"] in ("last", "o:2") else "first"
    return [f"in {half} half of song {every[0]}", every[0]]


def _note_at(match: Match, sentence: Sentence) -> str:
    groups = match.groupdict()
    if groups.get("time"):
        return f"note at {groups['time']}"
    beat = groups.get("beat") or groups.get("ordbeat") or "1"
    return f"note at {groups['bar']}:{beat.removeprefix('o:')}"


_SECTION_PREP = r"(?:only )?(?:(?:in|of|for|at|during) )?(?:only )?(?:every )?"
_BEAT_LIST = rf"\d+(?:\.\d+)?(?:{_AND}\d+(?:\.\d+)?)*"


def _compiled() -> list[tuple[str, MatchAt, Meaning]]:
    found: list[tuple[str, str, Meaning]] = [
        *_unit_parts("phrase"),
        *_unit_parts("bar"),
        *STRETCHES,
        *BESIDE,
        ("phrases", rf"{_PREP}(?:(?:every|a) )?phrases?(?! (?:\d|o:\d)(?! {_SIZES}))", lambda m, s: [""]),
        ("phrases", rf"{_PREP}(?:every )?(?:antecedent|question)s?(?: phrases?)?",
         lambda m, s: ["in phrases odd", "in phrase 1"]),
        ("phrases", rf"{_PREP}(?:every )?(?:consequent|answer)s?(?: phrases?)?",
         lambda m, s: ["in phrases even", "in phrase 2"]),
        ("phrases", rf"{_PREP}inner phrases?", lambda m, s: ["except in phrase last"]),
        ("scope", r"(?:from|between) t:(?P<a>\S+) (?:to|until|till|and|-) t:(?P<b>\S+)",
         lambda m, s: [f"from {m['a']} to {m['b']}"]),
        ("scope", r"(?:over|above|against|on) (?:every chord|chords|a chord|chord) (?:except|not) (?:a )?tonic(?: chord)?",
         lambda m, s: ["over other than tonic chord"]),
        ("scope", r"over (?:not|except|non) tonic(?: chord)?", lambda m, s: ["over other than tonic chord"]),
        ("scope", r"(?:where )?(?:over|under|above|against|on|in|at|with)? ?(?:a |an |every )?(?P<quality>major|minor) chords?(?: (?:is|sounds|plays))?(?: under it)?", lambda m, s: [f"over {m['quality']} chords"]),
        ("scope", r"where (?:its )?chord (?:under it |below it )?(?:is |becomes |sounds )?(?:a )?(?P<quality>major|minor)(?: chord)?", lambda m, s: [f"over {m['quality']} chords"]),
        ("scope", rf"(?:where )?(?:over|under|above|against) (?P<chords>{_CHORDS})(?: chords?)?", _over),
        ("scope", r"(?:over|at|on|from|across|in) (?:(?:a|an|every) )?(?:change from |move from )?(?P<from>\S+)(?: to| into| -)? (?P<to>\S+)(?: chord)?(?: (?:changes?|progressions?|motions?|moves?|end|ending|resolutions?))", _change),
        ("scope", r"over (?:(?:a|an|every) )?(?:change from |move from )?(?P<from>\S+) (?:to|into|-) (?P<to>\S+)", _change),
        ("scope", rf"(?:over|on|in|at|with|under) (?:a |every )?chords? (?P<chords>{_CHORDS})", _over),
        ("scope", rf"(?:on|in|at|with|where|of) (?P<chords>{_CHORDS}) chords?(?: (?:is|sounds|plays))?", _over),
        ("scope", rf"where (?:there (?:is )?|we have |we get |you have |we hear )(?P<chords>{_CHORDS})(?: chord)?", _over),
        ("scope", rf"where (?:chord )?(?:is )?(?:on )?(?P<chords>{_CHORDS})(?: chord)?(?: (?:sounds|is played|plays))?", _over),
        ("scope", rf"where (?P<chords>{_CHORDS}) (?:chord )?(?:sounds|is sounding|plays)", _over),
        ("cadences", rf"(?:(?:at|in|on|of|for|with) )?(?:every |a )?(?P<cadences>(?:{_CADENCE})(?:{_AND}(?:{_CADENCE}))*) {_ENDINGS}(?: notes?)?", _cadences),
        ("scope", rf"{_SECTION_PREP}(?:(?P<which>{_ORD}|last) )?(?P<name>{SECTIONS})(?:e?s)?(?P<number> \d+(?! {_SIZES}))?", _section),
        ("scope", rf"{_SECTION_PREP}(?:(?P<which>{_ORD}|last) )?section (?P<name>\S+)(?P<number> \d+| last)?", _named_section),
        ("scope", rf"(?:(?:on|at|in) )?(?:every )?(?:beats? (?P<list>{_BEAT_LIST})|(?P<ords>{_ORD}(?:{_AND}{_ORD})*) beats?|(?P<down>(?:(?<!o:1 )downbeats?|barlines?)))(?: of (?:every |a )?bars?| in (?:every |a )?bars?)?", _beats),
        ("scope", r"(?:(?:on|at|of|in|for|where) )?(?:every )?(?:(?:words?|syllables?|lyrics?|text) )?(?P<word>q:\S+)(?: is)?", _on_word),
        ("scope", r"(?:(?:on|at|of|in|for) )?(?:word )?(?P<which>last|o:\d+) (?:word )?(?P<word>q:\S+)", _one_of_word),
        ("scope", r"(?:very )?o:(?P<n>[2-9]) note (?:of|in) bar (?P<bar>\d+)", lambda m, s: [f"in notes {m['n']} in bar {m['bar']}"]),
        ("scope", r"(?:(?:on|at|of|in|for) )?(?:word|syllable) (?P<word>\S+)", _on_word),
        ("at", r"(?:note )?(?:(?:at|on|that sounds at|sounding at|in|from) )?t:(?P<time>\S+)", _note_at),
        ("at", r"(?:note )?(?:(?:at|on|in|of) )?bar (?P<bar>\d+)(?: ,)? (?:on |at )?(?:beat (?P<beat>\d+(?:\.\d+)?)|(?P<ordbeat>o:\d+) beat)", _note_at),
        ("at", r"(?:note )?(?:(?:at|on|in) )?(?:beat (?P<beat>\d+(?:\.\d+)?)|(?P<ordbeat>o:\d+) beat|downbeat) (?:of|in) bar (?P<bar>\d+)", _note_at),
    ]  # fmt: skip
    return [
        (kind, re.compile(f"(?:{pattern})(?= |$)").match, make) for kind, pattern, make in found
    ]


PLACE_PARTS = _compiled()
