"""What is left to ask of a sentence that is not wholly understood: what was understood is kept,
said back, and offered with what is missing."""

from __future__ import annotations

import re
from dataclasses import dataclass

from retune.rules.spoken.asking import amount_of
from retune.rules.spoken.covers import Cover
from retune.rules.spoken.exchanges import TIMED
from retune.rules.spoken.heard import NOTHING, Heard, MissingError, NoRuleError
from retune.rules.spoken.pitches import interval_of, length_of
from retune.rules.spoken.readings import Assembly

_PLAIN_KINDS = {
    "phrase-ending": "the last note",
    "phrase-opening": "the first note",
    "phrase-penultimate": "the note before the last",
    "phrase-antepenultimate": "the third note from the end",
    "phrase-second": "the second note",
    "phrase-third": "the third note",
    "phrase-fourth": "the fourth note",
    "phrase-pickup": "the pickup",
    "phrase-downbeat": "the first downbeat",
    "highest": "the highest note",
    "lowest": "the lowest note",
    "longest": "the longest note",
    "shortest": "the shortest note",
}
_UNITS = {"phrase": " of each phrase", "song": " of the song", "bar": " of each bar"}
_ANYTHING = (
    "move {} to degree 1",
    "shift {} up 1 scale step",
    "shift {} down 1 scale step",
    "hold {} 1 beat longer",
)
_IN_TIME = ("delay", "bring", "hold", "shorten")
_NOTES = ("phrase-ending note", "every note", "highest note")


@dataclass(frozen=True)
class Gist:
    """The slots of a sentence that were understood, in canonical words, "" or () for none."""

    what: str = ""
    where: str = ""
    does: tuple[str, ...] = ()
    """What is done, with "{}" for the notes: "shift {} up 1 scale step"; more than one where the
    words leave a choice."""
    asks: str = ""
    """What is asked of a doing that is not complete: "how far up?"."""

    @property
    def said_back(self) -> str:
        """Which notes it is about, as one says it."""
        return plainly(self.what, self.where)

    @property
    def question(self) -> str:
        """What is missing."""
        if not self.what:
            how = self.asks or "where to, or how far?"
            return f"which notes, and {how}" if self.asks or not self.does else "which notes?"
        if not self.does:
            return f"it is about {self.said_back}: where to, or how far?"
        return f"it is about {self.said_back}: {self.asks}" if self.asks else ""

    @property
    def is_one_way(self) -> bool:
        """Whether notes go up, or down, and nothing else is told."""
        return bool(self.does) and len({do.split()[2] for do in self.does if "shift" in do}) == 1

    def offers(self) -> list[str]:
        """Sentences that fill what is missing, each in its own way."""
        does = self.does or _ANYTHING
        whats = (self.what,) if self.what else _NOTES
        pairs = [(what, do) for do in (does if self.what else does[:1]) for what in whats]
        return [f"{do.format(what)} {self.where}".strip() for what, do in pairs]


def plainly(what: str, where: str) -> str:
    """Notes as one says them.

    >>> plainly("phrase-ending note", "in phrase last")
    'the last note of the last phrase'
    """
    found = re.search(r"((?:phrase|song|bar)-\w+|highest|lowest|longest|shortest) (.*)", what)
    if found is None:
        return f"{what} {where}".strip()
    unit, _, name = found[1].rpartition("-")
    kind = (
        found[1]
        if unit == "phrase"
        else {"ending": "phrase-ending", "opening": "phrase-opening"}.get(name, name)
    )
    lone = re.fullmatch(r"in phrase (\w+)", where)
    of = _UNITS[unit or "phrase"]
    if lone:
        of = " of the last phrase" if lone[1] == "last" else f" of phrase {lone[1]}"
    only = "" if found[2] == "note" else f" that is {found[2]}"
    stem = what[: found.start()].strip()
    place = where if where and not lone else ""
    return " ".join(filter(None, (stem and f"{stem}:", _PLAIN_KINDS[kind] + of + only, place)))


def gist_of(cover: Cover) -> Gist:
    """The slots that the parts of a cover fill, whatever else they lack."""
    heard = Heard(cover.parts)
    reader = Assembly(heard, NOTHING)
    try:
        reader.sort_pitches()
    except (MissingError, NoRuleError):
        reader.sources, reader.target = [], None
    what, where = _which(reader)
    does, asks = _doing(heard, reader)
    return Gist(what, where, does, asks)


def _which(reader: Assembly) -> tuple[str, str]:
    """The notes and the place that are named, as far as they make sense together."""
    try:
        what, more = reader.whats()[0][0]
    except (MissingError, NoRuleError):
        kinds = reader.heard.of("position")
        what, more = f"{kinds[0].value[0]} note" if kinds else "", ""
    try:
        said = reader.scopes()[0]
    except (MissingError, NoRuleError):
        said = ""
    return what, said if more in said else f"{said} {more}".strip()


def _doing(heard: Heard, reader: Assembly) -> tuple[tuple[str, ...], str]:
    """What is done, and what is still to be asked of it."""
    timed = [kind for kind in TIMED if heard.has(kind)]
    if reader.target is not None:
        try:
            return tuple(
                f"move {{}} to {to}" for to in reader.target_words()[:2]
            ), "which of these?"
        except (MissingError, NoRuleError):
            return (), ""
    if len(timed) == 1:
        return _in_time(heard, timed[0])
    if heard.has("keep"):
        return ("keep {}",), ""
    if heard.has("length") and not heard.has("up", "down", "interval"):
        does = [does for verb in _IN_TIME for does in _in_time(heard, verb)[0]]
        return tuple(does), "later, earlier, longer or shorter?"
    return _moved(heard)


def _moved(heard: Heard) -> tuple[tuple[str, ...], str]:
    """Up or down, and how far, as far as it is told."""
    ways = sorted({p.value for kind in ("up", "down", "sharp") for p in heard.of(kind)})[::-1]
    sizes = [size for part in heard.of("interval") if (size := interval_of(part.value))]
    if not ways and not sizes:
        return (), ""
    asks = "up or down?" if len(ways) != 1 else "" if len(sizes) == 1 else f"how far {ways[0]}?"
    sizes = sizes[:1] or ["1 scale step", "2 scale steps", "1 octave"][: 3 if len(ways) == 1 else 1]
    pairs = [(way, size) for way in ways or ("up", "down") for size in sizes]
    return tuple(f"shift {{}} {way} {size}" for way, size in pairs), asks


def _in_time(heard: Heard, verb: str) -> tuple[tuple[str, ...], str]:
    """A move in time, and by how much."""
    if verb == "suspend":
        return ("suspend {}",), ""
    told = [
        length_of(part.value) for part in heard.of("length") if isinstance(part.value, re.Match)
    ]
    sizes = told[:1] or ["1 beat", "2 beats", "0.5 beats"]
    return tuple(
        f"{verb} {{}} {amount_of(verb, size)}" for size in sizes
    ), "" if told else "by how much?"
