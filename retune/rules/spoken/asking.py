"""What is asked back where a spoken sentence tells a length as rules cannot."""

from __future__ import annotations

import re

from retune.rules.spoken.heard import Heard, MissingError
from retune.rules.spoken.pitches import length_of

VAGUE = ("vague_until", "vague_bars")


def ask_beats(heard: Heard, verb: str, what: str) -> None:
    """A rule knows neither how long a bar is nor a note: beats, or a place, have to be told."""
    kind = next(k for k in VAGUE if heard.has(k))
    problem = {
        "vague_until": "how many beats is that, or to which bar:beat?",
        "vague_bars": "how many beats are that?",
    }[kind]
    sizes = ("3 beats", "4 beats") if kind == "vague_bars" else ("1 beat", "2 beats")
    shown = [f"{verb} {what} {amount_of(verb, size)}" for size in sizes]
    if kind == "vague_until" and verb == "hold":
        shown[1] = f"{verb} {what} to 9:1"
    raise MissingError(problem, shown, heard.of(kind)[0])


def ask_length(heard: Heard, what: str) -> None:
    """ "Twice as long" differs from note to note."""
    part = heard.of("times")[0]
    verb = "shorten" if "half" in part.value else "hold"
    raise MissingError(
        "lengths are told in beats: how many?",
        [f"{verb} {what} {amount_of(verb, size)}" for size in ("1 beat", "2 beats")],
        part,
    )


def ask_in_all(heard: Heard, verb: str, what: str) -> None:
    """ "Hold it for 4 beats" may tell how long it is, not how much longer."""
    for length in heard.of("length"):
        words = length.value[0] if isinstance(length.value, re.Match) else ""
        is_all = words.startswith("for ") and not re.search(r"more|another|extra", words)
        if verb == "hold" and is_all:
            size = length_of(length.value)
            shown = [f"hold {what} {size} longer", f"hold {what} to {size}"]
            if not size.endswith(("beat", "beats")):
                shown[1] = f"hold {what} to 9:1"
            raise MissingError("so much longer, or so long in all?", shown, length, is_firm=True)


def amount_of(verb: str, size: str) -> str:
    """A length as it stands behind what a rule moves."""
    return {"hold": f"{size} longer", "shorten": f"by {size}", "delay": f"by {size}",
            "bring": f"{size} earlier"}[verb]  # fmt: skip
