"""What is said of a sentence that is not understood: which word, what to do about a wish that no
rule fulfils, and what was understood, with offers for what is missing."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from retune.carriers.errors import RuleError
from retune.carriers.text import cut_short
from retune.rules.clauses import first_meaning
from retune.rules.model import Rule, line_of, lines_in
from retune.rules.parse import read_strictly
from retune.rules.refusing import (
    beside,
    forbidden,
    is_known,
    is_of_people,
    tells_more,
    with_readings,
)
from retune.rules.spoken.accounts import contradicts, unaccounted
from retune.rules.spoken.covers import Cover, covers
from retune.rules.spoken.gist import Gist, gist_of
from retune.rules.spoken.heard import NOTHING, Question
from retune.rules.spoken.sentence import Sentence
from retune.rules.spoken.tokens import nearest_spoken, typed_of
from retune.rules.spoken.wishes import Wish, firm_wish_in, no_stem, wish_in
from retune.rules.words import VERBS

Read = Callable[[str], tuple[Rule, ...] | RuleError]
"""Reads a sentence, or tells what to say of it."""
MOST_OFFERED = 4
MOST_NAMED = 40
"""Letters of what is said not to be understood: more of a sentence names nothing."""
_TURNS = frozenset(
    ("otherwise", "unless", "else", "where", "when", "whenever", "wherever", "if", "until", "than",
     "over", "only", "before", "after", "between", "instead")
)  # fmt: skip
"""Words that turn the sense of what follows: without them a sentence says something else."""


def is_read(line: str, read: Read) -> bool:
    """Whether every sentence of a line reads."""
    return not any(isinstance(read(text), RuleError) for text in lines_in(line))


@dataclass(frozen=True)
class _Unread:
    """A sentence with the words of it that nothing reads."""

    sentence: Sentence
    stems: tuple[str, ...]
    read: Read
    unknown: tuple[int, ...]
    gist: Gist
    is_untold: bool = False
    """Whether the words were understood, but are in no reading of the whole."""

    def is_valid(self, line: str) -> bool:
        return is_read(line, self.read)

    def placed(self, line: str, *, says: str) -> str:
        """An example at the place that the sentence names, unless it has one of its own; a
        cadence that is wished for, and where a phrase begins, are no place."""
        way = self.gist.does[0].split()[2] if self.gist.is_one_way else ""
        line = re.sub(r" (?:up|down) (?=\d)", f" {way} ", line) if way else line
        line = line.replace("{what}", self.gist.what or "phrase-ending note")
        where = self.gist.where
        if "cadence" in says:
            where = re.sub(r" ?at [\w ]+ cadences", "", where).strip()
        if "where it is" in line:
            where = re.sub(r" ?where it is (?:not )?a chord tone", "", where).strip()
        if where == "in phrase 1" and "phrase-opening" in self.gist.what:
            where = ""
        is_free = where and not re.search(r" (?:in|at|over|on|from|after) ", line)
        there = f"{line} {where}"
        return there if is_free and self._is_in_rule_words(there) else line

    def _is_in_rule_words(self, line: str) -> bool:
        """Read as no sentence of a person: its complaint would place examples again, endlessly."""
        try:
            return bool([read_strictly(text, stems=self.stems) for text in lines_in(line)])
        except RuleError:
            return False

    def best(self, offers: Iterable[str]) -> tuple[str, ...]:
        """Of what may be offered, what leaves out the fewest words that were said; never what a
        word forbids."""
        valid = [
            line
            for line in dict.fromkeys(offers)
            if self.is_valid(line) and not contradicts(self.sentence, line)
        ]
        left = [len(unaccounted(self.sentence, line)) for line in valid]
        fewest = min(left, default=0)
        kept = [line for line, n in zip(valid, left, strict=True) if n == fewest]
        return tuple(kept[:MOST_OFFERED])


def not_understood(
    sentence: Sentence,
    stems: tuple[str, ...],
    strict: RuleError,
    read: Read,
    untold: tuple[int, ...] = (),
) -> RuleError:
    """The grammar's own complaint where the sentence began as its sentences do; else the word
    that was not understood, what to do about a wish, and what is still to be said. `untold` are
    words that were understood by themselves, but that no reading of the whole has in it."""
    cover = next(iter(covers(sentence, stems)), Cover())
    gist = gist_of(cover)
    if _turns(sentence, cover.unknown):  # "after the chorus" is not in it
        gist = replace(gist, where="")
    unread = _Unread(sentence, stems, read, untold or cover.unknown, gist, bool(untold))
    is_typo = strict.nearest and sentence.tokens[0].raw.upper() in VERBS
    nearest, is_whole = _nearest(unread)
    wish = firm_wish_in(sentence)
    if wish is None and not is_typo:
        wish = wish_in(sentence, unread.unknown if is_whole else ())
    if wish is None and not untold and tells_more(strict, sentence, unread.unknown):
        return with_readings(strict, nearest) if unread.unknown else strict
    if wish is not None:
        return _wished(unread, wish, unread.best(nearest if is_whole and not untold else ()))
    slip = None if untold else _slip(unread, nearest)
    forbids = None if slip else forbidden(sentence, unread.unknown, nearest, unread.gist)
    if forbids is not None:
        return forbids
    return _asked(unread, slip, nearest if is_whole else (), strict)


def _wished(unread: _Unread, wish: Wish, nearest: tuple[str, ...]) -> RuleError:
    sentence = unread.sentence
    examples = tuple(unread.placed(line, says=wish.says) for line in wish.examples)
    column, length = sentence.columns(wish.first, wish.last + 1)
    return RuleError(
        wish.says,
        text=sentence.typed,
        column=column,
        length=length,
        readings=tuple(dict.fromkeys(beside(nearest, wish, examples, sentence, unread.unknown))),
    )


def _asked(
    unread: _Unread,
    slip: tuple[str, tuple[str, ...]] | None,
    nearest: tuple[str, ...],
    strict: RuleError,
) -> RuleError:
    """Names what was not understood, says back what was, and asks for what is missing."""
    sentence, unknown, gist = unread.sentence, unread.unknown, unread.gist
    if not unknown and sentence.tokens[0].raw.upper() in VERBS and not is_of_people(strict):
        return strict
    offers = [*nearest, *gist.offers()] if len(unknown) > 2 or not nearest else list(nearest)
    readings = (slip[1] if slip else ()) or unread.best(offers) or unread.best(gist.offers())
    left = unaccounted(sentence, readings[0]) if readings else ()
    first, last = _blamed(unread)
    if not unknown and left:
        first, last = left[0].first, left[0].last
    column, length = sentence.columns(first, last)
    word = cut_short(typed_of(sentence.tokens[first:last]))
    told = no_stem(word, unread.stems)
    asks = gist.question
    if nearest or len(readings) == 1:
        asks = ("is this meant?" if len(readings) == 1 else "is one of these meant?") * (not told)
    is_untold = unread.is_untold or not unknown
    is_not = "is in none of what was understood" if is_untold else "was not understood"
    is_named = bool(left) if is_untold else bool(unknown)
    problem = f'"{word}" {is_not}{told}' if is_named and length < MOST_NAMED else ""
    return RuleError(
        "; ".join(filter(None, (problem, asks))),
        text=sentence.typed,
        column=column,
        length=length,
        nearest=slip[0] if slip else "",
        readings=readings,
    )


def _blamed(unread: _Unread) -> tuple[int, int]:
    """The words to mark, from the first up to the last (excluded): a strange one before others."""
    strange = [n for n in unread.unknown if not is_known(unread.sentence.tokens[n])]
    first = (strange or list(unread.unknown) or [0])[0]
    last = first + 1
    while last in unread.unknown and (unread.is_untold or last in strange):
        last += 1
    return first, last


def _slip(unread: _Unread, nearest: tuple[str, ...]) -> tuple[str, tuple[str, ...]] | None:
    """The known word nearest to the first unknown one, where all may be slips of the hand, and
    how the sentence then reads."""
    sentence, unknown = unread.sentence, unread.unknown
    places = [place for place in unknown if not is_known(sentence.tokens[place])]
    meant = {place: nearest_spoken(sentence.tokens[place].raw) for place in places}
    if not meant or len(meant) > 3 or not all(meant.values()):
        return None
    typed = sentence.typed
    for place in reversed(places):
        token = sentence.tokens[place]
        typed = typed[: token.start] + meant[place] + typed[token.stop :]
    rules = unread.read(typed)
    if not isinstance(rules, RuleError):
        return meant[places[0]], (line_of(rules),)
    return (meant[places[0]], nearest or rules.readings) if len(places) == len(unknown) else None


def _nearest(unread: _Unread) -> tuple[tuple[str, ...], bool]:
    """The nearest sentences that read, without the words that were not understood; and whether
    they are what is left of it, not examples of what might be asked."""
    sentence, stems = unread.sentence, unread.stems
    most = max(3, len(sentence.tokens) // 4)
    found = covers(sentence, stems)
    fewest = min((len(cover.unknown) for cover in found), default=0)
    most = min(most, fewest or most)
    found = [cover for cover in found if len(cover.unknown) <= most]
    if found and _turns(sentence, found[0].unknown):
        return (), False
    rules = first_meaning(found, stems, NOTHING)
    if isinstance(rules, Question):
        return tuple(filter(unread.is_valid, rules.examples)), False
    return tuple(map(line_of, rules[:3])), bool(rules)


def _turns(sentence: Sentence, unknown: tuple[int, ...]) -> bool:
    """Whether a word that turns the sense of others is among those that nothing reads."""
    words = [sentence.tokens[place] for place in unknown]
    return any(_TURNS & {token.text, token.raw.lower()} for token in words)
