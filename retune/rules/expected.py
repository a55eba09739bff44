"""What may come next in a rule, in words: for the messages of errors, and to complete a line."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Sequence

from retune.rules.model import CADENCES, KINDS, ROLE_WORDS
from retune.rules.scopes import NOTE_VALUES
from retune.rules.words import TYPES

_KINDS = {TYPES[kind] for kind in KINDS}
_PLACES = {
    "IN", "FROM", "UNTIL", "OVER", "WHERE", "AT", "ON", "OFF", "HIGHER", "LOWER", "LONGER",
    "SHORTER", "AFTER", "BEFORE", "LASTING",
}  # fmt: skip
# Words that are asked for together, and how a person would ask; the first that fits is taken.
_GROUPS: tuple[tuple[set[str], str], ...] = (
    (
        {"NUMBER", "WITH", "WITHOUT"},
        "how it sounds (20 cents flat, with a slow glide, without vibrato)",
    ),
    (
        {"DEGREE", "TONIC", "PITCH", "NEAREST", "CHORD", "ITS", "NOTE", "ENDING"},
        "a target such as degree 1, the tonic, F4, nearest chord tone or chord root",
    ),
    ({"STEM", *_KINDS}, "a stem, or which notes: phrase-ending, every, highest, note F4 ..."),
    (_KINDS, "which notes: phrase-ending, every, highest, note F4 ..."),
    (
        {"CHORDLABEL", "TONIC", "OTHER", "MAJOR", "MINOR"},
        "a chord such as F7, a numeral such as V, minor chords, or tonic chord",
    ),
    ({"PHRASE", "BAR", "SECTION", "NOTE", "OPEN", "CLOSED"}, "phrases, bars, notes or a section"),
    ({"BEAT", "WORD", "STRONG", "WEAK"}, "beat and its number, strong beats, or word"),
    ({"TIME", "SECTION", "WORD"}, "a time such as 9:1, a section, or word"),
    ({"TIME", "SECTION"}, "a time such as 9:1, or a section"),
    ({"PHRASE", "EVERY"}, "phrase and its number"),
    (
        {*_PLACES, "EXCEPT"},
        "where (in, at, on, from, until, over, after, before, higher than, longer than, lasting, "
        "where it is, except)",
    ),
    (
        _PLACES,
        "in, at, on, from, until, over, after, before, higher or longer than, lasting, or where "
        "it is",
    ),
    ({"UP", "DOWN"}, "up or down"),
    ({"ABOVE", "BELOW"}, "above or below"),
    ({"NUMBER", "DEGREENAME"}, "a degree, 1 to 7"),
    (
        {"NUMBER", "RANGE", "LAST", "PENULTIMATE", "ODD", "EVEN", "FINAL"},
        "a number, a range such as 1-3, or last",
    ),
    ({"BEAT", "WORD"}, "beat and its number, or word"),
    (
        {"PERFECT", "IMPERFECT", "AUTHENTIC", "HALF", "PHRYGIAN", "PLAGAL", "DECEPTIVE"},
        "a cadence: perfect authentic, half, plagal, deceptive ...",
    ),
    ({"SEMITONE", "CENT", "SCALE", "OCTAVE"}, "semitones, cents, scale steps or octaves"),
    ({"ROOT", "MEMBER"}, "root, third, fifth or seventh"),
    ({"NUMBER", "HALF", "A", "TIME"}, "how long, such as 1 beat, 1/2 beat or 0.5s"),
)
_ALONE = {
    "STEM": "a stem",
    "PITCH": "a note name such as F4",
    "TIME": "a time such as 12.5s or 9:1",
    "NUMBER": "a number",
    "CHORDLABEL": "a chord such as V7",
    "TITLE": "a name",
    "MEMBER": "a third, fifth or seventh",
    "ORDINAL": "a second, fourth or sixth",
    "A": '"a"',
    "TO": '"to" and a target such as degree 1',
    "$END": "the end of the rule",
}
# "and" goes on with any list and "note" may follow any selector; saying so each time only hides
# what is missing.
_UNSAID = {"SEP", "NOTE", "AT", "LAST", "FIRST", "ROLE", "ROLEKIND", "STEP"}


def expected_words(accepted: Collection[str], verb: str) -> str:
    """What was expected, in plain English; `accepted` are types of words."""
    if "TO" in accepted and verb == "MOVE":
        return _ALONE["TO"]
    left = set(accepted)
    said: list[str] = []
    if "TO" in left and verb in ("HOLD", "SHORTEN", "DELAY", "BRING"):
        left -= {"TO"}
        said.append('"to" and a moment such as 9:2')
    for group, words in _GROUPS:
        if group <= left:
            left -= group
            said.append(words)
    if len(left - _UNSAID) + len(said) > 0:
        left -= _UNSAID
    said += [
        _ALONE.get(kind, f'"{kind.lower().replace("_", "-")}"')
        for kind in sorted(left, key=lambda kind: (kind == "$END", kind))
    ]
    return ", or ".join(filter(None, [", ".join(said[:-1]), *said[-1:]]))


def nearest_word(typed: str, accepted: Collection[str]) -> str:
    """The word among those that fit that is nearest to what was typed; "" for none."""
    allowed = [word for word, kind in TYPES.items() if kind in accepted and word != ","]
    near = difflib.get_close_matches(typed.lower(), allowed, n=1, cutoff=0.6)
    return near[0] if near else ""


# --- to complete a line ------------------------------------------------------------------------

_OFFERS: dict[str, tuple[str, ...]] = {
    **{TYPES[kind]: (kind,) for kind in KINDS},
    "ROLE": tuple(word for word in ROLE_WORDS.values() if " " not in word),
    "ROLEKIND": tuple(word for word in ROLE_WORDS.values() if word.endswith(" note")),
    "ITS": ("its resolution",),
    "ENDING": ("ending of phrase",),
    "AUTHENTIC": tuple(f"{kind} cadences" for kind in CADENCES),
    **dict.fromkeys(("PERFECT", "IMPERFECT", "HALF", "PHRYGIAN", "PLAGAL", "DECEPTIVE"), ()),
    "CADENCE": ("cadences",),
    "TITLE": (),
    "STEP": (),
    "FINAL": ("final 2",),
    "NEAREST": ("nearest chord tone", "nearest scale tone"),
    "CHORD": ("chord root", "chord third", "chord fifth", "chord seventh"),
    "ROOT": ("root",),
    "MEMBER": ("third", "fifth", "seventh"),
    "ORDINAL": ("second", "fourth", "sixth"),
    "SEMITONE": ("semitones",),
    "CENT": ("cents",),
    "SCALE": ("scale steps",),
    "OCTAVE": ("octaves",),
    "WITH": (
        "with a slow glide",
        "with a fast glide",
        "with half vibrato",
        "with moved formants",
        "with its tail",
    ),
    "FORMANT": ("formants",),
    "TAIL": ("tail",),
    "WITHOUT": ("without vibrato",),
    "WHERE": tuple(
        f"where it is {no}a {of}"
        for of in ("chord tone", "scale tone", "repeated note")
        for no in ("", "not ")
    ),
    "MAJOR": ("major chords",),
    "MINOR": ("minor chords",),
    **{
        side.upper(): tuple(f"{side} a {what}" for what in ("step", "leap", "rise", "fall", "rest"))
        for side in ("after", "before")
    },
    "REPEATED": ("repeated note",),
    "VALUE": tuple(NOTE_VALUES),
    "OF": ("of a",),
    "MORE": ("more",),
    "LESS": ("less",),
    "TONIC": ("tonic",),
    "OTHER": ("other than tonic chord",),
    "CHORDLABEL": ("I", "ii", "iii", "IV", "V", "vi"),
    "PHRASE": ("phrases",),
    "BAR": ("bars",),
    "SEP": ("and",),
    "FIRST": ("first note of phrase",),
    "NUMBER": (),
    "LAST": ("last note of phrase",),
    "A": ("a",),
    "RANGE": (),
    "PITCH": (),
    "TIME": (),
    "DEGREENAME": (),
    "BEAT": ("beat",),
    "OPEN": ("open phrases",),
    "CLOSED": ("closed phrases",),
    "STRONG": ("strong beats",),
    "WEAK": ("weak beats",),
    "OFF": ("off beat",),
    "HIGHER": ("higher than",),
    "LOWER": ("lower than",),
    "SHORTER": ("shorter than",),
    "HALF": ("half a beat",),
    "$END": (),
}
_DIGITS = tuple("1234567")
# Types that are offered otherwise after a word of a certain type.
_AFTER: dict[tuple[str, str], tuple[str, ...]] = {
    ("NUMBER", "DEGREE"): _DIGITS,
    ("NUMBER", "PHRASE"): ("1",),
    ("NUMBER", "BAR"): ("1",),
    ("NUMBER", "UP"): ("1", "2"),
    ("NUMBER", "DOWN"): ("1", "2"),
    ("NOTE", "THAN"): ("note before", "note after"),
    ("SEP", "ORDINAL"): ("and", "or more", "or less"),
    ("SEP", "MEMBER"): ("and", "or more", "or less"),
    ("LAST", "OF"): ("last phrase",),
    ("LAST", "IN"): ("last phrase",),
    ("LAST", "EXCEPT"): ("last phrase",),
    ("LAST", "PHRASE"): ("last",),
    ("LAST", "BAR"): ("last",),
    ("EVERY", "OF"): ("every phrase",),
    ("TONIC", "OVER"): ("tonic chord",),
    ("NOTE", "IN"): ("notes",),
    ("FIRST", "IN"): ("first half of",),
    ("ORDINAL", "IN"): ("second half of",),
    ("HALF", "FIRST"): ("half of",),
    ("HALF", "ORDINAL"): ("half of",),
    ("SHORTER", "LONGER"): ("shorter than",),
}
_ORDER = tuple(dict.fromkeys(TYPES.values()))


def offers(accepted: Collection[str], before: str, stems: Sequence[str]) -> tuple[str, ...]:
    """Words to offer where words of the types `accepted` may stand, after a word of type
    `before` ("" at the start of the rule)."""
    if set(accepted) == {"BEFORE", "AFTER"}:  # a target
        return "before", "after"
    found: list[str] = list(stems) if "STEM" in accepted else []
    for kind in sorted(accepted, key=lambda k: _ORDER.index(k) if k in _ORDER else -1):
        found += _words_for(kind, before)
    return tuple(dict.fromkeys(found))


def _words_for(kind: str, before: str) -> tuple[str, ...]:
    if kind == "STEM":
        return ()
    if (kind, before) in _AFTER:
        return _AFTER[kind, before]
    return _OFFERS.get(kind, (kind.lower().replace("_", "-"),))
