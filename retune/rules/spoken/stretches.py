"""Stretches of a song and kinds of notes in spoken sentences: halves, from and until, strong beats,
open phrases, every other note, higher or longer than.

As in `places`, each pattern gives the scopes it may mean, one string for each reading.
"""

# ruff: noqa: E501  (a pattern reads best on one line)
from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from retune.rules.scopes import FromWord, InSection
from retune.rules.spoken.pitches import LENGTH, length_of
from retune.rules.spoken.sentence import Sentence
from retune.theory.pitchnames import parse_pitch_name
from retune.theory.spelling import pitch_name

Match = re.Match[str]
Meaning = Callable[[Match, Sentence], Any]

# --- from and until ------------------------------------------------------------------------------

SECTIONS = (
    r"pre chorus|post chorus|chorus|verse|bridge|refrain|intro|introduction|outro|hook|coda|"
    r"middle 8|interlude|stanza"
)
_SECTION = rf"(?:(?:o:\d+|last) )?(?:section \S+|{SECTIONS})(?: \d+)?"
_BAR_BEAT = r"bar \d+(?: ,)? (?:on |at )?(?:beat \d+(?:\.\d+)?|o:\d+ beat)|(?:beat \d+(?:\.\d+)?|o:\d+ beat|downbeat) (?:of|in) bar \d+|t:\S+"
_ONWARD = (
    r"(?: (?:on|onwards?|forwards?|earlier|up|to end(?: of song)?|until end(?: of song)?)(?= |$))?"
)
_FROM = r"(?:from|starting (?:in|at|with|from|on)|begin (?:in|at|with|from|on)|since)"
_UNTIL = r"(?:until|till|up to|up until|before)"


def _moment(text: str, sentence: Sentence, at: int) -> str:
    """A place as rules write it."""
    if text.startswith("t:"):
        return text[2:]
    if "beat" in text:
        bar = re.search(r"bar (\d+)", text)
        beat = re.search(r"beat (\d+(?:\.\d+)?)|o:(\d+) beat|downbeat", text)
        assert bar
        assert beat
        return f"{bar[1]}:{beat[1] or beat[2] or 1}"
    words = text.split()
    which = ""
    if words[0] == "last" or words[0].startswith("o:"):
        which = words.pop(0).removeprefix("o:")
    if words[-1].isdigit() and len(words) > 1 and text != "middle 8":
        which = words.pop()
    if words[0] == "section":
        words = [sentence.tokens[sentence.index_at(at + text.index("section ") + 8)].raw]
    return InSection(" ".join(words), which).words


def _named(match: Match, sentence: Sentence, group: str) -> str:
    return _moment(match[group], sentence, match.start(group))


def _between(match: Match, sentence: Sentence) -> list[str]:
    start, end = _named(match, sentence, "a"), _named(match, sentence, "b")
    return [f"from {start} to {end}"]


# --- notes by pitch and length -------------------------------------------------------------------


def _pitched(way: str) -> Meaning:
    def meaning(match: Match, sentence: Sentence) -> list[str] | None:
        name = match["name"].removeprefix("n:")
        if not name[-1].isdigit():  # which of that name is asked for
            return [f"{way} than {name}4", f"{way} than {name}5"]
        if match["by"] == "over" and name[-1] in "79":
            return None
        found = [f"{way} than {name}"]
        # "over C5" may be the chord without a third.
        return (
            [*found, f"over {name}"]
            if match[0].startswith("over ") and name[1:] in "569"
            else found
        )

    return meaning


def _above_a_letter(match: Match, sentence: Sentence) -> list[str]:
    """ "Above F" may be said of a chord or of a pitch."""
    name = match["name"].removeprefix("n:")
    return [f"over {name}", f"higher than {name}4", f"higher than {name}5"]


def _ending_so(match: Match, sentence: Sentence) -> list[str] | None:
    """Open endings; a cadence that is called open is a half cadence."""
    if is_cadence(match, sentence):
        return None
    is_open = match["way"] in ("open", "unresolved", "unfinished", "incomplete")
    return [f"in {'open' if is_open else 'closed'} phrases"]


def is_cadence(match: Match, sentence: Sentence) -> bool:
    """Whether the last word was typed as "cadence", which comes out as "end" does."""
    return "cadence" in sentence.tokens[sentence.index_at(match.end() - 1)].raw.lower()


def _and_beyond(match: Match, sentence: Sentence) -> list[str]:
    """ "F4 and above" has F4 in it: it is higher than E4."""
    name = match["name"].removeprefix("n:")
    is_up = match["way"] in ("up", "above", "over")
    if not name[-1].isdigit():
        return [f"{'higher' if is_up else 'lower'} than {name}{octave}" for octave in "45"]
    midi = parse_pitch_name(name) + (-1 if is_up else 1)
    return [f"{'higher' if is_up else 'lower'} than {pitch_name(midi)}"]


def _lasting(match: Match, sentence: Sentence) -> list[str]:
    length = length_of(match)
    way = match.groupdict().get("way") or ""
    if match.groupdict().get("least"):
        is_least = match["least"] in ("least", "hold", "more")
        return [f"except {'shorter' if is_least else 'longer'} than {length}"]
    return [
        f"{'longer' if way.split()[0] in ('hold', 'more', 'over') else 'shorter'} than {length}"
    ]


_VAGUE = {
    "long": ["longer than 1 beat", "longer than 2 beats"],
    "shorten": ["shorter than 1 beat", "shorter than 0.5 beats"],
    "high": ["higher than A4", "higher than C5"],
    "low": ["lower than A4", "lower than E4"],
}
_BE = r"(?:(?:that|which|who) )?(?:(?:is|last|lasts|hold|ring|rings|lie|lies|sit|sits|go|goes|for|of) )?"
_WHO = r"(?:(?:that|which) )?(?:(?:is|lie|lies|sit|sits|go|goes|come|comes|of) )?(?:pitched )?"


# --- the table -----------------------------------------------------------------------------------


def _counted(match: Match, sentence: Sentence) -> list[str] | None:
    step = match["n"]
    if step in ("8", "16"):
        return None  # a note's value
    if step in (None, "2"):
        first = ["in notes even", "in notes odd"]
        return first if step else first[::-1]
    return [f"in notes {step}-last step {step}"]


_HALF = r"(?:(?:in|of|for|at|during|only) )*(?P<half>o:1|o:2|last) half"
_OPEN = r"open|hanging|unresolved|unfinished|away from (?:home|tonic)|in air|up in air|not end|without end"
_CLOSED = r"closed|at end|in end|resolve|resolved|at home|home"


def _reached(match: Match, sentence: Sentence) -> list[str]:
    """How a note is reached from the one before."""
    how, side = match["how"] or "", match["side"] or ""
    said = f"{how} {side}"
    is_up, is_down = (bool(re.search(ways, said)) for ways in (_UPWARD, _DOWNWARD))
    way = " up" if is_up else " down" if is_down else ""
    size = "step" if "step" in how else "leap" if re.search("leap|jump|skip", how) else ""
    if not size:
        return [f"after a {'rise' if is_up else 'fall'}"]
    return [f"after a {size}{way}"]


def _moving(match: Match, sentence: Sentence) -> list[str] | None:
    """ "Endings that go down" come after a fall; "that move" tells no way."""
    said = f"{match['how']} {match['side'] or ''}"
    return _reached(match, sentence) if re.search(f"{_UPWARD}|{_DOWNWARD}", said) else None


def _half(of: str) -> Meaning:
    def meaning(match: Match, sentence: Sentence) -> list[str] | None:
        after = sentence.index_at(match.end() - 1) + 1
        if any(token.raw.lower() == "cadence" for token in sentence.tokens[after : after + 1]):
            return None
        named = of == "song" and re.search(
            r"phrase (?:\d|last)|(?:o:\d+|last) phrase", sentence.text
        )
        whole = "phrases" if named and "song" not in match[0] else of
        return [f"in {'first' if match['half'] == 'o:1' else 'second'} half of {whole}"]

    return meaning


def _sung(match: Match, sentence: Sentence) -> list[str]:
    """From a word to another, or on from it."""
    words = [sentence.tokens[sentence.index_at(match.start(g))].raw for g in "ab" if match[g]]
    return [str(FromWord(*(word.strip(".,") for word in words)))]


_UPWARD, _DOWNWARD = r"\b(?:up|rises?|below|ascent)\b", r"\b(?:down|falls?|above|descent)\b"
_HOW = r"(?:up|down|rise|fall|step|leap|jump|skip|ascent|descent)s?"
_SIDE = r"(?:from )?(?:below|above|up|down)"
STRETCHES: list[tuple[str, str, Meaning]] = [
    ("scope", rf"{_HALF} of (?:every |whole |a )?(?:song|melody)", _half("song")),
    ("scope", rf"{_HALF}(?! (?:of|cadences?|endings?|steps?|notes?|semitones?|wholes?|beats?|bars?)\b)", _half("song")),
    ("scope", rf"{_HALF} of (?:every |a )?phrases?(?! (?:\d|last))", _half("phrases")),
    ("scope", rf"{_HALF} of(?= (?:phrases? (?:\d|last|o:)|(?:o:\d+|last|penultimate) phrase))", _half("phrases")),
    ("scope", rf"{_FROM} (?P<a>{_BAR_BEAT}|{_SECTION}){_ONWARD}",
     lambda m, s: [f"from {_named(m, s, 'a')} on"]),
    ("scope", rf"(?:{_UNTIL}) (?P<a>{_BAR_BEAT}|{_SECTION})",
     lambda m, s: [f"until {_named(m, s, 'a')}"]),
    ("scope", rf"(?:{_FROM}|between) (?P<a>{_BAR_BEAT}|{_SECTION}) (?:to|until|till|up to|and|-) (?P<b>{_BAR_BEAT}|{_SECTION})", _between),
    ("scope", r"(?:from|between|starting (?:at|on|with|from)|begin (?:at|on|with)) (?:word )?(?P<a>q:\S+) (?:to|and|until|till|through|up to|-) (?:word )?(?P<b>q:\S+)", _sung),
    ("scope", r"(?:from|starting (?:at|on|with|from)|begin (?:at|on|with)) (?:word )?(?P<a>q:\S+)(?: (?:on|onwards?|forwards?|to end)(?= |$))(?P<b>)", _sung),
    ("until", rf"(?:until|till|to|up to) (?P<a>{_BAR_BEAT})", lambda m, s: _named(m, s, "a")),
    ("until", r"(?:until|till|up to|through|to) end of bar (?P<bar>\d+)",
     lambda m, s: f"{int(m['bar']) + 1}:1"),
    ("until", r"(?:until|till|up to) bar (?P<bar>\d+)", lambda m, s: f"{m['bar']}:1"),
    ("scope", r"(?:(?:on|at|in|of) )?(?:every )?(?P<way>strong|weak) beats?(?: of (?:every |a )?bars?)?",
     lambda m, s: [f"on {m['way']} beats"]),
    ("scope", r"(?:(?:on|at|in|of) )?(?:every )?off ?beats?(?: notes?)?", lambda m, s: ["off the beat", "on weak beats"]),
    ("scope", r"off beat|not on (?:a |every )?beats?|(?:in )?between beats", lambda m, s: ["off the beat"]),
    ("scope", r"on (?:a |every )?beats?(?! [\d(o:)])", lambda m, s: ["except off the beat"]),
    ("phrases", r"(?:(?:in|of|at|on|for) )?(?:every )?(?P<way>open|closed) phrases?", lambda m, s: [f"in {m['way']} phrases"]),
    ("phrases", rf"(?:(?:in|of|at|on|for) )?(?:every |a )?(?:phrases? (?:that|which) (?:is |end |now )*|where (?:a |every )?phrases? (?:end|is) )(?P<way>{_OPEN})(?! (?:on|at) )", lambda m, s: ["in open phrases"]),
    ("phrases", rf"(?:(?:(?:in|of|at|on|for|where) )?(?:every |a )?phrases? (?:that|which) (?:is |end |now )*|where (?:a |every )?phrases? (?:end|is|come) )(?P<way>{_CLOSED})(?! (?:on|at|to) )", lambda m, s: ["in closed phrases"]),
    ("cadences", r"(?:(?:at|in|on|of|for) )?(?:every )?(?P<way>open|closed|unresolved|unfinished|incomplete|resolved|finished|complete) (?:endings?|end)(?: notes?)?", _ending_so),
    ("scope", rf"{_WHO}above (?:note )?(?P<name>n:[A-G][b#]*)(?! (?:chords?|and|or|,))", _above_a_letter),
    ("scope", r"(?:(?:every|of) )?(?:every (?:other|o:(?P<n>\d+))|alternate|alternating) (?:notes?|1s?|single notes?)(?: of melody)?", _counted),
    ("scope", r"(?:every )?(?:other|alternate|alternating) (?:notes|1s)", _counted),
    ("scope", r"every (?:other|o:2)(?! (?:\w:)?(?:notes?|1s?|phrases?|bars?|beats?|chords?|section|chorus|verse|than|of|degrees?)\b)", lambda m, s: ["in notes odd", "in notes even"]),
    ("scope", r"(?:every )?o:1 (?P<n>[5-9]|\d\d) notes", lambda m, s: [f"in notes 1-{m['n']}"]),
    ("scope", r"(?:every )?last (?P<n>[3-9]|\d\d) notes", lambda m, s: [f"in notes final {m['n']}"]),
    ("scope", rf"{_WHO}(?P<by>above|over|up than|up then) (?:note )?(?P<name>n:[A-G][b#]*-?\d)", _pitched("higher")),
    ("scope", rf"{_WHO}(?P<by>below|under|down than|down then) (?:note )?(?P<name>n:[A-G][b#]*(?:-?\d)?)", _pitched("lower")),
    ("scope", rf"{_WHO}(?P<by>up than|up then) (?:note )?(?P<name>n:[A-G][b#]*)", _pitched("higher")),
    ("scope", rf"{_WHO}between (?:note )?n:(?P<low>[A-G][b#]*-?\d) (?:and|to) (?:note )?n:(?P<high>[A-G][b#]*-?\d)",
     lambda m, s: [f"except lower than {m['low']} except higher than {m['high']}"]),
    ("scope", rf"{_WHO}(?:from )?(?P<name>n:[A-G][b#]*(?:-?\d)?) (?:and|or) (?P<way>up|above|over|down|below|under)", _and_beyond),
    ("scope", rf"{_BE}(?P<way>(?:hold|shorten|more|less) (?:than|then)|over|under) {LENGTH}(?: long)?", _lasting),
    ("scope", rf"{_BE}at (?P<least>least|most) {LENGTH}(?: long)?", _lasting),
    ("scope", rf"{_BE}{LENGTH} or (?P<least>hold|more|less|shorten)", _lasting),
    ("scope", rf"(?:(?:that|which) )?(?:is )?(?:approached|reached|arrived at|come to|entered|taken)(?: (?:by|with|through|via|in))?(?: an?)?(?: (?P<how>(?:(?:up|down) )?{_HOW}|thirds?))?(?: (?P<side>{_SIDE}))", _reached),
    ("scope", rf"(?:(?:that|which) )?(?:is )?(?:approached|reached|entered) (?P<side>{_SIDE}) (?:by|with|through|in) (?:an? )?(?P<how>{_HOW})", _reached),
    ("scope", r"(?:that|which) (?P<how>goes?|moves?|comes?|falls?|rises?|steps?|leaps?|jumps?|up|down)(?: (?P<side>up|down))?(?= (?:and|,|should|must|shall|can|will|now)|$)", _moving),
    ("scope", r"where (?:(?:it|melody|voice|they) )?(?P<how>steps?|leaps?|jumps?|skips?|goes|moves?|comes?) (?P<side>up|down|from below|from above)(?: (?:to|into|on|onto)(?: (?:it|a note|note|an? (?=ending)|every (?=ending)|(?=ending|last|penultimate|highest)))?)?", _reached),
    ("scope", r"(?:every )?(?P<vague>long|shorten|high|low)(?: (?:notes?|1s?)(?= |$)|(?= (?:n:|o:|degree|\d)))", lambda m, s: _VAGUE[m["vague"]]),
]  # fmt: skip
