"""Degrees, names, chord members, targets, intervals and lengths of time in spoken sentences."""

# ruff: noqa: E501  (a pattern reads best on one line)
from __future__ import annotations

import re

Match = re.Match[str]

SOLFA = {
    "do": "1",
    "doh": "1",
    "re": "2",
    "ray": "2",
    "mi": "3",
    "fa": "4",
    "sol": "5",
    "so": "5",
    "soh": "5",
    "la": "6",
    "lah": "6",
    "ti": "7",
    "si": "7",
    "te": "7",
    "fi": "#4",
    "ri": "#2",
    "li": "#6",
    "ra": "b2",
}
_NAMED = {
    "tonic": "1",
    "tonics": "1",
    "tonica": "1",
    "tonika": "1",
    "dominante": "5",
    "keynote": "1",
    "key note": "1",
    "tonal center": "1",
    "tonal centre": "1",
    "home note": "1",
    "home notes": "1",
    "ground note": "1",
    "root note": "1",
    "root of key": "1",
    "root of scale": "1",
    "home key": "1",
    "home base": "1",
    "tonic note": "1",
    "tonic notes": "1",
    "supertonic": "2",
    "supertonics": "2",
    "mediant": "3",
    "mediants": "3",
    "subdominant": "4",
    "subdominants": "4",
    "dominant": "5",
    "dominants": "5",
    "dominant note": "5",
    "dominant notes": "5",
    "submediant": "6",
    "submediants": "6",
    "leading note": "7",
    "leading notes": "7",
    "leading": "7",
    "subdominant note": "4",
}
_WORDED = "|".join(sorted(map(re.escape, {**_NAMED, **SOLFA}), key=len, reverse=True))
# A note of the scale: a digit, an ordinal, a name, or a syllable of movable do.
_UNIT = rf"(?:[b#]?[1-7]s?|o:[1-7]s?(?! 1(?: |$))(?: degrees?)?|{_WORDED})"
_SIGN = r"(?:(?:flatten|down|sharpen|up) )?"
DEGREE = rf"(?:degrees? )?(?:{_UNIT})(?! (?:notes?|beats?|phrases?|bars?|and a half|half)\b)(?: of scale| of key)*"
_AND = r"(?: ,(?: and| or| &)?| and| or| &) "
DEGREES = rf"(?:{DEGREE}(?:{_AND}{DEGREE})+(?! end)|{DEGREE})"
NAME = r"n:[A-G][b#]*(?:-?\d)?s?"
NAMES = rf"(?:note )?{NAME}(?:{_AND}{NAME})*"
_ORDINAL_MEMBER = {"o:3": "third", "o:5": "fifth", "o:7": "seventh", "root": "root"}
CHORD_MEMBER = (
    r"(?:(?:its |their |every )*(?:current )?chords? (?:its )?(?:roots?|o:[357]s?)(?: note)?"
    r"|(?:its|their) (?:roots?|o:[357])(?! (?:notes?|degrees?|phrases?|bars?|beats?|of|1)\b)"
    r"|(?:roots?|o:[357]s?) (?:note )?(?:of|in) (?:its |their |every )*(?:current )?chords?)"
)
_SIDE = r"(?: (?:above|below|up|down)(?! (?:by|a|\d)))?"
TARGET = (
    rf"(?:an? (?=[b#]?[1-7](?: |$)|(?:high |low )?n:|(?:{_WORDED})(?: |$)))?(?:(?:its |their |next |same )*)(?P<height>high |low )?(?P<target>nearest chord notes? except (?:its |a )?(?:root|o:[357])|nearest chord notes?|nearest (?:scale|diatonic|key) (?:notes?|degrees?|step)|nearest notes? (?:of|in|from|that is in) (?:its |a )?(?:scale|key)|nearest (?:note )?(?:of|in) "
    rf"(?:its )?chord|a chord notes?|chord notes?|{CHORD_MEMBER}"
    r"|(?:note of )?(?:its )?resolution(?: note)?|note it resolves to"
    r"|note (?:before|after)(?: it)?|before note|after note"
    r"|(?:ending|last note) of phrase (?:\d+|last)|ending of last phrase"
    rf"|root|home|{_SIGN}{DEGREE}|{NAME})(?P<side>{_SIDE})"
)


def degree_words() -> tuple[str, ...]:
    """Every name of a degree."""
    return tuple(_NAMED)


def degrees_of(text: str) -> list[list[str]]:
    """The degrees of a list, each as the alternatives it may mean ("o:3" alone may be the third
    of the chord: then the degree is "chord third")."""
    if text == "root":
        return [["1", "chord root"]]
    words = re.split(r" ,(?: and| or| &)? | and | or | & ", text)
    found = []
    for word in words:
        if re.fullmatch(r"(?:every )?roots", word):
            found.append(["chord root", "1"])
            continue
        if re.fullmatch(CHORD_MEMBER, word):
            found.append([_member_of(word)])
            continue
        for unit in re.findall(rf"(?<!\S){_SIGN}{DEGREE}(?!\S)", word):
            found.append(_meanings(unit))
    return found


def _member_of(text: str) -> str:
    """A member of the chord in canonical words."""
    member = re.search(r"root|o:[357]", text)
    return f"chord {_ORDINAL_MEMBER[member[0]] if member else 'root'}"


def _meanings(unit: str) -> list[str]:
    bare = re.sub(r"^degrees? | of (?:scale|key)$", "", unit)
    has_degree = "degree" in unit or "of scale" in unit or "of key" in unit
    sign = ""
    signed = re.match(r"(flatten|down|sharpen|up) (.*)", bare)
    if signed:
        sign = "b" if signed[1] in ("flatten", "down") else "#"
        bare = signed[2]
    bare = bare.removesuffix(" degrees").removesuffix(" degree")
    if bare in _NAMED or bare in SOLFA:
        return [sign + {**_NAMED, **SOLFA}[bare]]
    digit = re.sub(r"[os:]", "", bare)
    if bare.startswith("o:") and not has_degree and not sign and digit in "357":
        return [digit, f"chord {_ORDINAL_MEMBER['o:' + digit]}"]
    return [sign + digit]


def targets_of(match: Match) -> list[str]:
    """What a target may mean, in canonical words."""
    text = match["target"]
    side = {"up": " above", "down": " below"}.get(
        match["side"].strip(), f" {match['side'].strip()}" if match["side"].strip() else ""
    )
    height = (match.groupdict().get("height") or "").strip()
    if height:
        side = " above" if height == "high" else " below"
    if text == "home":
        return [f"degree 1{side}"]
    if re.fullmatch(r"b[2-7]", text):
        return [f"degree {text}{side}", f"B{text[1]}{side}"]
    if text == "root":
        return [f"degree 1{side}", f"chord root{side}"]
    if "except" in text:
        left_out = _member_of(text.partition("except")[2])
        members = [f"chord {member}" for member in ("root", "third", "fifth")]
        return [f"{member}{side}" for member in members if member != left_out]
    if "nearest" in text and re.search("scale|diatonic|key", text):
        return [f"nearest scale tone{side}"]
    if "nearest" in text or text in ("chord note", "chord notes", "a chord note"):
        return [f"nearest chord tone{side}"]
    if "chord" in text:
        return [f"{_member_of(text)}{side}"]
    if "resol" in text:
        return ["its resolution"]
    if "before" in text or "after" in text:
        return ["note before" if "before" in text else "note after"]
    if "phrase" in text:
        number = re.search(r"\d+|last", text.replace("last note", ""))
        return [f"ending of phrase {number[0] if number else 'last'}"]
    if text.startswith("n:"):
        return [name_of(text) + side]
    return [
        f"{meaning if meaning.startswith('chord') else f'degree {meaning}'}{side}"
        for meaning in degrees_of(text)[0]
    ]


def name_of(text: str) -> str:
    """A note name from its plain word: "n:Ebs" is Eb."""
    return text.removeprefix("note ").removeprefix("n:").removesuffix("s")


def names_of(text: str) -> list[str]:
    """Every name of a list."""
    return [name_of(unit) for unit in re.findall(NAME, text)]


# --- sizes ---------------------------------------------------------------------------------------

_QUALITY = {
    ("minor", 2): 1, ("major", 2): 2, ("minor", 3): 3, ("major", 3): 4, ("perfect", 4): 5,
    ("augmented", 4): 6, ("diminished", 5): 6, ("perfect", 5): 7, ("minor", 6): 8,
    ("major", 6): 9, ("minor", 7): 10, ("major", 7): 11, ("perfect", 8): 12,
}  # fmt: skip
INTERVAL = (
    r"(?:(?P<count>\d+ and a half|\d+(?:\.\d+)?|half a|a|an|half) )?(?:more )?"
    r"(?:(?P<unit>semitones?|wholes?|steps?|cents?|octaves?|tritones?|(?:quarter notes?|degrees?|notes?)(?! (?:degree|phrase|bar|beat|note|of|line)s?\b))"
    r"|(?:(?P<quality>minor|major|perfect|augmented|diminished|diatonic) )?"
    r"o:(?P<ordinal>[2-8])s?(?! (?:degree|phrase|bar|beat|note|of|line)s?\b))"
)
_UNITS = {
    "semitone": (1, "semitone"), "whole": (2, "semitone"), "step": (1, "scale step"),
    "cent": (1, "cent"), "octave": (1, "octave"), "tritone": (6, "semitone"),
    "note": (2, "semitone"), "degree": (1, "scale step"),
}  # fmt: skip


def interval_of(match: Match) -> str:
    """How far, in canonical words without the direction; "" where the words give no size."""
    count = match["count"]
    number = float(count.split()[0]) if count and count[0].isdigit() else 1.0
    number += 0.5 if count and count.endswith("and a half") else 0.0
    if match["ordinal"]:
        if count is not None and count not in ("a", "an", "1"):
            return ""
        return _named_interval(match["quality"] or "", int(match["ordinal"]))
    unit = match["unit"]
    if count and count.isdigit() and count != "1" and not unit.endswith("s"):
        before = match.string[: match.start("count")]
        if re.search(r"(?:phrase|bar) $", before):
            return ""  # "phrase 2 half step": the 2 is that of the phrase
    if unit.startswith("quarter"):
        return f"{number * 50:g} cents"
    # "a note" or "2 notes" is a tone only where it is counted; "half a step" is a semitone.
    if unit.rstrip("s") in ("note", "degree") and count is None:
        return ""
    if unit == "steps" and count is None:
        return ""
    if count in ("half a", "half"):
        number = 0.5
        if unit in ("step", "note", "whole"):
            return "1 semitone"
    size, name = _UNITS[unit.rstrip("s")]
    return f"{number * size:g} {name}{'' if number * size == 1 else 's'}"


def _named_interval(quality: str, ordinal: int) -> str:
    if quality in ("", "diatonic"):
        if ordinal == 8:
            return "1 octave"
        return f"{ordinal - 1} scale step{'' if ordinal == 2 else 's'}"
    semitones = _QUALITY.get((quality, ordinal))
    if semitones is None:
        return ""
    return f"{semitones} semitone{'' if semitones == 1 else 's'}"


LENGTH = (
    r"(?:(?P<frac>(?:(?:an?|1) )?(?:quarter|o:3|o:4)(?: of)?(?: a)? beat|[1-5]/[2346](?: of)?(?: a)? beats?)"
    r"|(?P<halfbeat>half of (?:a )?beat|half a beat|a half beat|half beat|1 half beat)"
    r"|(?P<onehalf>(?:a|1) beat and a half|(?:1|a) and a half beats?)"
    r"|(?P<nhalf>\d+) (?:and a half beats?|beats? and a half)"
    r"|(?P<beats>\d+(?:\.\d+)?|a|an|another|1 whole|a whole|a full|1 full) (?:more |extra |additional )?beats?(?: (?:more|extra|additional)(?! than))?"
    r"|(?P<part>(?:a )?quarter (?:of )?a o:2|half (?:of )?a o:2|(?:a )?o:10 of a o:2)"
    r"|(?P<whole>\d+|a|1) o:2s?"
    r"|t:(?P<seconds>\d+(?:\.\d+)?)s)"
)


def _fraction(text: str) -> str:
    """A part of a beat; thirds and sixths stay fractions, as rules write them."""
    if "/" not in text:
        return "1/3 beats" if "o:3" in text else "0.25 beats"
    above, below = map(int, text.split()[0].split("/"))
    return f"{above}/{below} beats" if below in (3, 6) else f"{above / below:g} beats"


def length_of(match: Match) -> str:
    """A length of time in canonical words."""
    if match["frac"]:
        return _fraction(match["frac"])
    if match["halfbeat"]:
        return "0.5 beats"
    if match["onehalf"]:
        return "1.5 beats"
    if match["nhalf"]:
        return f"{match['nhalf']}.5 beats"
    if match["part"]:
        return {"q": "0.25s", "h": "0.5s"}.get(match["part"].removeprefix("a ")[0], "0.1s")
    if match["whole"]:
        return f"{match['whole'] if match['whole'].isdigit() else 1}s"
    if match["seconds"]:
        return f"{match['seconds']}s"
    count = match["beats"] if match["beats"][0].isdigit() else "1"
    count = count.split()[0]
    return f"{count} beat{'' if count == '1' else 's'}"
