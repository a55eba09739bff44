"""Every error that retune raises on purpose.

RetuneError                 the root; a face catches this one, once
├── InputError              what was given cannot be used (exit code 2)
│   ├── AudioError          a sound file that cannot be read as one
│   │   └── StaleError      a file that was changed while it was in use
│   ├── SongFileError       song.toml or a variants file: names file, key, line
│   │   └── ChangedError    it was changed by somebody else since it was read
│   ├── RuleError           a rule that does not read: carries the column
│   ├── ChordError          a chord label or chart that does not read: names the bar
│   └── UsageError          options that do not go together
└── WorkError               the input was good, the work failed (exit code 1)
    ├── EngineError         an engine cannot do this material, or is not installed
    └── OutputError         a result could not be written
"""

from __future__ import annotations

from retune.carriers.text import cut_short, middle_cut, printable

MAX_MESSAGE = 1_000
MAX_QUOTED = 200
MAX_READING = 100
"""So much of a rule stands in a message; `RuleError.text` holds all of it."""


class RetuneError(Exception):
    """Root of all errors raised on purpose; the message is one printable line for the user."""

    def __init__(self, message: str = "") -> None:
        super().__init__(middle_cut(printable(message), MAX_MESSAGE))

    def beneath(self) -> str:
        """Lines to show beneath the message in a terminal; "" for none."""
        return ""


class InputError(RetuneError):
    """What the user gave cannot be used."""


class AudioError(InputError):
    """A file that cannot be used as sound."""


class StaleError(AudioError):
    """A file that was changed while it was in use: what was begun with it must begin anew."""


class SongFileError(InputError):
    """A song file or variants file that cannot be used."""


class ChangedError(SongFileError):
    """The song file is no longer the one that was read; nothing was written."""


class RuleError(InputError):
    """A rule that does not read.

    Attributes
    ----------
    text : str
        The rule as typed.
    column : int
        Column of the fault, from 0.
    length : int
        How many characters the fault covers (at least 1).
    problem, expected, nearest : str
        What is wrong, what was expected there, and the nearest valid word ("" if none).
    readings : tuple of str
        Whole sentences to choose from: what it may mean, or what would read.
    """

    def __init__(
        self,
        problem: str,
        *,
        text: str = "",
        column: int = 0,
        length: int = 1,
        expected: str = "",
        nearest: str = "",
        readings: tuple[str, ...] = (),
    ) -> None:
        self.readings = readings
        self.problem = problem
        self.text = text
        self.column = column
        self.length = max(length, 1)
        self.expected = expected
        self.nearest = nearest
        parts = [problem]
        if expected:
            parts.append(f"expected {expected}")
        if nearest:
            parts.append(f'did you mean "{nearest}"?')
        if readings:
            parts.append(
                "say " + " or ".join(f'"{cut_short(reading, MAX_READING)}"' for reading in readings)
            )
        where = f' (column {column + 1} of "{cut_short(text, MAX_QUOTED)}")' if text else ""
        super().__init__("; ".join(parts) + where)

    def again(self) -> RuleError:
        """The same fault as a new error, to be raised once more."""
        return RuleError(
            self.problem,
            text=self.text,
            column=self.column,
            length=self.length,
            expected=self.expected,
            nearest=self.nearest,
            readings=self.readings,
        )

    def beneath(self) -> str:
        """The rule with a caret under its fault, as the workbench shows it."""
        if not 0 < len(self.text) <= MAX_QUOTED:
            return ""
        plain = "".join(letter if letter.isprintable() else " " for letter in self.text)
        return f"  {plain}\n  {' ' * self.column}{'^' * self.length}\n"

    def caret(self) -> str:
        """The rule with a caret line under the fault."""
        return f"{self.text}\n{' ' * self.column}{'^' * self.length}"


class ChordError(InputError):
    """A chord label or chart that does not read."""


class UsageError(InputError):
    """Options that do not go together, or a name that does not exist."""


class WorkError(RetuneError):
    """The input was good, the work failed."""


class EngineError(WorkError):
    """An engine cannot do this material, or is not installed."""


class OutputError(WorkError):
    """A result could not be written."""
