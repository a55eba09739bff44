"""What a spoken sentence may mean: the parts that cover it, put together as rules write it."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from retune.rules.model import ROLE_WORDS
from retune.rules.spoken.parts import Part, parts_at
from retune.rules.spoken.pitches import degrees_of, interval_of, length_of, names_of, targets_of
from retune.rules.spoken.synonyms import FREE
from retune.rules.spoken.tokens import Sentence, plain_words

MAX_COVERS = 24
_FREE_COST, _UNKNOWN_COST, _NEVER = 0.3, 10.0, 1000.0
_VERBS = frozenset(
    [
        "up",
        "down",
        "keep",
        "hold",
        "shorten",
        "delay",
        "earlier",
        "suspend",
        "swap",
        "resolve",
        "end",
        "begin",
        "flatten",
        "sharpen",
        "copy",
    ]
)
_NEGATIONS = frozenset(["not", "never", "no", "none", "nor", "cannot"])


@dataclass(frozen=True)
class Cover:
    """Parts that cover a sentence; `unknown` are the words that nothing reads."""

    cost: float = 0.0
    parts: tuple[Part, ...] = ()
    unknown: tuple[int, ...] = ()


@dataclass(frozen=True)
class Question:
    """What is missing, and sentences that say it."""

    problem: str
    examples: tuple[str, ...]
    first: int = 0
    last: int = 0


Readings = tuple[tuple[str, ...], ...]
"""Each reading is the rules, in canonical words, that a sentence then is."""


def covers(sentence: Sentence, stems: Sequence[str]) -> list[Cover]:
    """The ways to cover a sentence with parts, the fewest parts first."""
    n = len(sentence.tokens)
    best: list[list[Cover]] = [[] for _ in range(n + 1)]
    best[n] = [Cover()]
    for place in range(n - 1, -1, -1):
        found: list[Cover] = []
        for part in _steps(sentence, place, stems):
            cost = _cost(part, sentence)
            found += [
                Cover(
                    cost + rest.cost,
                    (part, *rest.parts) if part.kind not in ("free", "unknown") else rest.parts,
                    (place, *rest.unknown) if part.kind == "unknown" else rest.unknown,
                )
                for rest in best[part.last]
            ]
        best[place] = _cheapest(found)
    return best[0]


def _cheapest(found: list[Cover]) -> list[Cover]:
    ordered = sorted(found, key=lambda cover: cover.cost)
    return ordered[:MAX_COVERS]


def _cost(part: Part, sentence: Sentence) -> float:
    if part.kind == "free":
        return _FREE_COST * (part.last - part.first)
    if part.kind == "unknown":
        word = sentence.tokens[part.first].text
        return _NEVER if word in _NEGATIONS else _UNKNOWN_COST
    return 1.0


@lru_cache(maxsize=1)
def _free() -> dict[str, list[tuple[str, ...]]]:
    """Wordings that say nothing to a rule, by their first word, the longest first."""
    found: dict[str, list[tuple[str, ...]]] = {}
    for wording in FREE.replace("\n", " ").split(","):
        words = plain_words(wording)
        if words:
            found.setdefault(words[0], []).append(words)
    return {word: sorted(wordings, key=len, reverse=True) for word, wordings in found.items()}


def _steps(sentence: Sentence, place: int, stems: Sequence[str]) -> Iterator[Part]:
    yield from _stem(sentence, place, stems)
    yield from parts_at(sentence, place)
    texts = tuple(token.text for token in sentence.tokens)
    for words in _free().get(texts[place], ()):
        if texts[place : place + len(words)] == words and _may_be_free(texts, place):
            yield Part("free", None, place, place + len(words))
    if texts[place] in ("?", "!", ".", ",", ";", "-"):
        yield Part("free", None, place, place + 1)
    yield Part("unknown", None, place, place + 1)


def _may_be_free(texts: tuple[str, ...], place: int) -> bool:
    """ "to" says where to, but before a verb."""
    after = texts[place + 1] if place + 1 < len(texts) else ""
    return texts[place] != "to" or after in _free() or after in _VERBS


def _stem(sentence: Sentence, place: int, stems: Sequence[str]) -> Iterator[Part]:
    token = sentence.tokens[place]
    for stem in stems:
        if stem.lower() == token.raw.lower().removesuffix("'s").removesuffix("’s"):
            last = place + 1
            if last < len(sentence.tokens) and sentence.tokens[last].text in ("phrase", "part"):
                # "bass line" came out as "bass phrase": the line is the part.
                if sentence.tokens[last].raw.lower() in ("line", "part"):
                    yield Part("stem", stem, place, last + 1)
            yield Part("stem", stem, place, last)


# --- putting parts together ----------------------------------------------------------------------


@dataclass
class Heard:
    """The parts of one cover, sorted."""

    parts: tuple[Part, ...]
    kinds: dict[str, list[Part]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for part in self.parts:
            self.kinds.setdefault(part.kind, []).append(part)

    def has(self, *kinds: str) -> bool:
        return any(kind in self.kinds for kind in kinds)

    def of(self, kind: str) -> list[Part]:
        return self.kinds.get(kind, [])


def meanings(cover: Cover, before: str = "") -> Readings | Question | None:
    """The readings of a cover; a question where something is missing; None where the parts make
    no rule. `before` is what the clause before this one was about ("it", "them")."""
    heard = Heard(cover.parts)
    try:
        return _Assembly(heard, before).readings()
    except _Missing as missing:
        return missing.question
    except _NoRule:
        return None


class _Missing(Exception):
    def __init__(self, problem: str, examples: Sequence[str], part: Part | None = None) -> None:
        first, last = (part.first, part.last) if part is not None else (0, 0)
        self.question = Question(problem, tuple(examples), first, last)


class _NoRule(Exception):
    pass


_TIMED = ("hold", "shorten", "delay", "bring", "suspend")
_ALONE = {
    "phrase-ending": "in phrase last",
    "phrase-penultimate": "in phrase last",
    "phrase-opening": "in phrase 1",
    "phrase-second": "in phrase 1",
    "phrase-third": "in phrase 1",
    "phrase-fourth": "in phrase 1",
}
_OF_SONG = ("highest", "lowest", "longest")


class _Assembly:
    """Puts the parts of one cover together."""

    def __init__(self, heard: Heard, before: str) -> None:
        self.heard = heard
        self.before = before
        self.sources: list[Part] = []
        self.target: Part | None = None

    def readings(self) -> Readings:
        heard = self.heard
        if heard.has("swap"):
            return self._swap()
        self._sort_pitches()
        whats, scopes = self._whats(), self._scopes()
        verbs = self._verbs()
        found = []
        for what_set, scope, verb in itertools.product(whats, scopes, verbs):
            if what_set == "":
                continue
            found.append(
                tuple(
                    " ".join(filter(None, (verb[0], what, verb[1], more, scope)))
                    for what, more in what_set
                )
            )
        return tuple(dict.fromkeys(found))

    # pitches: which are what is moved, which is where to

    def _sort_pitches(self) -> None:
        heard = self.heard
        targets = heard.of("target")
        firm = [part for part in targets if part.value[0] == "firm"]
        loose = [part for part in targets if part.value[0] in ("loose", "for")]
        bare = [p for p in heard.parts if p.kind in ("degrees", "names", "member", "last_degree")]
        self.sources = [*bare, *(p for p in targets if p.value[0] == "not")]
        moves = not heard.has("interval", "length", "until", "keep", *_TIMED)
        if len(firm) > 1:
            raise _NoRule
        if firm:
            self.target = firm[0]
            self.sources += loose
        elif moves and loose:
            self.target = loose[-1]
            self.sources += loose[:-1]
        elif (
            moves
            and bare
            and not heard.has("up", "down", "sharp", "resolve")
            and (len(bare) > 1 or heard.has("position", "end", "begin", "at"))
            and bare[-1].kind != "last_degree"
        ):
            self.target = bare[-1]
            self.sources.remove(bare[-1])
        else:
            self.sources += loose
        if self.target is not None and not moves and not heard.has("interval"):
            raise _NoRule
        if self.target is not None and heard.has("interval"):
            raise _NoRule

    def _target_words(self) -> list[str]:
        part = self.target
        assert part is not None
        if part.kind == "target":
            words = targets_of(part.value[1])
        elif part.kind == "degrees":
            lists = degrees_of(part.value[0])
            if len(lists) != 1:
                raise _NoRule
            words = [m if m.startswith("chord") else f"degree {m}" for m in lists[0]]
        elif part.kind == "names":
            words = names_of(part.value[0])
        else:
            words = [targets_member(part.value[0])]
        if not words:
            raise _NoRule
        side = self._side()
        return [_with_side(word, side) for word in words]

    def _side(self) -> str:
        up, down = self.heard.has("up"), self.heard.has("down")
        if up and down:
            raise _NoRule
        return " above" if up else " below" if down else ""

    # what is moved

    def _whats(self) -> list[list[tuple[str, str]]]:
        """Every reading of what is moved: a list of (what, further scope) for each rule."""
        heard = self.heard
        stems = ", ".join(dict.fromkeys(part.value for part in heard.of("stem")))
        found = self._chosen()
        if not found:
            if stems:
                return [[(stems, "")]]
            return [[(self._default(), "")]]
        lead = f"{stems} " if stems else ""
        return [[(lead + what, more) for what, more in one] for one in found]

    def _default(self) -> str:
        heard = self.heard
        if heard.has("melody", "notes", "song"):
            return "every note"
        placed = heard.has("scope", "phrases")
        if placed and (heard.has("keep") or heard.has("interval", "up", "down", "sharp")):
            return "every note"
        if self.before:
            return self.before
        if placed and any(
            "on word" in s or "on beat" in s or "where" in s
            for p in heard.of("scope")
            for s in p.value
        ):
            return "every note"
        return ""

    def _chosen(self) -> list[list[tuple[str, str]]]:
        heard = self.heard
        kinds = self._kinds()
        ats, roles = heard.of("at"), heard.of("role")
        names = [n for p in self.sources if _is_names(p) for n in names_of(_pitch_text(p))]
        degrees = self._source_degrees()
        if sum(map(bool, (ats, roles, names, degrees))) > 1 or len(ats) > 1:
            raise _NoRule
        if ats:
            return [[(ats[0].value, "")]]
        if names:
            if kinds:
                raise _NoRule
            return [[(f"note {name}", "") for name in names]]
        if roles:
            return self._each_kind(kinds, [ROLE_WORDS[p.value] for p in roles])
        if degrees:
            return [
                [(f"{kind} {words}", more) for kind, more in one]
                for words in degrees
                for one in (kinds[:1] or [[("every", "")]])
            ]
        return [[(f"{kind} note", more) for kind, more in one] for one in kinds]

    def _each_kind(self, kinds: Any, words: list[str]) -> list[list[tuple[str, str]]]:
        first = kinds[0] if kinds else [("every", "")]
        return [[(f"{kind} {word}", more) for kind, more in first for word in words]]

    def _source_degrees(self) -> list[str]:
        lists = [
            meanings_
            for part in self.sources
            if not _is_names(part) and part.kind != "member"
            for meanings_ in degrees_of(_pitch_text(part))
        ]
        if any(part.kind == "member" for part in self.sources):
            raise _NoRule
        if not lists:
            return []
        found = []
        for chosen in itertools.islice(itertools.product(*lists), 4):
            members = [one for one in chosen if one.startswith("chord")]
            if members and len(chosen) > 1:
                continue
            found.append(members[0] if members else f"degree {', '.join(dict.fromkeys(chosen))}")
        return found

    def _kinds(self) -> list[list[tuple[str, str]]]:
        """Each reading of the kind of note: (kind, further scope) for each rule."""
        heard = self.heard
        positions = {part.value[0]: part for part in heard.of("position")}
        if heard.of("firsts"):
            count = heard.of("firsts")[0].value
            names = ("phrase-opening", "phrase-second", "phrase-third", "phrase-fourth")
            return [[(name, "") for name in names[:count]]]
        if heard.of("lasts"):
            return [[("phrase-penultimate", ""), ("phrase-ending", "")]]
        if heard.of("last_degree"):
            positions.setdefault("phrase-ending", heard.of("last_degree")[0])
        if not positions and heard.has("begin"):
            positions = {"phrase-opening": heard.of("begin")[0]}
        if not positions and (heard.has("end", "cadences") or self._resolves_phrase()):
            positions = {
                "phrase-ending": (heard.of("end") or heard.of("cadences") or heard.of("resolve"))[0]
            }
        if len(positions) > 1:
            positions.pop("phrase-ending", None) if heard.has("end") else None
        if not positions:
            return []
        if self._is_of_song():
            return [[_alone(kind) for kind in positions]]
        each = [(kind, "") for kind in positions]
        if self._is_many(positions.values()):
            return [each]
        lone = [_alone(kind) for kind in positions]
        return [each] if lone == each else [each, lone]

    def _resolves_phrase(self) -> bool:
        heard = self.heard
        return heard.has("resolve") and not self.sources and not heard.has("role", "notes", "at")

    def _is_of_song(self) -> bool:
        heard = self.heard
        if heard.has("phrases", "cadences"):
            return False
        return heard.has("song") or (heard.has("melody") and heard.has("end"))

    def _is_many(self, positions: Any) -> bool:
        """Whether the words mean one note a phrase: many, each, of a phrase, or of certain ones."""
        heard = self.heard
        if heard.has("phrases", "cadences") or self.sources:
            return True
        for part in positions:
            if part.kind == "position" and part.value[1]:
                return True
        return any(
            "phrase" in s
            or "section" in s
            or "bar" in s
            or "where" in s
            or "over" in s
            or "word" in s
            for p in heard.of("scope")
            for s in p.value
        )

    def _scopes(self) -> list[str]:
        heard = self.heard
        lists = [
            part.value for part in heard.parts if part.kind in ("scope", "phrases", "cadences")
        ]
        return [" ".join(filter(None, chosen)) for chosen in itertools.product(*lists)]

    # verbs: (before what, after what)

    def _verbs(self) -> list[tuple[str, str]]:
        heard = self.heard
        what = self._any_what()
        timed = [kind for kind in _TIMED if heard.has(kind)]
        if heard.has("keep"):
            if self.target or heard.has("interval", "up", "down") or timed:
                raise _NoRule
            return [("keep", "")]
        if timed:
            return self._timed(timed)
        if heard.has("length", "until"):
            raise _NoRule
        if self.target is not None:
            return [("move", f"to {words}") for words in self._target_words()]
        if heard.has("interval") or heard.has("sharp"):
            return self._shift()
        if heard.has("up", "down"):
            way = "up" if heard.has("up") else "down"
            raise _Missing(
                f"how far {way}?",
                [f"shift {what} {way} 1 scale step", f"shift {what} {way} 2 semitones"],
                (heard.of(way) or [None])[0],
            )
        if heard.has("resolve") and heard.has("role"):
            return [("move", "to its resolution")]
        if not heard.parts:
            raise _NoRule
        raise _Missing(
            "where to, or how far?",
            [f"move {what} to degree 1", f"shift {what} up 1 scale step"],
        )

    def _any_what(self) -> str:
        """What is moved, for an example; of two readings the first. Asks where there is none."""
        whats = self._whats()
        what, more = whats[0][0]
        if what:
            scope = self._scopes()[0] if self._scopes() else ""
            return what if not (scope or more) else what
        words = self._target_words()[0] if self.target is not None else "degree 1"
        raise _Missing(
            "which notes?",
            [f"move phrase-ending note to {words}", f"move every degree 2 to {words}"],
        )

    def _shift(self) -> list[tuple[str, str]]:
        heard = self.heard
        if len(heard.of("interval")) > 1:
            raise _NoRule
        size = interval_of(heard.of("interval")[0].value) if heard.has("interval") else "1 semitone"
        if not size:
            raise _NoRule
        ways = {p.value for p in (*heard.of("up"), *heard.of("down"), *heard.of("sharp"))}
        if len(ways) > 1:
            raise _NoRule
        if not ways:
            what = self._any_what()
            raise _Missing(
                "up or down?",
                [f"shift {what} up {size}", f"shift {what} down {size}"],
                heard.of("interval")[0],
            )
        return [("shift", f"{ways.pop()} {size}")]

    def _timed(self, timed: list[str]) -> list[tuple[str, str]]:
        heard = self.heard
        if len(timed) > 1 or self.target is not None or heard.has("interval"):
            raise _NoRule
        verb, what = timed[0], self._any_what()
        if verb == "suspend":
            if heard.has("length", "until"):
                raise _NoRule
            return [("suspend", "")]
        if heard.has("until"):
            return [(verb, f"to {heard.of('until')[0].value}")]
        if len(heard.of("length")) != 1:
            shown = [f"{verb} {what} {_amount(verb, size)}" for size in ("1 beat", "0.5 beats")]
            raise _Missing("by how much?", shown, heard.of(verb)[0])
        return [(verb, _amount(verb, length_of(heard.of("length")[0].value)))]

    # two rules at once

    def _swap(self) -> Readings:
        heard = self.heard
        pitches = [p for p in heard.parts if p.kind in ("degrees", "names", "target")]
        one_way = [p for p in pitches if p.kind == "target" and p.value[0] == "for"]
        kinds = self._swap_kind()
        scopes = self._scopes()
        if any(_is_names(p) for p in pitches):
            both = [n for p in pitches for n in names_of(_pitch_text(p))]
            pairs = [(f"note {a}", b) for a, b in _turns(both)]
        else:
            both = [m[0] for p in pitches for m in degrees_of(_pitch_text(p))]
            pairs = [(f"{kinds} degree {a}", f"degree {b}") for a, b in _turns(both)]
        if one_way:
            pairs = pairs[:1]
        return tuple(
            tuple(f"move {what} to {to}{' ' + scope if scope else ''}" for what, to in pairs)
            for scope in scopes
        )

    def _swap_kind(self) -> str:
        positions = self.heard.of("position")
        if positions:
            return str(positions[0].value[0])
        return "phrase-ending" if self.heard.has("end") else "every"


def _turns(both: list[str]) -> list[tuple[str, str]]:
    if len(both) != 2 or both[0] == both[1]:
        raise _NoRule
    return [(both[0], both[1]), (both[1], both[0])]


def _amount(verb: str, size: str) -> str:
    return {"hold": f"{size} longer", "shorten": f"by {size}", "delay": f"by {size}",
            "bring": f"{size} earlier"}[verb]  # fmt: skip


def _alone(kind: str) -> tuple[str, str]:
    """The one note of the song that a kind means, as a kind and a scope."""
    if kind in _OF_SONG:
        return f"song-{kind}", ""
    return kind, _ALONE.get(kind, "")


def _with_side(words: str, side: str) -> str:
    plain = words.endswith(("above", "below")) or not words.startswith(
        ("degree", "chord", "nearest")
    )
    named = len(words) > 1 and words[0].isupper() and not words[-1].isdigit()
    return words + side if named or not plain else words


def _is_names(part: Part) -> bool:
    return "n:" in _pitch_text(part)


def _pitch_text(part: Part) -> str:
    if part.kind == "target":
        match = part.value[1]
        return str(match["not"] if part.value[0] == "not" else match["target"])
    if part.kind == "last_degree":
        return str(part.value["d"])
    return str(part.value[0])


def targets_member(text: str) -> str:
    """A member of the chord, in canonical words."""
    for word, member in (("root", "root"), ("o:3", "third"), ("o:5", "fifth"), ("o:7", "seventh")):
        if word in text:
            return f"chord {member}"
    return "chord root"
