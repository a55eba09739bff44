"""What a spoken sentence may mean: its parts put together as rules write them."""

from __future__ import annotations

import itertools
import re

from retune.rules.spoken.asking import (
    VAGUE,
    amount_of,
    ask_beats,
    ask_length,
    ask_which_end,
    ask_which_note,
    ask_which_phrases,
)
from retune.rules.spoken.covers import Cover
from retune.rules.spoken.exchanges import TIMED, ExchangeReader, Readings
from retune.rules.spoken.heard import (
    NOTHING,
    About,
    Heard,
    MissingError,
    NoRuleError,
    Question,
    is_names,
    pitch_text,
)
from retune.rules.spoken.lengths import STOPS, timed_verbs
from retune.rules.spoken.parts import Part
from retune.rules.spoken.pitches import degrees_of, interval_of, names_of, targets_of
from retune.rules.spoken.wording import another, own, targets_member, way_back, with_side


def meanings(cover: Cover, before: About = NOTHING) -> Readings | Question | None:
    """The readings of a cover; a question where something is missing; None where the parts make
    no rule. `before` is what the clause before this one was about ("it", "them")."""
    heard = Heard(cover.parts)
    try:
        return Assembly(heard, before).readings()
    except MissingError as missing:
        return missing.question
    except NoRuleError:
        return None


_REACHED = (
    r" ?after a \w+(?: up| down)?(?: of (?:a \w+|[\d.]+ (?:scale )?\w+)(?: or (?:more|less))?)?"
)
_OFF_CHORD = "where it is not a chord tone"
_WAYS = ("up", "down")
ONE_PLACE = "a rule moves notes to one place: write one for each"
ONE_EACH = ("move phrase-penultimate note to degree 2", "move phrase-ending note to degree 1")


class Assembly(ExchangeReader):
    """Puts the parts of one cover together."""

    def readings(self) -> Readings:
        heard = self.heard
        if heard.has(*VAGUE) and not heard.has(*TIMED):
            raise NoRuleError
        if heard.has("swap") and (heard.has("lasts") or heard.has("firsts")):
            return self.swap_neighbours()
        if heard.has("copy", "like") or (heard.has("swap") and len(self.single_phrases()) == 2):
            return self.copy()
        if heard.has("swap"):
            return self.swap()
        if heard.has("alike"):
            return self.same_ends()
        self.sort_pitches()
        try:
            whats = self.whats()
        except MissingError as missing:
            raise missing.at(self.scopes()[0]) from None
        scopes = self.scopes()  # after what is moved: "it" is where it was
        self._ask_which()
        try:
            verbs = self._verbs()
        except MissingError as missing:
            raise missing.at(" ".join(filter(None, [scopes[0], *self._words_left()]))) from None
        spared = tuple(f"keep {part.value}" for part in heard.of("spared"))
        if spared and heard.has("keep"):
            raise NoRuleError
        found = []
        for what_set, scope, verb in itertools.product(whats, scopes, verbs):
            found.append(
                tuple(
                    " ".join(filter(None, (verb[0], what, verb[1], more, scope)))
                    for what, more in what_set
                )
                + tuple(f"{own(rule, what_set[0][0])} {scope}".strip() for rule in spared)
            )
        return tuple(dict.fromkeys(found))

    def _ask_which(self) -> None:
        """Asks which notes or phrases are meant, where the words may mean several kinds."""
        heard = self.heard
        to = self.target_words()[0] if self.target is not None else "degree 1"
        if heard.has("note_number"):
            ask_which_note(heard, to)
        if heard.has("middle"):
            shown = [f"shift every note up 1 scale step in phrases {n}" for n in ("2-3", "3-4")]
            raise MissingError("which phrases, by number?", shown, is_firm=True)
        if heard.has("compared"):
            ask_which_phrases(heard)
        if heard.has("section_end"):
            ask_which_end(heard, self._deeds())

    def _deeds(self) -> list[str]:
        """What is done to an ending, which stands as "{}"."""
        end = self.heard.of("section_end")[0]
        named = Part("position", ("phrase-ending", True, False), end.first, end.last)
        self.heard.kinds["position"] = [named]
        try:
            return [f"{verb} {{}} {to}".strip() for verb, to in self._verbs()]
        except MissingError as missing:
            lines = missing.question.examples
            return [line.replace("phrase-ending note", "{}") for line in lines if "{" not in line]

    # pitches: which are what is moved, which is where to

    def sort_pitches(self) -> None:
        heard = self.heard
        targets = heard.of("target")
        firm = [part for part in targets if part.value[0] == "firm"]
        loose = [part for part in targets if part.value[0] in ("loose", "for")]
        if self.before.way and any(p.value[1][0].startswith("by ") for p in loose):
            raise NoRuleError  # "raise phrase 1 by two steps, phrase 2 by one"
        bare = [p for p in heard.parts if p.kind in ("degrees", "names", "member", "last_degree")]
        self.sources = [*bare, *(p for p in targets if p.value[0] == "not")]
        moves = not heard.has("interval", "length", "until", "keep", *TIMED)
        if len(firm) > 1:
            raise NoRuleError
        if len(bare) > 2 and moves and not heard.has("sharp", "up", "down"):
            raise MissingError(ONE_PLACE, ONE_EACH, is_firm=True)
        if firm:
            self.target = firm[0]
            self.sources = [*bare, *loose] or self.sources
        elif heard.has("inverse") and len(bare) == 1:
            self.target = bare[0]
            self.sources = [part for part in targets if part.value[0] in ("for", "not")]
        elif moves and len(bare) == 1 and [t.value[0] for t in targets] == ["not"]:
            self.target = bare[0]
            self.sources = targets
        elif moves and [p.kind for p in bare] == ["member"] and not loose and not targets:
            self.target = bare[0]  # a member of its chord is where a note goes, not which it is
            self.sources = []
        elif moves and loose:
            self.target = loose[-1]
            self.sources = [*bare, *loose[:-1]] or self.sources
        elif (
            moves
            and bare
            and not heard.has("up", "down", "sharp", "resolve")
            and (len(bare) > 1 or heard.has("position", "end", "begin", "at") or self._on_word())
            and bare[-1].kind != "last_degree"
        ):
            self.target = bare[-1]
            self.sources.remove(bare[-1])
        elif moves and self.before.what and len(bare) == 1 and not heard.has("up", "down", "sharp"):
            self.target = bare[0]  # "and make it the tonic"
            self.sources = []
        else:
            self.sources += loose
        if len(self.sources) > 1 and len(heard.of("end")) > 1:  # two clauses
            raise NoRuleError
        if self.target is not None and not moves and not heard.has("interval"):
            raise NoRuleError
        if self.target is not None and heard.has("interval"):
            raise NoRuleError
        self._ask_of_a_row(bare)

    def _ask_of_a_row(self, bare: list[Part]) -> None:
        """ "End as 3 2 1": one note cannot go to several places."""
        ends = {part.last for part in self.heard.of("target")}
        if self.target is not None and any(part.first in ends for part in bare):
            raise MissingError(ONE_PLACE, ONE_EACH, is_firm=True)

    def _on_word(self) -> bool:
        return any("on word" in part.value[0] for part in self.heard.of("scope"))

    def target_words(self) -> list[str]:
        part = self.target
        assert part is not None
        if part.kind == "target":
            words = targets_of(part.value[1])
        elif part.kind == "degrees":
            lists = degrees_of(part.value[0])
            if len(lists) != 1:
                raise NoRuleError
            words = [m if m.startswith("chord") else f"degree {m}" for m in lists[0]]
        elif part.kind == "names":
            words = names_of(part.value[0])
        else:
            words = [targets_member(part.value[0])]
            words = ["degree 1", *words] if part.value[0] == "root" else words
        if not words:
            raise NoRuleError
        side = self._side()
        return [with_side(word, side) for word in words]

    def _side(self) -> str:
        up, down = self.heard.has("up"), self.heard.has("down")
        if up and down:
            raise NoRuleError
        return " above" if up else " below" if down else ""

    # verbs: (before what, after what)

    def _verbs(self) -> list[tuple[str, str]]:
        heard = self.heard
        what = self._any_what()
        timed = [kind for kind in TIMED if heard.has(kind)]
        if heard.has("keep"):
            ends = any(part.value in STOPS for part in heard.of("end")) and self.sources
            if self.target or heard.has("interval", "up", "down") or timed or ends:
                raise NoRuleError
            return [("keep", "")]
        if heard.has("times"):
            ask_length(heard, what)
        if timed and heard.has(*VAGUE):
            ask_beats(heard, timed[0], what)
        if timed or heard.has("in_all"):
            return self._timed(timed)
        if heard.has("until") and not heard.has("interval", "up", "down") and not self.target:
            to = heard.of("until")[0].value
            shown = [f"delay {what} to {to}", f"bring {what} to {to}"]
            raise MissingError("is that later, or earlier?", shown)
        if heard.has("length", "until"):
            raise NoRuleError
        if self.target is not None and heard.has("sharp"):
            raise NoRuleError
        if self.target is not None:
            return [("move", f"to {words}") for words in self.target_words()]
        if heard.has("interval") or heard.has("sharp"):
            return self._shift()
        if heard.has("up", "down"):
            way = "up" if heard.has("up") else "down"
            if heard.has("little"):
                self._ask_little(what, way)
            number = pitch_text(self.sources[0]) if len(self.sources) == 1 else ""
            if number.isdigit() and heard.has("melody", "position", "stem", "notes"):
                self.sources = []
                what, _ = self.whats()[0][0]
                sizes = [f"{number} {unit}{'' if number == '1' else 's'}"
                         for unit in ("semitone", "scale step")]  # fmt: skip
                raise MissingError(f"{number} of what?", [f"shift {what} {way} {n}" for n in sizes])
            raise MissingError(
                f"how far {way}?",
                [f"shift {what} {way} 1 scale step", f"shift {what} {way} 2 semitones"],
                heard.of(way)[0],
            )
        if heard.has("hang"):
            open_on = [f"move {what} to degree {degree}" for degree in ("2", "5")]
            raise MissingError("on which degree? 2 and 7 are left open, 5 a little", open_on)
        if heard.has("resolve") and heard.has("role"):
            return [("move", "to its resolution")]
        if not heard.parts:
            raise NoRuleError
        if heard.has("manner"):
            raise MissingError(
                "that goes with a note that moves: where to, or how far?",
                [f"move {what} to degree 1", f"shift {what} up 1 scale step"],
                heard.of("manner")[0],
            )
        scopes = [scope for part in heard.of("scope") for scope in part.value]
        if any(re.match(r"\w+ than note ", scope) for scope in scopes):
            raise NoRuleError  # a comparison that is wished for, not one that tells which
        if any(scope.startswith("after a") for scope in scopes) and not heard.has("notes"):
            raise MissingError(
                "to be reached so, it is the note before that moves: where to?",
                [f"move phrase-penultimate note to degree {degree}" for degree in ("2", "7")],
                instead_of=_REACHED,
            )
        if any(scope == _OFF_CHORD for scope in scopes) and self._lands():
            shown = [f"shift {what} {way} 1 scale step where it is a chord tone" for way in _WAYS]
            raise MissingError(
                "to clash with its chord a note goes a step off it: up or down?",
                shown,
                instead_of=rf" ?{_OFF_CHORD}",
            )
        if any(scope.startswith("on beat") for scope in scopes) and self._lands():
            raise MissingError(
                "a note is moved in time by beats: how many?",
                [f"delay {what} by 1 beat", f"bring {what} 1 beat earlier"],
                instead_of=r" ?on beats? \S+",
            )
        is_placed = any(scope.startswith(("over", "in bar")) for scope in scopes)
        if is_placed and len(self.sources) == 1 and not is_names(self.sources[0]):
            members = [m for listed in degrees_of(pitch_text(self.sources[0])) for m in listed]
            goals = [m if m.startswith("chord") else f"degree {m}" for m in members]
            raise MissingError(
                "which notes, or where to?",
                [
                    *(f"move every note to {goal}" for goal in goals),
                    f"move {what} to {another(what)}",
                ],
            )
        raise MissingError(
            "where to, or how far?",
            [f"move {what} to {another(what)}", f"shift {what} {way_back(scopes)} 1 scale step"],
        )

    def _words_left(self) -> list[str]:
        """The first of several words, which are no scope of one rule, for an example."""
        return self.words()[:1] if len(self.words()) > 1 else []

    def _lands(self) -> bool:
        """Whether "on beat 1" says when notes come, not which: "put the endings on beat 1"."""
        return self.heard.has("begin", "end", "position") and not self.heard.has(
            "target", "interval"
        )

    def _any_what(self) -> str:
        """What is moved, for an example; of two readings the first. Asks where there is none."""
        whats = self.whats()
        what, _ = whats[0][0]
        heard = self.heard
        if what:
            return what
        notes = ("phrase-ending note", "every note")
        timed = [kind for kind in TIMED if heard.has(kind)]
        if timed:
            how = "" if timed[0] == "suspend" else amount_of(timed[0], "1 beat")
            raise MissingError("which notes?", [f"{timed[0]} {n} {how}".strip() for n in notes])
        if heard.has("interval") and heard.has("up", "down"):
            way = "up" if heard.has("up") else "down"
            size = interval_of(heard.of("interval")[0].value) or "1 scale step"
            raise MissingError("which notes?", [f"shift {note} {way} {size}" for note in notes])
        words = self.target_words()[0] if self.target is not None else "degree 1"
        targets = heard.of("target")
        if any(part.value[1][0].startswith("in n:") for part in targets):  # "the chorus in Db"
            shown = ["shift every note up 2 semitones", "shift every note down 2 semitones"]
            raise MissingError("a key is reached by an interval: how far?", shown)
        raise MissingError(
            "which notes?",
            [f"move {note} to {words}" for note in ("phrase-ending note", "every degree 2")],
        )

    def _shift(self) -> list[tuple[str, str]]:
        heard = self.heard
        if len(heard.of("interval")) > 1:
            raise NoRuleError
        if heard.has("little") and not heard.has("interval"):
            self._ask_little(self._any_what(), heard.of("sharp")[0].value)
        size = interval_of(heard.of("interval")[0].value) if heard.has("interval") else "1 semitone"
        if not size:
            raise NoRuleError
        ways = {p.value for p in (*heard.of("up"), *heard.of("down"), *heard.of("sharp"))}
        if len(ways) > 1:
            raise NoRuleError
        if not ways and self.before.way:  # "phrase 2 up a step and phrase 4 by a third"
            ways = {self.before.way}
        if not ways:
            what = self._any_what()
            raise MissingError(
                "up or down?",
                [f"shift {what} up {size}", f"shift {what} down {size}"],
                heard.of("interval")[0],
            )
        return [("shift", f"{ways.pop()} {size}")]

    def _ask_little(self, what: str, way: str) -> None:
        sizes = ("20 cents", "1 semitone", "1 scale step")
        shown = [f"shift {what} {way} {size}" for size in sizes]
        raise MissingError(f"how far {way}?", shown, self.heard.of("little")[0])

    def _timed(self, timed: list[str]) -> list[tuple[str, str]]:
        if self.target is not None or self.heard.has("interval", "up", "down"):
            raise NoRuleError
        return timed_verbs(self.heard, timed, self._any_what())
