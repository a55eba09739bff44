"""Lines of words and their syllables, as every source of lyrics gives them."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Syllable:
    """What one note sings: "lan-" where the word goes on, "" for a note without words.

    `notes` is over how many notes it is held; `at_s` when it is sung, or `at_bar` the bar (0 for
    the pickup) and the part of it (0 to 1) where, as far as the source says so.
    """

    text: str
    notes: int = 1
    at_s: float | None = None
    at_bar: tuple[int, float] | None = None


@dataclass(frozen=True)
class LyricLine:
    """A line of words; `start_s` where the source has times, `heading` what stood above it
    ("chorus"), `is_marked` whether syllables are parted in it or near it."""

    syllables: tuple[Syllable, ...]
    start_s: float | None = None
    heading: str = ""
    is_marked: bool = False

    @property
    def n_notes(self) -> int:
        """Notes that the line asks for."""
        return sum(syllable.notes for syllable in self.syllables)

    @property
    def text(self) -> str:
        """The line as one reads it."""
        return " ".join(s.text for s in self.syllables if s.text).replace("- ", "")
