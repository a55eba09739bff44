"""Which word of the lyrics a note sings."""

from __future__ import annotations

from retune.carriers.heard import Note, StemAnalysis

_AROUND = ".,;:!?\"'()[]“”‘’… "
_HELD = "_"


def sung_words(stem: StemAnalysis) -> dict[int, str]:
    """The word of every note that has one, in small letters without punctuation or hyphens; a word
    of many syllables ("lan-", "tern"), or held over many notes, belongs to each of them."""
    found: dict[int, str] = {}
    for notes in _words(stem):
        syllables = [note.lyric or "" for note in notes if note.lyric != _HELD]
        word = plain_word("".join(syllables))
        found |= {note.index: word for note in notes}
    return found


def plain_word(text: str) -> str:
    """A word as it is compared: small letters, nothing around or between them."""
    return text.strip(_AROUND).replace("-", "").replace("\u2011", "").casefold()


def _words(stem: StemAnalysis) -> list[list[Note]]:
    """Notes word by word."""
    words: list[list[Note]] = []
    goes_on = False
    for note in stem.notes:
        if not note.lyric:
            goes_on = False
        elif words and (goes_on or note.lyric == _HELD):
            words[-1].append(note)
            goes_on = goes_on if note.lyric == _HELD else note.lyric.endswith("-")
        else:
            words.append([note])
            goes_on = note.lyric.endswith("-")
    return words
