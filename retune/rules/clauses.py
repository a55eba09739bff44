"""The rule sets that a spoken sentence may be, its clauses read one by one where it has several."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from dataclasses import replace

from retune.carriers.errors import RuleError
from retune.rules.model import Rule, Selector, line_of
from retune.rules.parse import read_strictly
from retune.rules.scopes import Except, In, InHalf, InSection, Scope
from retune.rules.spoken.covers import NEGATIONS, VERBS, Cover, covers
from retune.rules.spoken.exchanges import Readings
from retune.rules.spoken.heard import NOTHING, About, Question
from retune.rules.spoken.readings import meanings
from retune.rules.spoken.sentence import Sentence
from retune.rules.spoken.tokens import is_spoken

_SPLITS = frozenset((",", "and", "then", ";", "except"))
_IMPERATIVE = VERBS | frozenset(
    [
        "move",
        "change",
        "make",
        "let",
        "transpose",
        "shift",
        "set",
        "put",
        "bring",
        "take",
        "turn",
        "replace",
        "leave",
        "raise",
        "have",
        "do",
        "go",
        "sing",
        "play",
        "nudge",
        "push",
        "pull",
    ]
)

_PRONOUNS = frozenset(("its", "their", "there", "it", "them", "that", "this"))
_WHY = frozenset(
    ("so", "because", "since", "giving", "making", "creating", "producing", "yielding",
     "resulting", "forming")
)  # fmt: skip
_GOALS = frozenset(("to", "into", "->"))
MAX_READINGS = 4
RuleSets = list[tuple[Rule, ...]]


def read(
    sentence: Sentence, stems: tuple[str, ...], before: About = NOTHING
) -> RuleSets | Question:
    """The readings of a sentence that is understood to its last word; else what it lacks."""
    whole = [cover for cover in covers(sentence, stems) if not cover.unknown]
    return first_meaning(whole, stems, before)


def first_meaning(found: list[Cover], stems: tuple[str, ...], before: About) -> RuleSets | Question:
    """The readings of the cheapest cover that has any, with those of covers as cheap."""
    question: Question | None = None
    rules: RuleSets = []
    cost = 0.0
    for cover in found:
        if rules and cover.cost > cost + 1e-9:
            break
        meant = meanings(cover, before)
        if isinstance(meant, Question):
            question = question or meant
            if meant.is_firm:
                break
        elif meant:
            rules += _valid(meant, stems)
            cost = cover.cost
    rules = list(dict.fromkeys(rules))
    return rules or (question if question is not None else [])


_NO_DEGREE = re.compile(r"degree (?:b1|#1|b4|#3|#7)\b")
"""Degrees that nobody means: "the lower tonic" is a tonic."""


def _valid(meant: Readings, stems: tuple[str, ...]) -> Iterator[tuple[Rule, ...]]:
    """Each reading as rules, where the grammar reads it."""
    for reading in meant:
        try:
            rules = tuple(read_strictly(text, stems=stems) for text in reading)
        except RuleError:
            continue
        if not any(_is_idle(rule) for rule in rules) and not _NO_DEGREE.search(" ".join(reading)):
            yield rules


def _is_idle(rule: Rule) -> bool:
    """Whether notes would go where they are, or none is left: nobody means that."""
    if any(isinstance(scope, Except) and scope.scope in rule.scopes for scope in rule.scopes):
        return True
    what, to = rule.what, rule.target
    if not isinstance(what, Selector) or to is None or to.kind != "degree":
        return False
    return not to.direction and what.degrees == (to.value,)


def read_without_purpose(sentence: Sentence, stems: tuple[str, ...]) -> RuleSets | Question:
    """ "..., so that it sounds finished" says why, not what."""
    texts = [token.text for token in sentence.tokens]
    for place, text in enumerate(texts):
        two = texts[place : place + 2]
        is_why = text in _WHY or two in (["in", "order"], ["to", "make"], ["as", "a"])
        is_why = is_why or (text == "," and _says_nothing(sentence, place + 1, stems))
        if not is_why or place < 3 or texts[place - 1] in _GOALS | {"on"}:  # "to so"
            continue
        found = read(sentence.part(0, place), stems)
        if found:
            return found
    return []


def _says_nothing(sentence: Sentence, place: int, stems: tuple[str, ...]) -> bool:
    """Whether a sentence ends with a word or three that no rule has: "..., (modal mixture)"."""
    rest = [token for token in sentence.tokens[place:] if token.text != ","]
    known = {*NEGATIONS, *(stem.lower() for stem in stems)}
    return 0 < len(rest) <= 3 and all(
        token.text.isalpha()
        and token.text == token.raw.lower()
        and token.text not in known
        and not is_spoken(token.text)
        for token in rest
    )


def is_joined(sentence: Sentence) -> bool:
    """Whether a second clause says something more of what the first is about: "delay the endings
    and move them to 1", or is parted from it by more than a comma."""
    texts = [token.text for token in sentence.tokens]
    if ";" in texts:
        return True
    if "where" in texts or texts[:2] == ["every", "time"]:  # the first is a condition then
        return False
    for place in range(2, len(texts) - 2):
        if texts[place] in ("and", "then"):
            rest = _past_splits(texts, place)
            says = rest < len(texts) and texts[rest] in _IMPERATIVE
            if says and {"it", "them"} & set(texts[rest + 1 : rest + 3]):
                return True
    return False


def _past_splits(texts: list[str], place: int) -> int:
    rest = place + 1
    while rest < len(texts) and texts[rest] in _SPLITS | {"also"}:
        rest += 1
    return rest


def read_clauses(
    sentence: Sentence, stems: tuple[str, ...], before: About = NOTHING
) -> RuleSets | Question:
    """Two sentences joined: "raise the 3s a step and keep the last phrase"."""
    texts = [token.text for token in sentence.tokens]
    # What stands before the comma may be a condition, not a rule.
    splits = frozenset(";") if texts[0] == "where" else _SPLITS
    asked: Question | None = None
    for place in range(2, len(texts) - 1):
        if texts[place] not in splits:
            continue
        rest = _past_splits(texts, place)
        if _is_in_list(texts, place, rest):
            continue
        if texts[place] == "except" and not _GOES & set(texts[rest:]):
            continue
        is_else = "else" in texts[rest : rest + 3]
        if not (is_else or _begins_clause(sentence, place, rest, stems)):
            continue
        first = read(sentence.part(0, place), stems, before)
        if isinstance(first, Question) and (texts[place] == ";" or VERBS & set(texts[:place])):
            asked = asked or first
        if isinstance(first, Question) or not 0 < len(first) <= MAX_READINGS:
            continue
        if is_else:
            return _everything_else(first, sentence, rest, stems)
        found = _joined(first, sentence.part(rest, len(texts)), stems)
        if found:
            return found
    return asked or []


def _is_in_list(texts: list[str], place: int, rest: int) -> bool:
    """ "Phrases 1, 2 and 3": what parts numbers of a list parts no clauses."""
    listed = texts[place - 1 : place] + texts[rest : rest + 1]
    after = texts[rest + 1 : rest + 2]
    is_next = bool({*after} & (_IMPERATIVE | _GOALS | {"on", "should", "must"}))
    return len(listed) == 2 and all(map(str.isdigit, listed)) and not is_next


def _begins_clause(sentence: Sentence, place: int, rest: int, stems: tuple[str, ...]) -> bool:
    """Whether a clause begins behind a word that joins two: with a verb, with what is moved, or
    with where."""
    if rest >= len(sentence.tokens):
        return False
    token = sentence.tokens[rest]
    is_stem = token.raw.lower() in map(str.lower, stems)
    begins = token.text in _BEGINNINGS or token.text.startswith("q:")
    rests = {token.text for token in sentence.tokens[rest:]}
    is_size = token.text in ("a", "an", "half") or token.text[0].isdigit()
    goes = is_size and bool(rests & (VERBS - {"end", "begin"}))  # "... and two beats longer"
    # "End on 1 in phrases 2 and 4 and on 5 in phrases 1 and 3"
    goes = goes or (token.text in ("on", "to") and bool(rests & {"in", "at", "over", "for"}))
    # "Turn 3 into 2 and 2 into 1"
    goes = goes or bool(_GOALS & {t.text for t in sentence.tokens[rest + 1 : rest + 2]})
    is_comma = sentence.tokens[place].text in (",", ";")
    return is_comma or token.text in _IMPERATIVE or begins or is_stem or goes


_BEGINNINGS = frozenset(
    ("melody", "phrase", "phrases", "bar", "bars", "last", "in", "at", "over", "where", "ending",
     "endings", "penultimate", "highest", "lowest", "every", "antecedent", "antecedents",
     "consequent", "consequents", "question", "questions", "answer", "answers", "odd", "even")
)  # fmt: skip
_UNITS = ("phrase", "bar")
_GOES = _IMPERATIVE | {"on", "to", "should", "must", "which", "that"}
_NOUNS = frozenset(
    ("note", "notes", "phrase", "phrases", "bar", "bars", "beat", "beats", "half", "degree",
     "degrees", "1", "of", "chord", "step", "up", "down", "below", "above")
)  # fmt: skip


def _with_unit(first: Rule, rest: Sentence) -> Sentence:
    """ "Phrase 1 ends on 5, 2 ends on 1": the 2 is a phrase. "In the first verse ..., in the second
    ...": the second verse."""
    units = [unit for scope in first.scopes if (unit := _unit_of(scope))]
    texts = [token.text for token in rest.tokens]
    if not units or len(texts) < 2:
        return rest
    if "afterwards" in texts:
        return _beyond(first, rest, texts.index("afterwards"))
    for place, (before, text) in enumerate(itertools.pairwise(texts), start=1):
        after = texts[place + 1] if place + 1 < len(texts) else ","
        if before == "in" and text.isdigit() and after in (",", "and", ";") and units[-1] in _UNITS:
            return _inserted(rest, place, units[-1])
        if before in ("of", "in") and re.fullmatch(r"o:\d+", text) and after in (",", "and", ";"):
            return _inserted(rest, place + 1, units[-1])
        if re.fullmatch(r"o:\d+", text) and after == "end" and before not in ("in", "on"):
            return _inserted(rest, place + 1, units[-1])
    if re.match(r"(?:in )?(?:o:2|last|other) half(?! (?:of|a|step|beat)\b)", rest.text):
        return _in_same_phrases(first, rest)
    if texts[0].isdigit() and texts[1] == "end":
        return _inserted(rest, 0, units[-1])
    many = re.match(r"(?:\d+-\d+|\d+(?:(?: to| through| -| and| ,)+ \d+)+) (\S+)", rest.text)
    if many and many[1] in _IMPERATIVE:  # "phrases 1 to 3 stay, 4 to 6 go up a tone"
        return _inserted(rest, 0, f"{units[-1]}s")
    place = 1 if texts[0] in ("in", "at", "for", "of") else 0
    after = texts[place + 1] if place + 1 < len(texts) else ""
    is_alone = after not in _NOUNS and not re.match(r"o:|n:|verse|chorus", after)
    if re.fullmatch(r"o:\d+|last", texts[place]) and is_alone and (place or after == "end"):
        return _inserted(rest, place + 1, units[-1])
    return rest


def _in_same_phrases(first: Rule, rest: Sentence) -> Sentence:
    """ "The first half of the last phrase ..., the second half ...": of the same phrase."""
    halves = [scope for scope in first.scopes if isinstance(scope, InHalf)]
    placed = [str(scope) for scope in first.scopes if isinstance(scope, In)]
    if not (halves and placed):
        return rest
    there = rest.tokens[-1]
    words = [replace(there, text=word) for word in re.findall(r"[^ ,]+|,", placed[0])]
    return Sentence(rest.typed, (*rest.tokens, *words))


def _beyond(first: Rule, rest: Sentence, place: int) -> Sentence:
    """ "In bars 1-4 ..., afterwards ...": after the last of them."""
    placed = [scope for scope in first.scopes if isinstance(scope, In)]
    high = placed[-1].spans[-1].high if placed else "last"
    if not isinstance(high, int) or high < 1:
        return rest
    there = rest.tokens[place]
    words = [replace(there, text=word) for word in ("after", placed[-1].what, str(high))]
    return Sentence(rest.typed, (*rest.tokens[:place], *words, *rest.tokens[place + 1 :]))


def _unit_of(scope: Scope) -> str:
    """The word for places of this kind, "" where they have none."""
    inner = scope.scope if isinstance(scope, Except) else scope
    if isinstance(inner, InSection):
        return inner.name
    return inner.what if isinstance(inner, In) else ""


def _inserted(rest: Sentence, place: int, word: str) -> Sentence:
    beside = rest.tokens[min(place, len(rest.tokens) - 1)]
    new = replace(beside, text=word)
    return Sentence(rest.typed, (*rest.tokens[:place], new, *rest.tokens[place:]))


def _joined(first: RuleSets, rest: Sentence, stems: tuple[str, ...]) -> RuleSets | Question:
    """Each reading of the first clause with each of what follows it."""
    found: RuleSets = []
    rest = _with_unit(first[0][-1], rest)
    for rules in first:
        is_its = any(token.raw.lower() in _PRONOUNS for token in rest.tokens)
        about = replace(_about(rules[-1]), is_its=is_its)
        second = read(rest, stems, about) or read_clauses(rest, stems, about)
        if isinstance(second, Question):
            said = line_of(rules)
            return replace(second, examples=tuple(f"{said}; {one}" for one in second.examples))
        # "Leave everything but the last note, which goes up": of itself nothing else moves.
        still = () if str(rules[-1]) == "keep every note" else rules
        found += [(*still, *more) for more in second]
    return _alike(list(dict.fromkeys(found)))


def _alike(found: RuleSets) -> RuleSets:
    """Of readings of two clauses those that mean one note of the song in both, or in none."""
    lone = [{"in phrase last" in str(rule) for rule in rules} for rules in found]
    alike = [rules for rules, kinds in zip(found, lone, strict=True) if len(kinds) == 1]
    return alike if {True} in lone and {False} in lone else found


def _everything_else(
    first: RuleSets, sentence: Sentence, rest: int, stems: tuple[str, ...]
) -> RuleSets | Question:
    """ "..., everything else up a tone": that is said first, for of two rules the later wins."""
    found: RuleSets = []
    for rules in first:
        second = _all_but(rules, sentence, rest, stems)
        if isinstance(second, Question):
            return second
        found += [(*more, *rules) for more in second]
    return found


def _all_but(
    first: tuple[Rule, ...], sentence: Sentence, rest: int, stems: tuple[str, ...]
) -> RuleSets | Question:
    words = list(sentence.tokens[rest:])
    place = next(n for n, token in enumerate(words) if token.text == "else")
    left = [stem for stem in stems if stem not in first[-1].stems]
    if first[-1].what is None and left:  # "the bass stays, everyone else goes up"
        others = [replace(words[place], text=stem.lower(), raw=stem) for stem in left]
        start = place - (place > 0 and words[place - 1].text in ("everything", "everyone", "every"))
        return read(Sentence(sentence.typed, (*words[:start], *others, *words[place + 1 :])), stems)
    about = About(_about(first[-1]).what)
    is_kept = first[-1].action == "keep" and about.what != "every note"
    if is_kept:
        about = About("every note")
    if (about.what != "every note" and not is_kept) or {token.text for token in words[:place]} & {
        "everything",
        "notes",
    }:
        del words[place]
    else:
        words[place] = replace(words[place], text="everything")
    return read(Sentence(sentence.typed, tuple(words)), stems, about)


def _about(rule: Rule) -> About:
    """What a rule moves and where, for "it" in the clause after it."""
    what = str(rule.what) if rule.what is not None else ""
    stems = ", ".join(rule.stems)
    way = rule.interval.direction if rule.interval is not None else ""
    return About(" ".join(filter(None, (stems, what))), " ".join(map(str, rule.scopes)), way)
