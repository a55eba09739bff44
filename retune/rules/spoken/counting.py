"""Number words: "three" is 3, "third" is o:3, "twenty five" is 25."""

from __future__ import annotations

import re
from collections.abc import Iterator

from retune.rules.spoken.sentence import Token

_ORDINALS = "first second third fourth fifth sixth seventh eighth ninth tenth eleventh twelfth"
_COUNTED = "one two three four five six seven eight nine ten eleven twelve"
_TEENS = "thirteen fourteen fifteen sixteen seventeen eighteen nineteen"
_TENS = "twenty thirty forty fifty sixty seventy eighty ninety"
NUMBER_WORDS = {
    **{word: str(n) for n, word in enumerate(_COUNTED.split(), start=1)},
    **{word: f"o:{n}" for n, word in enumerate(_ORDINALS.split(), start=1)},
    **{f"{word}s": f"{n}s" for n, word in enumerate(_COUNTED.split()[:7], start=1)},
    **{f"{word}s": f"o:{n}s" for n, word in enumerate(_ORDINALS.split(), start=1) if n != 2},
    **{word: str(n) for n, word in enumerate(_TEENS.split(), start=13)},
    **{word: str(n) for n, word in zip(range(20, 100, 10), _TENS.split(), strict=True)},
    "hundred": "100",
    "&": "and",
    "+": "and",
    "sixteenth": "o:16",
    "sixteenths": "o:16s",
}


def with_tens(tokens: list[Token]) -> Iterator[Token]:
    """ "Twenty five" as one number."""
    place = 0
    while place < len(tokens):
        token, after = tokens[place], tokens[place + 1] if place + 1 < len(tokens) else None
        is_tens = token.raw.lower() in _TENS.split() and after is not None
        if is_tens and after is not None and re.fullmatch(r"[1-9]", after.text):
            number = str(int(token.text) + int(after.text))
            yield Token(number, token.start, after.stop, f"{token.raw} {after.raw}")
            place += 1
        else:
            yield token
        place += 1
