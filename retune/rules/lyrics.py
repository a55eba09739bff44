"""Which word of the lyrics a note sings."""

from __future__ import annotations

import math

from retune.carriers.heard import Note, StemAnalysis

_AROUND = ".,;:!?\"'()[]“”‘’… "
_HELD = "_"


def notes_of_words(stem: StemAnalysis, text: str) -> set[int]:
    """The numbers of the notes that sing a word, or some words in a row ("sea wind"), wherever
    they come; a word of many syllables ("lan-", "tern"), or held over many notes, is sung by each
    of them."""
    return {note.index for row in _rows(stem, text) for note in row}


def spans_from_word(stem: StemAnalysis, first: str, last: str) -> list[tuple[float, float]]:
    """When the stretches sound that begin with a word and end with another: each from where the
    first is sung to the next end of the last; with no last one, on from the first time."""
    starts_s = [row[0].start_s for row in _rows(stem, first)]
    if not last:
        return [(starts_s[0], math.inf)] if starts_s else []
    ends_s = [row[-1].end_s for row in _rows(stem, last)]
    spans: list[tuple[float, float]] = []
    for start_s in starts_s:
        end_s = next((end_s for end_s in ends_s if end_s > start_s), None)
        if end_s is not None and (not spans or spans[-1][1] <= start_s):
            spans.append((start_s, end_s))
    return spans


def _rows(stem: StemAnalysis, text: str) -> list[list[Note]]:
    """The notes of each place where some words are sung in a row."""
    wanted = [plain_word(word) for word in text.split()]
    words = _words(stem)
    sung = [_plain(notes) for notes in words]
    return [
        [note for notes in words[place : place + len(wanted)] for note in notes]
        for place in range(len(words) - len(wanted) + 1)
        if sung[place : place + len(wanted)] == wanted
    ]


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
