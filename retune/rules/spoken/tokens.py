"""From what was typed to plain words: small letters, synonyms replaced, columns kept."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import lru_cache

from retune.rules.spoken.counting import NUMBER_WORDS, with_tens
from retune.rules.spoken.pitches import SOLFA, degree_words
from retune.rules.spoken.sentence import Sentence, Token
from retune.rules.spoken.synonyms import free_words, same_words, verb_forms
from retune.rules.spoken.turns import turned
from retune.theory.pitchnames import ascii_accidentals

_ORDINAL = re.compile(r"(\d+)(?:st|nd|rd|th)(s?)")
_PIECE = re.compile(
    r"""(?P<quoted>"[^"]+"|“[^”]+”|(?<![\w])['‘][^'’]+['’](?!\w))
    |(?P<range>\d+[-–](?:\d+|last)(?![\w:]))
    |(?P<signed>(?<![\w])[-+−]\d+(?:\.\d+)?(?=\s?(?:semi|half|cent|oct|step|scale|whole|tone|st\b|sts\b)))
    |(?P<time>\d+:\d+(?:\.\d+)?(?![\w:])|(?![1-7]s\b)\d+(?:\.\d+)?\s?(?:s(?:ec(?:ond)?s?)?|ms|msecs?|milliseconds?)\b)
    |(?P<number>\d+(?:\.\d+)?(?:st|nd|rd|th)?'?s?(?![\w/]))
    |(?P<dash>->|→|=>|=|[–—])
    |(?P<mark>[,;:!?]|\.(?!\w))
    |(?P<word>(?:\([^()\s]*\)|[^\s.,;!?:"“”→=>]|[.:](?=\w)|(?<=\w)-(?!>))+)""",
    re.VERBOSE,
)
_ABBREVIATED = re.compile(r"\b(?:mm?|no|nr|ph|phr|vs|approx|meas)$", re.IGNORECASE)
_SILENT = " \t\n.'\"‘’“”()[]*_"
_PITCH = re.compile(r"[A-G][b#]{0,2}(?:-?\d)?s?", re.ASCII)
_LOW_PITCH = re.compile(r"[a-g](?:[b#]\d?|\d)", re.ASCII)
_AFTER_NAME = frozenset(
    ("", ",", "and", "or", "to", "in", "over", "on", "at", "above", "below", "with", "->", "up",
     "down", "flat", "sharp", "by", "except", "from", "a", "when", "where", "whenever", "if",
     "instead", "please", "major", "minor", "everywhere", "throughout", "always", "then", "too",
     "now", "during", "until", "before", "after", "through", "but", "thanks", "rather", "again",
     "wherever", "unless", "there", "here", "for", "as", "not", "that", "which")
)  # fmt: skip
_GLUED = re.compile(r"(phrase|phr|ph|p|line|bar|measure|beat|verse)(\d+)")
_CONTRACTIONS = (
    (re.compile(r"n['’]t$"), " not"),
    (re.compile(r"^i['’]d$"), "i would"),
    (re.compile(r"^let['’]s$"), "let us"),
    (re.compile(r"['’](?:re|ve|ll|d|m)$"), ""),
    (re.compile(r"['’]s?$"), ""),
)


_BARE_CONTRACTIONS = {
    **{f"{verb}nt": f"{verb} not" for verb in ("do", "does", "did", "is", "are", "should", "would",
                                               "could", "was", "must")},
    "cant": "can not", "wont": "will not", "lets": "let us", "im": "i", "id": "i would",
}  # fmt: skip


def sentence_of(text: str) -> Sentence:
    """The plain words of a sentence."""
    text = _CARET.sub(" ", _ASIDE.sub(r",\1,", text))
    tokens: Sequence[Token] = _with_note_a(_of_numbers(list(_plain(text)), text))
    if len(tokens) <= MOST_TURNED:
        tokens = turned(tokens, text)
    return Sentence(text, tuple(_with_synonyms(tokens)))


MOST_TURNED = 90
"""Some more words than are read: in longer ones turns of phrase would only be looked for long."""


# An aside in brackets is one between commas; "Bb(add9)" and "(b9)" stay chords.
_ASIDE = re.compile(r"(?<!\S)\(([^()]*[a-z][^()]*)\)(?=[\s.,;!?]|$)")

# Degrees as theorists write them: "^4", or a 4 with a circumflex on it.
_CARET = re.compile(r"\^(?=[b#♭♯]?\d)|(?<=\d)\u0302")


def _with_note_a(tokens: list[Token]) -> list[Token]:
    """A capital A that no noun follows is the note, not the article."""
    for place, token in enumerate(tokens):
        after = tokens[place + 1].text if place + 1 < len(tokens) else ""
        is_section = token.raw == "A" and (after == "section" or after in _SIGNS)
        is_chord = is_section or (
            after in ("chord", "chords") and any(token.raw.islower() for token in tokens)
        )
        if token.raw == "A" and token.start > 0 and (after in _AFTER_NAME or is_chord):
            tokens[place] = Token("n:A", token.start, token.stop, "A")
    return _with_signs(tokens)


_LOW_LETTERS = frozenset("bcdefg")
_BEFORE_NAME = frozenset(("to", "into", "as", "on", "note", "->", "becomes", "become", "is"))
_SIGNS = {"flat": "b", "flats": "bs", "sharp": "#", "sharps": "#s", "natural": "", "naturals": "s"}
# Whoever says these calls notes by fixed do: "si bemol" is B flat.
_FIXED_SIGNS = {"bemol": "b", "bémol": "b", "diesis": "#", "dièse": "#", "sostenido": "#"}
_FIXED_DO = {"do": "C", "re": "D", "mi": "E", "fa": "F", "sol": "G", "la": "A", "si": "B"}


def _with_signs(tokens: list[Token]) -> list[Token]:
    """ "E flat" and "F sharps" as one name."""
    found: list[Token] = []
    for place, token in enumerate(tokens):
        sign = _SIGNS.get(token.text)
        before = found[-1] if found else None
        after = tokens[place + 1].text if place + 1 < len(tokens) else ""
        is_after = before is not None and before.text in _BEFORE_NAME
        if token.raw in _LOW_LETTERS and (
            after in _SIGNS or (is_after and after in (*_AFTER_NAME, "please", "is"))
        ):
            found.append(replace(token, text=f"n:{token.raw.upper()}"))
            continue
        if before is not None and token.text in _FIXED_SIGNS and before.text in _FIXED_DO:
            name = f"n:{_FIXED_DO[before.text]}{_FIXED_SIGNS[token.text]}"
            found[-1] = Token(name, before.start, token.stop, f"{before.raw} {token.raw}")
            continue
        named = found[-3:-1] if len(found) > 2 and found[-2].text in ("a", "an") else found[-2:-1]
        is_goal = bool(named) and named[0].text in _BEFORE_NAME
        if sign in ("b", "#") and is_goal and before is not None and before.text in SOLFA:
            raw = f"{before.raw} {token.raw}"
            degree = Token(f"{sign}{SOLFA[before.text]}", before.start, token.stop, raw)
            found[-1:] = [replace(degree, text="degree"), degree]
            continue
        if sign is not None and before is not None and re.fullmatch(r"n:[A-G]", before.text):
            found[-1] = Token(before.text + sign, before.start, token.stop, before.raw + sign)
        else:
            found.append(token)
    return found


def _plain(text: str) -> Iterator[Token]:
    read_to = 0
    for match in _PIECE.finditer(text):
        raw, start = match[0], match.start()
        stop = match.end()
        yield from _unread(text, read_to, start)
        read_to = stop
        if match["quoted"]:
            yield Token(f"q:{raw[1:-1].strip().replace(' ', '_')}", start, stop, raw[1:-1].strip())
        elif match["range"]:
            yield Token(raw.replace("–", "-").lower(), start, stop, raw)
        elif match["time"]:
            plain = _seconds(_of_clock(raw))
            yield Token(f"t:{plain}", start, stop, plain)
        elif match["signed"]:
            yield Token("up" if raw[0] == "+" else "down", start, start + 1, raw[0])
            yield Token(raw[1:], start + 1, stop, raw[1:])
        elif match["number"]:
            yield Token(_number(raw), start, stop, raw)
        elif match["dash"]:
            yield Token("-" if raw in "–—" else "->", start, stop, raw)
        elif match["mark"]:
            if raw in ",;:":
                yield Token("," if raw == ":" else raw, start, stop, raw)
            elif raw == "." and _goes_on(text, start, stop):
                yield Token(";", start, stop, raw)
        else:
            yield from _words(raw, start)


def _goes_on(text: str, start: int, stop: int) -> bool:
    """Whether a full stop parts two sentences: "mm. 3-4" is one."""
    return bool(text[stop:].strip(_SILENT)) and not _ABBREVIATED.search(text[:start])


def _unread(text: str, start: int, stop: int) -> Iterator[Token]:
    """Signs that mean something here but were not read ("-3s"): never dropped in silence."""
    raw = text[start:stop].strip(_SILENT)
    if raw:
        yield Token(f"?{raw}", start, stop, raw)


def _of_clock(raw: str) -> str:
    """ "0:16" is no beat of a bar, but minutes and seconds."""
    clock = re.fullmatch(r"(\d):(\d\d)", raw)
    if clock is None or (clock[2][0] != "0" and int(clock[2]) < 13):
        return raw
    return f"{60 * int(clock[1]) + int(clock[2])}s"


def _seconds(raw: str) -> str:
    """A time as rules write it: "30 ms" is 0.03s."""
    number = re.match(r"[\d.]+", raw)
    if number and "m" in raw:
        return f"{float(number[0]) / 1000:g}s"
    return re.sub(r"\s|(?<=s)ec(?:ond)?s?$", "", raw)


def _number(raw: str) -> str:
    ordinal = _ORDINAL.fullmatch(raw)
    if ordinal:
        return f"o:{ordinal[1]}{ordinal[2]}"
    return raw.replace("'", "")


def _is_clock(tokens: list[Token], place: int) -> bool:
    """ "At second 14" names a time."""
    before = tokens[place - 2].text if place > 1 else ""
    return (
        tokens[place - 1].raw.lower() in ("second", "sec")
        and before in ("at", "on", "in", "from", "until", "to", "and")
        and re.fullmatch(r"\d+(?:\.\d+)?", tokens[place].text) is not None
        and not any(t.text in ("beats", "notes", "steps") for t in tokens[place + 1 : place + 2])
    )


_AFTER_FIRST = frozenset(
    (",", "raise", "lower", "move", "shift", "take", "make", "let", "put", "bring", "transpose",
     "all", "change", "hold", "end", "sing", "keep", "leave", "drop", "lift", "delay", "everything")
)  # fmt: skip


def _of_numbers(tokens: list[Token], typed: str) -> list[Token]:
    """ "Phrase 2's ending" is that of phrase 2, and "the rest" is what else there is."""
    if len(tokens) > 1 and tokens[0].text == "o:1" and tokens[1].text in _AFTER_FIRST:
        tokens[0] = replace(tokens[0], text="now")  # "first raise ..., then ..."
    tokens = list(with_tens(tokens))
    for place, token in enumerate(tokens[1:], start=1):
        if token.text == "rest" and typed[: token.start].lower().endswith("the "):
            tokens[place] = replace(token, text="else")
        if _is_clock(tokens, place):
            tokens[place] = replace(token, text=f"t:{token.text}s", raw=f"{token.text}s")
            tokens[place - 1] = replace(tokens[place - 1], text="at")
        is_of = tokens[place - 1].text in ("phrase", "bar", "line", "measure", "verse")
        if is_of and re.fullmatch(r"\d+['’]s", token.raw):
            tokens[place] = Token(token.text.rstrip("s"), token.start, token.stop, token.raw)
    return tokens


def _words(raw: str, start: int) -> Iterator[Token]:
    """A piece without spaces: a name that keeps its case, or words joined by hyphens."""
    if re.match(r"[-−]\d", raw):  # below nothing that a rule counts; not the number without it
        yield Token(f"?{raw}", start, start + len(raw), raw)
        return
    name = ascii_accidentals(re.sub(r"['’]s$", "s", raw).rstrip("'’."))
    if _PITCH.fullmatch(name) and name not in ("A",):
        yield Token(
            f"n:{name.rstrip('s')}{'s' if name.endswith('s') else ''}",
            start,
            start + len(raw),
            name,
        )
        return
    at = start
    for part in raw.split("-") if not _is_label(raw) else [raw]:
        if part:
            yield from _word(part, at)
        at += len(part) + 1


def _is_label(raw: str) -> bool:
    """Whether a piece may be a chord label or numeral with a hyphen or sign of its own."""
    return any(sign in raw for sign in "/:()+") and not raw.islower()


_ARTICLES = frozenset(("the", "teh", "hte", "da"))
"""The article, and how it comes out of hurried hands."""


def _word(part: str, at: int) -> Iterator[Token]:
    stop, low = at + len(part), part.lower()
    if low in _ARTICLES:
        return
    name = ascii_accidentals(part)
    if _LOW_PITCH.fullmatch(name) and not re.fullmatch(r"b\d", name):
        yield Token(f"n:{name[0].upper()}{name[1:]}", at, stop, name[0].upper() + name[1:])
        return
    if low == "do" and at == 0:
        low = "doing"  # "do" begins a request; it is a note only later
    glued = _GLUED.fullmatch(low)
    if glued:
        word = {"p": "phrase", "ph": "phrase", "phr": "phrase"}.get(glued[1], glued[1])
        yield Token(word, at, at + len(glued[1]), part[: len(glued[1])])
        yield Token(glued[2], at + len(glued[1]), stop, glued[2])
        return
    for pattern, instead in _CONTRACTIONS:
        low = pattern.sub(instead, low)
    low = {"ca not": "can not", "wo not": "will not"}.get(low, low)
    low = _BARE_CONTRACTIONS.get(low, low)
    for word in low.split():
        yield Token(NUMBER_WORDS.get(word, word), at, stop, part)


# --- synonyms ----------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def synonyms() -> dict[tuple[str, ...], tuple[str, ...]]:
    """Every wording, as words, to the plain words it means."""
    free = set(free_words())
    forms: dict[tuple[str, ...], tuple[str, ...]] = {
        (form,): (word,)
        for word, listed in verb_forms().items()
        for form in listed
        if word != "-" and form not in free
    }
    same = {
        tuple(NUMBER_WORDS.get(w, w) for w in other.split()): tuple(word.split())
        for word, others in same_words().items()
        for other in others
    }
    return {**forms, **{(word,): (word,) for word in same_words() if (word,) in forms}, **same}


@lru_cache(maxsize=1)
def _single_words() -> tuple[str, ...]:
    """Every word that is said in some wording, the shortest left out."""
    forms = (form for listed in verb_forms().values() for form in listed)
    others = (other for more in same_words().values() for other in more)
    wordings = [*same_words(), *free_words(), *forms, *others]
    words = {word for wording in wordings for word in wording.split()} | set(NUMBER_WORDS)
    words |= {word for name in degree_words() for word in name.split()}
    return tuple(sorted(word for word in words if len(word) > 3 and word.isalpha()))


def is_spoken(word: str) -> bool:
    """Whether a word is said in some wording, and so is no slip of the hand."""
    return word.lower() in _single_words()


@lru_cache(maxsize=256)
def nearest_spoken(word: str) -> str:
    """The known word that a mistyped one is nearest to, "" for none."""
    if is_spoken(word):
        return ""
    cutoff = 0.75 if len(word) > 3 else 0.8
    near = difflib.get_close_matches(word.lower(), _single_words(), n=1, cutoff=cutoff)
    is_slip = near and len(word) > 2 and near[0][0] == word[0].lower()
    return near[0] if is_slip else ""


@lru_cache(maxsize=1)
def _longest() -> int:
    return max(map(len, synonyms()))


def _with_synonyms(tokens: Sequence[Token]) -> Iterator[Token]:
    place = 0
    while place < len(tokens):
        for length in range(min(_longest(), len(tokens) - place), 0, -1):
            piece = tokens[place : place + length]
            plain = synonyms().get(tuple(token.text for token in piece))
            if plain is not None and not _names_a_phrase(tokens, place, place + length):
                raw = " ".join(token.raw for token in piece)
                for word in plain:
                    yield Token(word, piece[0].start, piece[-1].stop, raw)
                place += length
                break
        else:
            yield tokens[place]
            place += 1


def _names_a_phrase(tokens: Sequence[Token], first: int, last: int) -> bool:
    """Whether the words hold a phrase that what stands beside them tells the number of: in "the
    second phrase ends on 1" there is no "phrase end"."""
    words = [token.text for token in tokens[first:last]]
    if len(words) < 2 or not _PHRASES & set(words):
        return False
    after = tokens[last].text if last < len(tokens) else ""
    if words[-1] in _PHRASES and re.match(r"\d", after):
        return True
    before = tokens[first - 1].text if first else ""
    return words[0] in _PHRASES and bool(re.match(r"o:\d", before) or before in _WHICH)


_PHRASES = frozenset(("phrase", "phrases", "line", "lines"))
_WHICH = frozenset(("last", "final", "closing", "penultimate", "other", "odd", "even"))


def plain_words(wording: str) -> tuple[str, ...]:
    """A wording as the plain words that a sentence holds for it."""
    return tuple(token.text for token in sentence_of(wording).tokens)


def typed_of(tokens: Sequence[Token]) -> str:
    """The words as they were typed, for messages."""
    return " ".join(token.raw for token in tokens)
