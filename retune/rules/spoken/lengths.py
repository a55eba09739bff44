"""What a spoken sentence says of moves in time: the verb, and what stands behind the notes."""

from __future__ import annotations

import re

from retune.rules.spoken.asking import amount_of, ask_in_all
from retune.rules.spoken.heard import Heard, MissingError, NoRuleError
from retune.rules.spoken.pitches import length_of

Verbs = list[tuple[str, str]]
"""Readings of a verb: what stands before the notes, and behind them."""

# A note value as beats, in meters of quarters and of dotted quarters.
_VALUES = {
    "o:16": ("0.25 beats", "1/6 beats"), "o:8": ("0.5 beats", "1/3 beats"),
    "quarter": ("1 beat", "2/3 beats"), "half note": ("2 beats", "4/3 beats"),
    "semiquaver": ("0.25 beats", "1/6 beats"), "quaver": ("0.5 beats", "1/3 beats"),
    "crotchet": ("1 beat", "2/3 beats"), "minim": ("2 beats", "4/3 beats"),
}  # fmt: skip
STOPS = frozenset(("end", "ends", "finish", "finishes", "stop", "stops", "close", "closes"))
"""Verbs of ending that may tell when, not only on which note."""


def timed_verbs(heard: Heard, timed: list[str], what: str) -> Verbs:
    """The readings of a sentence that moves ends of notes; asks for what is missing."""
    if set(timed) == {"shorten", "bring"}:  # "let it die away a beat sooner"
        timed = ["shorten"]
    if heard.has("in_all"):
        return _in_all(heard, timed, what)
    if len(timed) != 1:
        raise NoRuleError
    verb = timed[0]
    if verb == "suspend":
        return _suspended(heard, what)
    if heard.has("value") and not heard.has("length"):
        sizes = _VALUES[heard.of("value")[0].value]
        return [(verb, amount_of(verb, size)) for size in sizes]
    if heard.has("until"):
        return [(verb, f"to {heard.of('until')[0].value}")]
    ask_in_all(heard, verb, what)
    if len(heard.of("length")) != 1:
        shown = [f"{verb} {what} {amount_of(verb, size)}" for size in ("1 beat", "0.5 beats")]
        raise MissingError("by how much?", shown, heard.of(verb)[0])
    size = length_of(heard.of("length")[0].value)
    found = [(verb, amount_of(verb, size))]
    if verb in ("bring", "delay") and any(p.value in STOPS for p in heard.of("end")):
        # a note may begin so, or end so
        other = {"bring": "shorten", "delay": "hold"}[verb]
        found.append((other, amount_of(other, size)))
    return found


def _in_all(heard: Heard, timed: list[str], what: str) -> Verbs:
    """ "To two beats": how long a note then is; without a verb it may be longer now, or shorter."""
    part = heard.of("in_all")[0]
    size = length_of(part.value)
    if len(heard.of("in_all")) > 1 or heard.has("length") or not set(timed) <= {"hold", "shorten"}:
        raise NoRuleError
    if size.endswith("s") and "beat" not in size:
        shown = [f"hold {what} to 3 beats", f"shorten {what} by {size}"]
        raise MissingError("how long a note is in all is told in beats: how many?", shown, part)
    bound = re.search("most|least", part.value[0])
    if bound:
        timed = ["hold" if bound[0] == "least" else "shorten"]
    return [(verb, f"to {size}") for verb in timed or ("hold", "shorten")]


def _suspended(heard: Heard, what: str) -> Verbs:
    if heard.has("until"):
        raise NoRuleError
    if heard.has("length"):
        size = amount_of("delay", length_of(heard.of("length")[0].value))
        raise MissingError(
            "suspend holds for a beat; for another length it is the ending that is delayed",
            [f"suspend {what}", f"delay {what} {size}"],
            heard.of("length")[0],
        )
    return [("suspend", "")]
