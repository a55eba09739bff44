"""Which word of the lyrics a note sings."""

from __future__ import annotations

from retune.carriers.heard import Note, StemAnalysis

_AROUND = ".,;:!?\"'()[]“”‘’… "
_HELD = "_"


def notes_of_words(stem: StemAnalysis, text: str) -> set[int]:
    """The numbers of the notes that sing a word, or some words in a row ("sea wind"), wherever
    they come; a word of many syllables ("lan-", "tern"), or held over many notes, is sung by each
    of them."""
    wanted = [plain_word(word) for word in text.split()]
    words = _words(stem)
    sung = [_plain(notes) for notes in words]
    found: set[int] = set()
    for place in range(len(words) - len(wanted) + 1):
        if sung[place : place + len(wanted)] == wanted:
            row = words[place : place + len(wanted)]
            found |= {note.index for notes in row for note in notes}
    return found


def _plain(notes: list[Note]) -> str:
    """The word that some notes sing, in small letters without punctuation or hyphens."""
    return plain_word("".join(note.lyric or "" for note in notes if note.lyric != _HELD))


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
