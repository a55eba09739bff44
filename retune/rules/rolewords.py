"""Role words in rules: "the bass" is the stem whose role is bass, where no stem has that name."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from retune.carriers.errors import RuleError

_VERBS = (
    "move|shift|keep|hold|shorten|delay|bring|suspend|raise|lower|drop|transpose|leave|make|let"
)
# "harmony" and "double" are stems only behind a verb: elsewhere harmony is the chord.
_BEHIND = rf"(?P<behind>^\s*(?:{_VERBS})\s+(?:the\s+)?)"
_WORDS = (
    ("bass", re.compile(r"(?<![\w#/-])(?P<word>bass(?:es)?)(?![\w-])", re.IGNORECASE)),
    ("unpitched", re.compile(r"(?<![\w#/-])(?P<word>drums?|percussion)(?![\w-])", re.IGNORECASE)),
    *(
        (role, re.compile(rf"{_BEHIND}(?P<word>{words})(?![\w-])", re.IGNORECASE))
        for role, words in (
            ("harmony", r"harmony (?:vocals?|voices?|parts?)|harmony|harmonies|backing vocals"),
            ("double", r"doubles?|vocal doubles?"),
            ("backing", r"backing(?! vocals)|band"),
            ("melody", r"melody|vocals?|lead(?: vocal)?|singer|voice"),
        )
    ),
)


@dataclass(frozen=True)
class Named:
    """A sentence with stems for role words; `steps` are (column from which, letters added)."""

    typed: str
    text: str
    steps: tuple[tuple[int, int], ...] = ()

    def fault(self, error: RuleError) -> RuleError:
        """An error found in `text`, told of what was typed."""
        column = error.column - sum(added for at, added in self.steps if at < error.column)
        return RuleError(
            error.problem,
            text=self.typed,
            column=min(max(column, 0), len(self.typed)),
            length=error.length,
            expected=error.expected,
            nearest=error.nearest,
            readings=error.readings,
        )


# Words behind a verb that can mean stems alone: "harmony" may be the chords.
_STEMS_ALONE = re.compile(
    rf"{_BEHIND}(?P<word>(?P<double>doubles?|vocal doubles?)|(?P<bass>bass(?:es)?)"
    r"|(?P<harmony>harmon(?:ies|y (?:vocals?|voices?|parts?))|backing vocals))(?![\w-])",
    re.IGNORECASE,
)


def lacking_role(text: str, roles: Mapping[str, str]) -> RuleError | None:
    """What to say of a sentence that speaks of a role that no stem of the song has: it does not
    fit this song, however it is worded. None where it speaks of no such role."""
    found = _STEMS_ALONE.search(text)
    role = next((name for name in ("double", "bass", "harmony") if found and found[name]), "")
    if not found or not role or role in roles.values() or not roles:
        return None
    named = ", ".join(f"{name} ({own})" for name, own in roles.items())
    start, stop = found.span("word")
    return RuleError(
        f"this song has no stem of the role {role}; there are {named}",
        text=text,
        column=start,
        length=stop - start,
    )


def with_stems(text: str, roles: Mapping[str, str]) -> Named:
    """The sentence with the names of stems for words that name a role.

    >>> with_stems("shift the bass down 1 octave", {"Low-DI": "bass", "Vox": "melody"}).text
    'shift the Low-DI down 1 octave'
    """
    taken = {name.casefold() for name in roles}
    typed, steps = text, []
    for role, pattern in _WORDS:
        names = ", ".join(name for name, own in roles.items() if own == role)
        match = pattern.search(text)
        if match is None or not names or match["word"].casefold() in taken or '"' in text:
            continue
        start, stop = match.span("word")
        text = text[:start] + names + text[stop:]
        steps.append((start, len(names) - (stop - start)))
    return Named(typed, text, tuple(steps))
