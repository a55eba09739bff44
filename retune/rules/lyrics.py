"""Which word of the lyrics a note sings."""

from __future__ import annotations

from retune.carriers.heard import Note, StemAnalysis

_AROUND = ".,;:!?\"'()[]“”‘’… "


def sung_words(stem: StemAnalysis) -> dict[int, str]:
    """The word of every note that has one, in small letters without punctuation; a word of many
    syllables ("lan-", "tern") belongs to each of its notes."""
    found: dict[int, str] = {}
    held: list[Note] = []
    syllables: list[str] = []
    for note in stem.notes:
        syllable = str(getattr(note, "lyric", None) or "").strip()
        if not syllable:
            continue
        held.append(note)
        syllables.append(syllable)
        if syllable.endswith("-"):
            continue
        word = "".join(part.strip("-") for part in syllables).strip(_AROUND).casefold()
        found |= {other.index: word for other in held}
        held, syllables = [], []
    return found
