"""What is asked back where a spoken sentence says less, or other, than rules know."""

from __future__ import annotations

import re
from collections.abc import Sequence

from retune.rules.spoken.heard import Heard, MissingError
from retune.rules.spoken.pitches import length_of

VAGUE = ("vague_until", "vague_bars")


def ask_beats(heard: Heard, verb: str, what: str) -> None:
    """A rule knows neither how long a bar is nor a note: beats, or a place, have to be told."""
    kind = next(k for k in VAGUE if heard.has(k))
    if verb == "suspend":
        shown = ["suspend phrase-ending note", "suspend phrase-ending note in phrase last"]
        raise MissingError("a suspension is of an ending: of which?", shown, heard.of(kind)[0])
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


def ask_which_end(heard: Heard, deeds: Sequence[str]) -> None:
    """The end of a section is more than one kind of note. `deeds` are what is done to it, which
    stands as "{}"."""
    end = heard.of("section_end")[0]
    words = end.value.replace("every ", "").replace("o:", "").split()
    named = next(word for word in words if word.isalpha() and word != "last")
    name = re.sub(r"(?<=chorus)es$|(?<!u)s$", "", named)
    number = next((word for word in words if word.isdigit() or word == "last"), "")
    places = ("in phrase last", f"in section {name} {number}".rstrip())
    raise MissingError(
        "the end of which phrase of the section, or of each?",
        [f"{deed.format('phrase-ending note')} {place}" for deed in deeds[:2] for place in places],
        end,
        is_firm=True,
    )


def ask_which_phrases(heard: Heard) -> None:
    """ "Phrases that end lower than the one before": a rule names them."""
    asked = MissingError(
        "a rule does not compare phrases: which, by number?",
        ["move phrase-ending note to degree 1", "shift phrase-ending note down 1 scale step"],
        heard.of("compared")[0],
        is_firm=True,
    )
    raise asked.at("in phrases 2, 4")


def ask_which_note(heard: Heard, to: str) -> None:
    """ "Note 3" may be a degree or the third note of something."""
    number = heard.of("note_number")[0]
    degree = [f"move every degree {number.value} to {to}"] if number.value in "1234567" else []
    raise MissingError(
        "a note is named by its degree, its pitch, its place in a phrase, or its bar:beat",
        [*degree, f"move note at 4:{number.value} to {to}"],
        number,
        is_firm=True,
    )
