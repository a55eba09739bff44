"""What a spoken sentence moves: the notes that its parts name, in canonical words."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Sequence

from retune.rules.model import ROLE_WORDS
from retune.rules.spoken.heard import About, Heard, MissingError, NoRuleError, is_names, pitch_text
from retune.rules.spoken.parts import Part
from retune.rules.spoken.pitches import DEGREE, SOLFA, degrees_of, names_of, targets_of

Kinds = list[tuple[str, str]]
"""Kinds of note, each with a further scope; a rule for each."""


_ALONE = {
    "phrase-ending": "in phrase last",
    "phrase-penultimate": "in phrase last",
    "phrase-antepenultimate": "in phrase last",
    "phrase-opening": "in phrase 1",
    "phrase-second": "in phrase 1",
    "phrase-third": "in phrase 1",
    "phrase-fourth": "in phrase 1",
}
_TRAIT = re.compile(
    r"(?:except )?(?:on|off|where|in notes|higher|lower|longer|shorter|after|before|lasting)\b"
)
_BARE = rf"[b#]?[1-7]|{'|'.join(SOLFA)}"
_OF_SONG = ("highest", "lowest", "longest", "shortest")


class WhatReader:
    """Finds what the parts of one cover move. `before` is what the clause before was about."""

    def __init__(self, heard: Heard, before: About) -> None:
        self.heard = heard
        self.before = before
        self.is_it = False
        self.sources: list[Part] = []
        self.target: Part | None = None

    # what is moved

    def whats(self) -> list[Kinds]:
        """Every reading of what is moved: a list of (what, further scope) for each rule."""
        found = self._in_stems()
        words = self.words()
        if len(words) < 2:
            return found
        return [
            [(what, f"{more} {word}".strip()) for what, more in one for word in words]
            for one in found
        ]

    def _in_stems(self) -> list[Kinds]:
        stems = ", ".join(dict.fromkeys(part.value for part in self.heard.of("stem")))
        found = self._chosen()
        if not found:
            return [[(stems or self._default(), "")]]
        lead = f"{stems} " if stems else ""
        return [[(lead + what, more) for what, more in one] for one in found]

    def _default(self) -> str:
        heard = self.heard
        if heard.has("melody", "notes", "song"):
            return "every note"
        placed = heard.has("scope", "phrases", "spared")
        if self.before.is_its and self.before.what and not heard.has("stem"):
            self.is_it = True
            return self.before.what
        goes = self.target is None and heard.has("interval", "up", "down", "sharp")
        if placed and (heard.has("keep") or goes):
            return "every note"
        if self.before.what:
            self.is_it = True
            return self.before.what
        if placed and any(_TRAIT.match(s) for p in heard.of("scope") for s in p.value):
            return "every note"
        return ""

    def _chosen(self) -> list[Kinds]:
        heard = self.heard
        kinds = self._kinds()
        ats, roles = heard.of("at"), heard.of("role")
        names = [n for p in self.sources if is_names(p) for n in names_of(pitch_text(p))]
        degrees = self._source_degrees()
        if sum(map(bool, (ats, roles, names, degrees))) > 1 or len(ats) > 1:
            raise NoRuleError
        if ats:
            return [[(ats[0].value, "")]]
        if names:
            if kinds and self.target is not None:
                is_worded = self.target.kind == "target"
                to = targets_of(self.target.value[1])[0] if is_worded else "degree 1"
                raise MissingError(
                    "a note is named by its place or by its pitch, not by both",
                    [f"move {kinds[0][0][0]} note to {to}", f"move note {names[0]} to {to}"],
                    is_firm=True,
                )
            if kinds:
                raise NoRuleError
            return [[(f"note {name}", "") for name in names]]
        if roles:
            return self._each_kind(kinds, [ROLE_WORDS[p.value] for p in roles])
        if degrees:
            return [
                [(f"{kind} {words}", more) for kind, more in one]
                for words in degrees
                for one in (kinds[: 1 + self._lands_any()] or [[(self._kind_before(), "")]])
            ]
        return [[(f"{kind} note", more) for kind, more in one] for one in kinds]

    def _kind_before(self) -> str:
        """ "The endings: 1 becomes 3, 2 becomes 1": bare degrees of a second clause are of the kind
        and the place that the first spoke of."""
        kind, has_degree, _ = self.before.what.partition(" degree ")
        bare = all(re.fullmatch(_BARE, pitch_text(part)) for part in self.sources)
        placed = has_degree and kind == "every" and self.before.scope
        if not (kind.startswith("phrase-") or placed) or not bare:
            return "every"
        if self.heard.has("notes", "melody"):
            return "every"
        self.is_it = True
        return kind

    def _each_kind(self, kinds: list[Kinds], words: list[str]) -> list[Kinds]:
        first = kinds[0] if kinds else [("every", "")]
        return [[(f"{kind} {word}", more) for kind, more in first for word in words]]

    def _source_degrees(self) -> list[str]:
        lists = [
            meanings_
            for part in self.sources
            if not is_names(part)
            for meanings_ in (degrees_of(pitch_text(part)) or [[]])
        ]
        if [] in lists:
            raise NoRuleError
        if any("phrase" in pitch_text(part) for part in self.sources):
            raise NoRuleError
        if not lists:
            return []
        found = []
        for chosen in itertools.islice(itertools.product(*lists), 4):
            members = [one for one in chosen if one.startswith("chord")]
            if members and len(chosen) > 1:
                continue
            found.append(members[0] if members else f"degree {', '.join(dict.fromkeys(chosen))}")
        return found

    def _kinds(self) -> list[Kinds]:
        """Each reading of the kind of note: (kind, further scope) for each rule."""
        heard = self.heard
        positions = {part.value[0]: part for part in heard.of("position")}
        if heard.of("firsts"):
            count = heard.of("firsts")[0].value
            names = ("phrase-opening", "phrase-second", "phrase-third", "phrase-fourth")
            return [[(name, "") for name in names[:count]]]
        if heard.of("lasts"):
            return self._of_each_or_one(("phrase-penultimate", "phrase-ending"))
        if heard.of("befores"):
            return [[("phrase-antepenultimate", ""), ("phrase-penultimate", "")]]
        if heard.of("last_degree"):
            positions.setdefault("phrase-ending", heard.of("last_degree")[0])
        if not positions and heard.has("begin") and not (self._begins_it() or self.words()):
            positions = {"phrase-opening": heard.of("begin")[0]}
        if not positions and (heard.has("end", "cadences") or self._resolves_phrase()):
            positions = {
                "phrase-ending": (heard.of("end") or heard.of("cadences") or heard.of("resolve"))[0]
            }
        if self._lands_any() and "phrase-ending" in positions:
            return [[("every", "")], [("phrase-ending", "")]]
        if not positions and self._comes_home():
            positions = {"phrase-ending": heard.of("phrases")[0]}
        if len(positions) > 1:
            positions.pop("phrase-ending", None) if heard.has("end") else None
        if not positions:
            return []
        return self._of_each_or_one(tuple(positions), positions.values())

    def _of_each_or_one(self, names: Sequence[str], said: Iterable[Part] = ()) -> list[Kinds]:
        """Kinds of note of each phrase, or the one of the song, where the words leave it open."""
        each = [(kind, "") for kind in names]
        lone = [_alone(kind) for kind in names]
        if self._is_of_song():
            return [lone]
        if self._is_of_stretch(names):
            return [lone]
        every = any(part.value for part in self.heard.of("lasts"))
        if every or lone == each or self._is_many(said):
            return [each]
        return [each, lone]

    def _is_of_stretch(self, names: Sequence[str]) -> bool:
        """ "The highest note of the chorus", or of bars 1-4, is one note."""
        heard = self.heard
        if heard.has("phrases", "cadences") or not set(names) <= set(_OF_SONG):
            return False
        if any(part.value[1] for part in heard.of("position")):
            return False
        placed = [scope for part in heard.of("scope") for scope in part.value]
        return any(re.match(r"in (?:section|bars?)\b", scope) for scope in placed)

    def _begins_it(self) -> bool:
        """ "... and let it start a beat later": the note of the clause before."""
        heard = self.heard
        if heard.has("notes") and heard.has("delay", "bring", "scope"):
            return True  # "every note after a leap begins a beat later"
        return (
            self.before.is_its
            and heard.has("delay", "bring", "until")
            and not (heard.has("phrases", "notes", "melody"))
        )

    def _resolves_phrase(self) -> bool:
        heard = self.heard
        if any("where" in scope for part in heard.of("scope") for scope in part.value):
            return False
        return heard.has("resolve") and not self.sources and not heard.has("role", "notes", "at")

    def _lands_any(self) -> bool:
        """ "Let every 2 land on 1": those at ends, or all."""
        heard = self.heard
        lands = all(part.value in ("land", "lands", "landing") for part in heard.of("end"))
        spoken = heard.has("position", "phrases", "cadences", "last_degree")
        named = any(part.value[0].startswith("every") for part in heard.of("degrees"))
        return heard.has("end") and lands and named and not spoken

    def _comes_home(self) -> bool:
        """ "Bring phrase 2 home", or "down to the tonic", is said of its end."""
        heard = self.heard
        others = ("notes", "role", "at", "keep", "interval")
        if any(
            not one.startswith("except in phrase") for p in heard.of("scope") for one in p.value
        ):
            return False
        to = self.target
        if to is None or to.kind != "target" or self.sources or heard.has(*others):
            return False
        is_home = re.fullmatch(rf"home|root|{DEGREE}", pitch_text(to))
        return bool(is_home and heard.has("phrases"))

    def _is_of_song(self) -> bool:
        heard = self.heard
        if heard.has("phrases", "cadences"):
            return False
        if any(part.value[1] and not part.value[2] for part in heard.of("position")):
            return False  # "every phrase ending"
        if any(part.value[2] for part in heard.of("position")):
            return True
        is_end = heard.has("melody") and heard.has("end")
        return heard.has("song") or (is_end and not (self.sources or heard.has("scope")))

    def _is_many(self, positions: Iterable[Part]) -> bool:
        """Whether the words mean one note a phrase: many, each, of a phrase, or of certain ones."""
        heard = self.heard
        if heard.has("phrases", "cadences") or self.sources:
            return True
        if self.before.is_its and "phrase" in self.before.scope:
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

    def _are_alike(self, count: int) -> bool:
        """ "The last note of phrase 1, the last note of phrase 2": the same of each, said once a
        phrase, and one thing to do."""
        kinds = [part.value[0] for part in self.heard.of("position")]
        return len(kinds) == count and len(set(kinds)) == 1

    def words(self) -> list[str]:
        """The words of the song that are named."""
        listed = [part.value[0] for part in self.heard.of("scope")]
        return [scope for scope in listed if scope.startswith("on word")]

    def scopes(self) -> list[str]:
        heard = self.heard
        lists = [
            part.value
            for part in heard.parts
            if part.kind in ("scope", "phrases", "cadences", "manner")
        ]
        listed = [p for p in heard.of("phrases") if p.value[0].startswith("in phrase")]
        sections = [p for p in heard.of("scope") if p.value[0].startswith("in section")]
        if len(listed) > 1 and self._are_alike(len(listed)):
            lists = [one for one in lists if not one[0].startswith("in phrase")]
            lists.append([_joined([part.value[0] for part in listed])])
        elif len(listed) > 1 or len(sections) > 1:  # two clauses, of one phrase each
            raise NoRuleError
        if len(self.words()) > 1:  # a rule for each word: see `whats`
            lists = [one for one in lists if not one[0].startswith("on word")]
        lists = _without_vague(lists)
        counted = [part for part in heard.of("scope") if part.value[0].startswith("in notes")]
        if counted and any(part.value == [""] for part in heard.of("phrases")):
            raise MissingError(
                "notes are counted through the song; of each phrase there are the first four",
                [f"shift every note up 1 scale step {counted[0].value[0]}",
                 "shift phrase-second note up 1 scale step"],
                counted[0],
            )  # fmt: skip
        if (self.is_it or self.before.is_its) and not lists:
            return [self.before.scope]
        return [" ".join(filter(None, chosen)) for chosen in itertools.product(*lists)]


def _joined(scopes: Sequence[str]) -> str:
    """Several lists of phrases as one."""
    numbers = [re.sub(r"in phrases? ", "", scope) for scope in scopes]
    return f"in phrases {', '.join(numbers)}"


_MEASURES = ("higher than", "lower than", "longer than", "shorter than")


def _without_vague(lists: list[list[str]]) -> list[list[str]]:
    """ "High notes, above F4": the pitch that is told is how high is meant."""
    told = {m for listed in lists for m in _MEASURES if len(listed) == 1 and m in listed[0]}
    return [one for one in lists if len(one) == 1 or not any(m in one[0] for m in told)]


def _alone(kind: str) -> tuple[str, str]:
    """The one note of the song that a kind means, as a kind and a scope."""
    if kind in _OF_SONG:
        return f"song-{kind}", ""
    return kind, _ALONE.get(kind, "")
