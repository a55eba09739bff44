"""Spoken sentences that exchange: a phrase's end for that of another, two degrees, two notes."""

from __future__ import annotations

import re

from retune.rules.spoken.heard import MissingError, NoRuleError, is_names, pitch_text
from retune.rules.spoken.pitches import degrees_of, names_of
from retune.rules.spoken.whats import WhatReader

Readings = tuple[tuple[str, ...], ...]
"""Each reading is the rules, in canonical words, that a sentence then is."""
TIMED = ("hold", "shorten", "delay", "bring", "suspend")
_ROWS = (
    ("phrase-opening", "phrase-second", "phrase-third", "phrase-fourth"),
    ("phrase-antepenultimate", "phrase-penultimate", "phrase-ending"),
)
_ENDING = "move phrase-ending note to ending of phrase"


class ExchangeReader(WhatReader):
    """Reads what takes pitches from other notes of the song."""

    # a phrase's end for that of another

    def single_phrases(self) -> list[str]:
        """The single phrases that are named, in order."""
        scopes = [part.value[0] for part in self.heard.of("phrases") if len(part.value) == 1]
        found = [scope.split(" ", 2)[-1] for scope in scopes if scope.startswith("in phrase")]
        return [one for listed in found for one in listed.split(", ")]

    def copy(self) -> Readings:
        """ "copy the ending of phrase 1 to phrase 3", "phrase 3 ends like phrase 1", and the swap
        of two endings."""
        heard, phrases = self.heard, self.single_phrases()
        endings = [p for p in heard.of("position") if p.value[0] == "phrase-ending"]
        is_ending = bool(endings) or heard.has("end")
        is_swap = heard.has("swap")
        if heard.has("target", "interval", "keep", "degrees", "names", *TIMED):
            raise NoRuleError
        if heard.has("begin") and is_ending and len(phrases) == 2 and not is_swap:
            goal, source = phrases  # "begin phrase 2 like the end of phrase 1"
            return ((f"move phrase-opening note to ending of phrase {source} in phrase {goal}",),)
        beside = self._like_its_neighbour() or self._beside()
        if beside:
            return beside
        if len(phrases) < 2 or not is_ending:
            return self._copy_to_all(phrases, is_ending)
        is_plain = all(one.isdigit() or one == "last" for one in phrases)
        if (is_swap and len(phrases) > 2) or heard.has("scope") or not is_plain:
            raise NoRuleError
        source, *goals = phrases if heard.has("copy", "swap") else [phrases[-1], *phrases[:-1]]
        pairs = [(source, goal) for goal in goals]
        pairs += [(goals[0], source)] if is_swap else []
        return (tuple(f"{_ENDING} {a} in phrase {b}" for a, b in pairs),)

    def _like_its_neighbour(self) -> Readings:
        """ "The note after the highest like the highest": the pitch of the note beside it."""
        scopes = [one for part in self.heard.of("scope") for one in part.value]
        sides = [one for one in scopes if re.match(r"(?:after|before) (?!a )", one)]
        kinds = {f"{part.value[0]} note" for part in self.heard.of("position")}
        if len(sides) != 1 or not kinds <= {sides[0].split(" ", 1)[1]}:
            return ()
        side = "before" if sides[0].startswith("after") else "after"
        return tuple((f"move every note to note {side} {place}",) for place in self.scopes())

    def _beside(self) -> Readings:
        """ "The second note like the first": of one phrase a note takes the pitch beside it; any
        other is to be named."""
        kinds = list(dict.fromkeys(p.value[0] for p in self.heard.of("position")))
        words = self.words()
        if len(kinds) == 2 and len(self.single_phrases()) < 2 and not words:
            for row in _ROWS:
                if set(kinds) <= set(row) and abs(row.index(kinds[0]) - row.index(kinds[1])) == 1:
                    side = "before" if row.index(kinds[1]) < row.index(kinds[0]) else "after"
                    rule = f"move {kinds[0]} note to note {side}"
                    lone = "in phrase 1" if row is _ROWS[0] else "in phrase last"
                    return tuple((f"{rule} {place}".strip(),) for place in self._each_or_one(lone))
        if words or any(kind != "phrase-ending" for kind in kinds):
            what = f"{kinds[0] if kinds else 'every'} note"
            place = (
                words[0] if words else " ".join(f"in phrase {n}" for n in self.single_phrases()[:1])
            )
            raise MissingError(
                "a note takes the pitch of the one before it or after it, or of the end of a "
                "phrase; any other is told by its name or degree",
                [f"move {what} to {to} {place}".strip() for to in ("degree 5", "F4")],
                is_firm=True,
            )
        return ()

    def same_ends(self) -> Readings:
        """ "Make the endings of phrases 1 and 2 identical": each of them may be the model."""
        listed = [one for phrase in self.single_phrases() for one in phrase.split(", ")]
        others = ("target", "interval", "keep", "degrees", "names", "scope", *TIMED)
        if not 2 <= len(listed) <= 4 or self.heard.has(*others):
            raise NoRuleError
        return tuple(
            tuple(f"{_ENDING} {model} in phrase {goal}" for goal in listed if goal != model)
            for model in listed
        )

    def _copy_to_all(self, phrases: list[str], is_ending: bool) -> Readings:
        """Every ending like that of one phrase. Of another phrase a rule takes one pitch, that of
        its ending: what is not said, or is more, is asked back."""
        heard = self.heard
        is_every = any(part.value == [""] for part in heard.of("phrases"))
        scopes = [one for part in heard.of("scope") for one in part.value]
        is_spared = all(one.startswith("except in phrase") for one in scopes)
        if len(phrases) == 1 and is_ending and is_every and is_spared:
            return ((" ".join((_ENDING, phrases[0], *scopes)),),)
        if len(phrases) > 1:
            source, goal = phrases[:2] if heard.has("copy", "swap") else phrases[1::-1]
            raise MissingError(
                "a rule takes from another phrase its ending, not the whole line",
                [
                    f"{_ENDING} {source} in phrase {goal}",
                    f"move note at 9:1 to F4 in phrase {goal}",
                ],
            )
        self._ask_of_sections(is_ending)
        like = heard.of("like")
        named = [p.first for p in heard.of("phrases") if p.value[0].startswith("in phrase")]
        if heard.has("stem") and not phrases:
            raise MissingError(
                "a rule takes no pitch from another stem, but its chord's root",
                [
                    f"move phrase-ending note to chord root{place}"
                    for place in ("", " in phrase last")
                ],
            )
        if is_ending and phrases and like and named[0] > like[0].first:
            shown = [f"{_ENDING} {phrases[0]} in phrase last", f"{_ENDING} {phrases[0]}"]
            raise MissingError("which phrase is to end so?", shown)
        if is_ending:
            goal = phrases[0] if phrases else "last"
            raise MissingError(
                "like the ending of which phrase?", [f"{_ENDING} 1 in phrase {goal}"]
            )
        raise NoRuleError

    def _ask_of_sections(self, is_ending: bool) -> None:
        """ "Verse 2 like verse 1": which of its phrases answer which is not for a rule to guess."""
        placed = [scope for part in self.heard.of("scope") for scope in part.value]
        sections = [scope for scope in placed if scope.startswith("in section")]
        if len(sections) > 1 or (sections and not is_ending):
            raise MissingError(
                "a rule takes from another phrase its ending, not a whole section: write a rule "
                "for each phrase",
                [f"{_ENDING} 1 in phrase 5", f"{_ENDING} 2 in phrase 6"],
                is_firm=True,
            )

    # two rules at once

    def swap_neighbours(self) -> Readings:
        """The last two notes of a phrase, or the first two, trade pitches."""
        heard = self.heard
        if heard.has("target", "interval", "keep", "degrees", "names", *TIMED):
            raise NoRuleError
        if heard.has("firsts") and heard.of("firsts")[0].value != 2:
            raise NoRuleError
        first, second = ("opening", "second") if heard.has("firsts") else ("penultimate", "ending")
        places = self._each_or_one("in phrase 1" if heard.has("firsts") else "in phrase last")
        return tuple(
            (
                f"move phrase-{first} note to note after {place}".strip(),
                f"move phrase-{second} note to note before {place}".strip(),
            )
            for place in places
        )

    def _each_or_one(self, lone: str) -> list[str]:
        """Where: as it is said; else in every phrase, or in the one at that end of the song."""
        places = self.scopes()
        return places if self.heard.has("phrases") else [*places, f"{places[0]} {lone}".strip()]

    def swap(self) -> Readings:
        heard = self.heard
        if len(self.words()) == 2:
            shown = [f"move every note to degree 1 {word}" for word in self.words()]
            raise MissingError("a rule names the pitch that a word goes to: which?", shown)
        if not heard.has("degrees", "names", "target"):
            shown = ["swap degrees 1 and 2", "swap the endings of phrases 1 and 2"]
            raise MissingError("which two?", shown)
        pitches = [p for p in heard.parts if p.kind in ("degrees", "names", "target")]
        one_way = [p for p in pitches if p.kind == "target" and p.value[0] == "for"]
        kinds = self._swap_kind()
        scopes = self.scopes()
        if any(is_names(p) for p in pitches):
            both = [n for p in pitches for n in names_of(pitch_text(p))]
            pairs = [(f"note {a}", b) for a, b in _turns(both)]
        else:
            both = [m[0] for p in pitches for m in degrees_of(pitch_text(p))]
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
        raise NoRuleError
    return [(both[0], both[1]), (both[1], both[0])]
