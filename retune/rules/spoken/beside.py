"""Notes told by what stands beside them: after a leap of a sixth, before every 4, repeated, as long
as a half note, longer than the note before.

As in `places`, each pattern gives the scopes it may mean, one string for each reading. The pieces
(which side, what kind of motion, how wide, which other note) are classes that combine freely.
"""

# ruff: noqa: E501  (a pattern reads best on one line)
from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from retune.rules.model import ROLE_WORDS
from retune.rules.scopes import NOTE_VALUES
from retune.rules.spoken.kinds import POSITIONS, ROLES
from retune.rules.spoken.pitches import (
    DEGREES,
    INTERVAL,
    LENGTH,
    degrees_of,
    interval_of,
    length_of,
)
from retune.rules.spoken.sentence import Sentence

Match = re.Match[str]
Meaning = Callable[[Match, Sentence], Any]


def _unnamed(pattern: str) -> str:
    """A pattern without the names of its groups, to stand in another."""
    return re.sub(r"\?P<\w+>", "?:", pattern)


# --- how a note is reached or left ---------------------------------------------------------------

_BIG, _SMALL = "wide", "narrow"
_INTERVAL = _unnamed(INTERVAL)
_MORE, _LESS = (
    r"(?:wider|more|hold|up|over|beyond|greater)",
    r"(?:narrower|less|down|shorten|under)",
)
_WIDTH = (
    rf"(?:(?:(?:of|spanning|is|that is|which is|with) )+|(?=wider|more|narrower|less|over|beyond|at (?:least|most) ))(?:(?P<than>(?:not )?(?:wider|more|narrower|less|over|under|beyond) (?:than )?)|(?P<least>at (?:least|most)|up to) )?"
    rf"(?:of )?(?P<size>{_INTERVAL})(?: (?:or|and) (?P<bound>{_MORE}|{_LESS})(?: than that)?)?"
)
_HEAD = r"(?:(?:an?|every|1|this|that|of|its) )*"
_NOUN = r"(?:steps?|leaps?|jumps?|skips?|bounds?|hops?|intervals?|distances?|motions?|movements?|rises?|falls?|ascents?|descents?|drops?|climbs?|up|down)"
_MOTION = (
    rf"{_HEAD}(?:(?P<wide>{_BIG}|{_SMALL}) )?(?:(?P<way>up|down) )?(?:(?P<wide2>{_BIG}|{_SMALL}) )?"
    rf"(?P<how>{_NOUN})(?: (?P<way2>up|down|from below|from above))?(?: (?:to it|into it|from it)(?= |$))?"
    rf"(?: {_WIDTH})?(?: (?P<way3>up|down)(?= (?:should|must|to|is|,|end|by)|$))?"
)
# "a third up" is motion, too: how wide stands first then.
_SIZED = rf"(?:an?|1) (?P<lone>o:[2-8]|octave)(?: (?P<way4>up|down))?(?: or (?P<bound2>{_MORE}|{_LESS}))?"
_WHO = r"(?:(?:every )?(?:notes?|1s?) )?(?:(?:that|which|where(?: it| they| note)?|who) )?(?:is |come |comes |coming |goes |go |lie |lies |stand |stands |sound |sounds |sung )?"
_REACHED = r"(?:after|follow(?:s|ed)?|approached|reached|arrived at|entered|preceded|introduced|landed on|resulting from|at end of|on (?:an )?other side of)(?: (?:by|with|through|via|in|from|on|of))?"
_LEFT = r"(?:before|left|precedes?|lead(?:s|ing)? (?:in|into|to)|prepar(?:es?|ing)|followed|begin of|at begin of|ahead of|quit|abandoned)(?: (?:by|with|through|via|in|of|to))?"
_VAGUE_WIDTHS = {
    _BIG: (" of a fourth or more", " of a sixth or more"),
    _SMALL: (" of a third or less",),
}
_SCALE = ("second", "third", "fourth", "fifth", "sixth", "seventh")


def _way(match: Match) -> str:
    groups = match.groupdict()
    said = " ".join(filter(None, (groups.get(g) for g in ("way", "way2", "way3", "way4", "how"))))
    if re.search(r"\b(?:up|below|rises?|ascents?|climbs?)\b", said):
        return "up"
    return "down" if re.search(r"\b(?:down|above|falls?|descents?|drops?)\b", said) else ""


def _canonical_size(size: str) -> tuple[float, str]:
    number, unit = size.split(" ", 1)
    return float(number), unit.rstrip("s")


def _sized(size: str, bound: str, past: int) -> str:
    """How wide in canonical words; `past` moves the size one on: "wider than a fifth"."""
    number, unit = _canonical_size(size)
    if unit == "octave" and past:
        number, unit = 12 * number, "semitone"
    number += past
    if unit == "scale step" and 1 <= number <= len(_SCALE):
        words = f"a {_SCALE[int(number) - 1]}"
    elif number < 1:
        return ""
    else:
        words = f"{number:g} {unit}{'' if number == 1 else 's'}"
    return f" of {words}{f' or {bound}' if bound else ''}"


def _widths(match: Match) -> list[str] | None:
    """How wide a motion is, each way it may be meant; None for what makes no size."""
    groups = match.groupdict()
    wide = groups.get("wide") or groups.get("wide2")
    text = groups.get("size") or groups.get("lone")
    if not text:
        return list(_VAGUE_WIDTHS[wide]) if wide else [""]
    sized = re.fullmatch(INTERVAL, text)
    size = interval_of(sized) if sized else ""
    if not size or size.endswith(("cents", "cent")):
        return None
    than, least = groups.get("than") or "", groups.get("least") or ""
    bound = groups.get("bound") or groups.get("bound2") or ""
    if than:
        is_more = bool(re.search("wider|more|over|beyond", than)) is not than.startswith("not ")
        past = 0 if than.startswith("not ") else 1 if is_more else -1
        found = _sized(size, "more" if is_more else "less", past)
        return [found] if found else None
    if least:
        return [_sized(size, "more" if "least" in least else "less", 0)]
    if bound:
        return [_sized(size, "more" if re.fullmatch(_MORE, bound) else "less", 0)]
    return [_sized(size, "", 0)]


def _moved(side: str) -> Meaning:
    def meaning(match: Match, sentence: Sentence) -> list[str] | None:
        return _motions(match, (side,))

    return meaning


def _motions(match: Match, sides: tuple[str, ...]) -> list[str] | None:
    widths, way = _widths(match), _way(match)
    if widths is None:
        return None
    size = _size_of(match)
    if size == "step" and widths == [""] and _is_amount(match):
        return None
    turn = {"up": "rise", "down": "fall"}.get(way, "")
    named = f"{size} {way}".rstrip() if size else turn or ("leap" if widths != [""] else "")
    if not named:
        return None
    return [f"{side} a {named}{width}" for side in sides for width in widths]


def _size_of(match: Match) -> str:
    """A "step" or a "leap", or "" for a motion of any size."""
    groups = match.groupdict()
    if groups.get("lone"):
        return "step" if groups["lone"] == "o:2" else "leap"
    how = groups.get("how") or "leap"
    if how.startswith("step"):
        return "step"
    return "leap" if re.match("leap|jump|skip|bound|hop", how) else ""


def _is_amount(match: Match) -> bool:
    """ "Steps" by themselves tell how far, and not how a note is reached."""
    is_motion = re.search("after|before|by|via|with|through|in ", match[0])
    return match.groupdict().get("how") == "steps" and not is_motion


_MANY = ("leaps", "jumps", "skips")


def _leaps(match: Match, sentence: Sentence) -> list[str] | None:
    """ "Every big leap": the note it comes to, or the one it leaves. As a verb it names none."""
    is_noun = (
        re.match(r"every|an?|wide|narrow|intervals?", match[0]) or match[0].split()[0] in _MANY
    )
    place = sentence.tokens[sentence.index_at(match.start())].start
    if not is_noun and not sentence.typed[:place].lower().endswith("the "):
        return None
    return _motions(match, ("after", "before"))


# --- the note beside another ---------------------------------------------------------------------

_POSITION = "|".join(
    f"(?P<p{n}>{_unnamed(pattern)})" for n, pattern in enumerate(POSITIONS.values())
)
_ROLE = "|".join(f"(?P<r{n}>{_unnamed(pattern)})" for n, pattern in enumerate(ROLES.values()))
_REST = r"(?:(?:every|a|an) )*silences?"
_VALUE_NAMES = {
    "whole": "whole-note", "half": "half-note", "quarter": "quarter-note", "o:8": "eighth-note", "o:16": "sixteenth-note",
    "dotted half": "dotted-half-note", "dotted quarter": "dotted-quarter-note", "dotted o:8": "dotted-eighth-note",
}  # fmt: skip
assert set(_VALUE_NAMES.values()) == set(NOTE_VALUES)
_VALUE = r"(?P<value>(?:dotted )?(?:whole|half|quarter|o:8|o:16)(?= notes?| \d*s))"
_LENGTH = _unnamed(LENGTH)
_OTHER = (
    rf"(?:(?:every|a|an|1) )*(?:(?P<rest>{_REST})|(?P<vague>long|short(?:en)?|high|low) notes?"
    rf"|{_VALUE} notes?|(?P<deg>(?:note |degree )?{_unnamed(DEGREES)}(?! notes?))|(?:notes? )?n:(?P<name>[A-G][b#]*-?\d?)s?"
    rf"|(?:word |note of |note on |note on word )?(?P<word>q:\S+)|(?P<repeated>(?:repeated|copy|same) notes?)"
    rf"|(?P<nonchord>(?:nonchord|dissonant) notes?)|(?P<role>{_ROLE})|(?P<position>{_POSITION})(?: of (?:every |a |its )?phrases?)?"
    rf"|notes? (?:(?:that|which) )?(?:is |last |lasts |lasting )?(?P<longer>hold|shorten|more|less) than (?P<length>{_LENGTH}))"
)  # fmt: skip


def _others(match: Match, sentence: Sentence) -> list[str] | None:
    """The other note in canonical words, each way it may be meant."""
    groups = match.groupdict()
    if groups["rest"]:
        return ["a rest"]
    if groups["vague"]:
        return {
            "long": ["a note longer than 1 beat", "a note longer than 2 beats"],
            "high": ["a note higher than A4", "a note higher than C5"],
            "low": ["a note lower than A4", "a note lower than E4"],
        }.get(groups["vague"], ["a note shorter than 1 beat", "a note shorter than 0.5 beats"])
    if groups["value"]:
        return [f"a note lasting a {_VALUE_NAMES[groups['value']]}"]
    if groups["deg"]:
        lists = degrees_of(groups["deg"].removeprefix("note "))
        plain = [[one for one in listed if not one.startswith("chord")] for listed in lists]
        members = [one for listed in lists for one in listed if one.startswith("chord")]
        if not all(plain) or not plain:
            return [f"every {member}" for member in members] or None
        found = [f"every degree {', '.join(one[0] for one in plain)}"]
        return found + [f"every {member}" for member in members if len(lists) == 1]
    if groups["name"]:
        return [f"note {groups['name']}"]
    if groups["word"]:
        token = sentence.tokens[sentence.index_at(match.start("word"))]
        return [f'a note on word "{token.raw.strip(".,")}"']
    if groups["repeated"]:
        return ["a note where it is a repeated note"]
    if groups["nonchord"]:
        return ["a note where it is not a chord tone"]
    if groups["role"]:
        role = next(name for n, name in enumerate(ROLES) if groups[f"r{n}"])
        return [f"every {ROLE_WORDS[role]}"]
    if groups["position"]:
        kind = next(name for n, name in enumerate(POSITIONS) if groups[f"p{n}"])
        return [f"{kind} note"]
    sized = re.fullmatch(LENGTH, groups["length"])
    way = "longer" if groups["longer"] in ("hold", "more") else "shorter"
    return [f"a note {way} than {length_of(sized)}"] if sized else None


def _next_to(side: str) -> Meaning:
    def meaning(match: Match, sentence: Sentence) -> list[str] | None:
        if match[0].endswith("before") or match[0] in ("before", "after"):
            return None
        found = _others(match, sentence)
        if side == "before" and found == ["phrase-ending note"]:
            return None  # a kind of its own: the penultimate
        return [f"{side} {other}" for other in found] if found else None

    return meaning


# --- values, repeats, comparisons ----------------------------------------------------------------


def _valued(match: Match, sentence: Sentence) -> list[str] | None:
    """ "Every half note"; a quarter tone is no note's value."""
    last = sentence.tokens[sentence.index_at(match.end() - 1)].raw.lower()
    if last.startswith("tone"):
        return None
    return [f"lasting a {_VALUE_NAMES[match['value']]}"]


def _so_long(match: Match, sentence: Sentence) -> list[str]:
    sized = re.fullmatch(LENGTH, match["length"])
    assert sized
    return [f"lasting {length_of(sized)}"]


def _than_value(match: Match, sentence: Sentence) -> list[str]:
    way = "longer" if match["way"] in ("hold", "more", "over") else "shorter"
    return [f"{way} than a {_VALUE_NAMES[match['value']]}"]


_COMPARED = {"up": "higher", "down": "lower", "hold": "longer", "shorten": "shorter"}


def _compared(match: Match, sentence: Sentence) -> list[str]:
    way, than = _COMPARED[match["way"]], match["than"]
    if than in ("before", "after"):
        return [f"{way} than note {than}"]
    return [f"{way} than note before {way} than note after"]


def _repeated(match: Match, sentence: Sentence) -> list[str]:
    return ["where it is a repeated note"]


_THAN = r"(?:(?:note|1|notes|1s) )?(?P<than>before|after)(?: (?:note|1|it|them))?"
_AROUND = r"(?P<than>(?:(?:every|its|their) )*(?:neighbours|neighbour notes?|2 around it|notes? around it|1s? (?:around it|on either side)|notes? on either side|surroundings))"
BESIDE: list[tuple[str, str, Meaning]] = [
    ("scope", rf"{_WHO}{_REACHED} (?:{_MOTION}|{_SIZED})(?! (?:note|notes|degree|phrase|bar|beat)s?\b)", _moved("after")),
    ("scope", rf"{_WHO}{_LEFT} (?:{_MOTION}|{_SIZED})(?! (?:note|notes|degree|phrase|bar|beat)s?\b)", _moved("before")),
    ("scope", rf"(?:(?:an?|every) )*(?:(?P<wide>{_BIG}|{_SMALL}) )?(?:(?P<way>up|down) )?(?P<how>leaps?|jumps?|skips?)(?: (?P<way2>up|down))?(?: {_WIDTH})?", _leaps),
    ("scope", rf"(?:every )?intervals? {_WIDTH}", _leaps),
    ("scope", rf"where (?:(?:it|melody|voice|they|he|she|note|notes) )?(?:(?:goes|moves|comes|go|move|leaps?|jumps?|skips?|steps?) )?(?P<way>up|down) (?:by |in |with |a |an )*(?P<how>steps?|leaps?|jumps?|skips?)(?: {_WIDTH})?", _moved("after")),
    ("scope", rf"where (?:(?:it|melody|voice|they|he|she|note|notes) )?(?:(?:goes|moves|comes|go|move|leaps?|jumps?|skips?) )?(?P<way4>up|down) (?:by |a |an )*(?P<lone>o:[2-8]|octave)(?: or (?P<bound2>{_MORE}|{_LESS}))?", _moved("after")),
    ("scope", rf"{_WHO}(?:after|follow(?:s|ed)?|preceded by) {_OTHER}", _next_to("after")),
    ("scope", rf"{_WHO}(?:before|precedes?|lead(?:s|ing)? (?:in|into|to)|followed by) {_OTHER}", _next_to("before")),
    ("scope", rf"(?<!phrase )(?<!phrases )(?:that|which|where (?:it|they|note|notes|melody|1))(?: (?:then|next))? (?:(?:moves?|goes?|resolves?|rises?|falls?|steps?|up|down|resolve)(?: (?:on|up|down))? (?:to|into)|into) {_OTHER}", _next_to("before")),
    ("scope", rf"(?:every )?{_VALUE} (?:notes?|1s?)", _valued),
    ("scope", rf"(?:that |which )?(?:is |last |lasts |lasting )(?:exactly |for )*(?P<length>{_LENGTH})(?: long)?", _so_long),
    ("scope", rf"(?:that |which )?(?:is |last |lasts )?(?P<way>hold|shorten|more|less|over|under) than (?:a |an )?{_VALUE} notes?", _than_value),
    ("scope", rf"(?:that |which )?(?:is |lie |lies |goes |sit |sits )?(?P<way>up|down|hold|shorten) than {_THAN}", _compared),
    ("scope", rf"(?:that |which )?(?:is |lie |lies |goes |sit |sits )?(?P<way>up|down|hold|shorten) than {_AROUND}", _compared),
    ("scope", r"(?:every )?(?:repeated|repeating|restruck|reiterated|repetitive) (?:notes?|1s?)|(?:every )?(?:note |pitch )?repetitions?|(?:every )?(?:notes? |1s? )?(?:that|which|where (?:a |every |same )*(?:note|it|they|1)) (?:(?:is|get|gets) )?(?:repeated|copy|restruck|come again|comes again|immediately again)", _repeated),
    ("scope", r"(?:every )?(?:notes? |1s? )?(?:(?:that|which) )?(?:is )?(?:like|same as) (?:note |1 )?before(?: (?:it|note|1))?(?= (?:should|must|goes|go|up|down|move|,)|$)", _repeated),
    ("scope", r"where (?:(?:a |same |2 |every )*(?:notes?|pitch|it|they) )?(?:comes?|sounds?|appears?|is|occurs?|come)?(?: sung| same)? ?(?:twice|2 times|again)(?: (?:in a row|running|in succession|after each other|immediately))?", _repeated),
]  # fmt: skip
