"""The words of a song as people write them: plain text, LRC, or a MusicXML score.

In plain text a line is a phrase and what stands between spaces a word. The signs are those of the
lyric lines of ABC notation (abc standard 2.1, section 5.1): `-` parts syllables, `_` holds a
syllable over one more note, `*` leaves a note without words, `~` puts two words on one note.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from retune.carriers.errors import InputError
from retune.carriers.songfacts import Music
from retune.carriers.text import cut_short
from retune.song.guide import SCORE_SUFFIXES
from retune.song.limits import MAX_LYRIC_LINES, MAX_SYLLABLE, MAX_SYLLABLES, check_count
from retune.song.lyriclines import LyricLine, Syllable
from retune.song.scorelyrics import read_score_lyrics
from retune.song.textfile import read_text

LYRICS_SUFFIXES = (".txt", ".lrc", *SCORE_SUFFIXES)
_HYPHENS = "\u00ad-"  # the hyphen last, as a set in a pattern has it
_TOKEN = re.compile(rf"\\-|[{_HYPHENS}]+|_|\*|\s+|(?:[^\s_*\\{_HYPHENS}]|\\(?!-))+")
_HEADING = re.compile(r"[^\W\d_][^\]:]*")
_STAMP = re.compile(r"\[(\d{1,3}):(\d{1,2}(?:[.:]\d{1,3})?)\]\s*")
_WORD_STAMP = re.compile(r"<(\d{1,3}):(\d{1,2}(?:[.:]\d{1,3})?)>")
_OFFSET = re.compile(r"\[offset:\s*([+-]?\d{1,7})\s*\]", re.IGNORECASE)
_TAG = re.compile(r"\[[a-z#]{1,10}:[^\]]*\]", re.IGNORECASE)


def song_lyrics(music: Music) -> tuple[LyricLine, ...]:
    """The words that a song file gives; () for none. Raises InputError where they do not read."""
    if music.lyrics_file is not None:
        return read_lyrics_file(music.lyrics_file)
    return read_lyrics(music.lyrics or "")


def read_lyrics_file(path: Path) -> tuple[LyricLine, ...]:
    """The words of a .txt, .lrc or .musicxml file. Raises InputError where they do not read."""
    text = read_text(path, what="a file of lyrics")
    if path.suffix.lower() in SCORE_SUFFIXES:
        return _checked(read_score_lyrics(text, name=path.name))
    return read_lyrics(text)


def read_lyrics(text: str) -> tuple[LyricLine, ...]:
    """The words of plain text, or of LRC where lines begin with times.

    Raises
    ------
    InputError
        More lines or syllables than a song has, or longer ones.
    """
    rows = [line.strip() for line in text.splitlines()]
    check_count(len(rows), MAX_LYRIC_LINES, "lines", where="lyrics")
    lines = _timed(rows) if any(_STAMP.match(row) for row in rows) else _plain(rows)
    count = sum(len(line.syllables) for line in lines)
    check_count(count, MAX_SYLLABLES, "syllables", where="lyrics")
    is_marked = any(s.text.endswith("-") or s.notes > 1 for line in lines for s in line.syllables)
    return _checked(tuple(replace(line, is_marked=is_marked) for line in lines))


def _checked(lines: tuple[LyricLine, ...]) -> tuple[LyricLine, ...]:
    for line in lines:
        for text in (line.heading, *(syllable.text for syllable in line.syllables)):
            if len(text) > MAX_SYLLABLE:
                raise InputError(
                    f'lyrics: "{cut_short(text)}" has {len(text)} characters, and one note sings '
                    f"at most {MAX_SYLLABLE}; part its words by spaces"
                )
    return lines


def _plain(rows: Sequence[str]) -> list[LyricLine]:
    lines, heading = [], ""
    for row in rows:
        title = _heading(row)
        if title:
            heading = title
        elif row and (syllables := syllables_of(row)):
            lines.append(LyricLine(syllables, heading=heading))
            heading = ""
    return lines


def _heading(row: str) -> str:
    """The words of "[Chorus]" or "[Chorus:]"; "" for any other line."""
    if not (row.startswith("[") and row.endswith("]")):
        return ""
    words = row[1:-1].strip().removesuffix(":").rstrip()
    return " ".join(words.split()) if _HEADING.fullmatch(words) else ""


def syllables_of(text: str) -> tuple[Syllable, ...]:
    """The syllables of a line with its signs."""
    texts: list[list[str]] = []  # of each syllable, its parts
    notes: list[int] = []
    is_open = False  # whether what comes next belongs to the text of the last syllable
    for token in _TOKEN.findall(text):
        if token == "_":
            if notes:
                notes[-1] += 1
        elif token.isspace():
            is_open = False
        elif token[0] in _HYPHENS:
            if is_open:
                texts[-1].append("-")
            is_open = False
        else:
            word = {"*": "", "\\-": "\u2011"}.get(token, token.replace("~", " "))
            if not is_open or token == "*":
                texts.append([])
                notes.append(1)
            texts[-1].append(word)
            is_open = token != "*"
    if texts and texts[-1][-1] == "-":
        texts[-1].pop()
    return tuple(Syllable("".join(parts), n) for parts, n in zip(texts, notes, strict=True))


# --- LRC: [mm:ss.xx] before a line, <mm:ss.xx> before a word ----------------------------------


def _timed(rows: Sequence[str]) -> list[LyricLine]:
    lines: list[LyricLine] = []
    offset_s, heading = 0.0, ""
    for row in rows:
        moved, title = _OFFSET.fullmatch(row), _heading(row)
        if moved:
            offset_s = int(moved[1]) / 1000
        elif title:
            heading = title
        stamps, rest = _stamps(row)
        if not stamps or _TAG.fullmatch(row):
            continue
        words = _words_with_times(rest, offset_s)  # the same each time that they are sung
        for at_s in stamps:
            lines.append(LyricLine(words, at_s - offset_s, heading))
            heading = ""
        check_count(len(lines), MAX_LYRIC_LINES, "lines", where="lyrics")
    return sorted(lines, key=lambda line: line.start_s or 0.0)


def _stamps(row: str) -> tuple[list[float], str]:
    """The times at the head of a line, and the rest of it."""
    stamps, at = [], 0
    while found := _STAMP.match(row, at):
        stamps.append(_seconds(found[1], found[2]))
        at = found.end()
    return stamps, row[at:]


def _words_with_times(text: str, offset_s: float) -> tuple[Syllable, ...]:
    pieces = _WORD_STAMP.split(text)
    syllables = list(syllables_of(pieces[0]))
    for minutes, seconds, words in zip(pieces[1::3], pieces[2::3], pieces[3::3], strict=True):
        sung = list(syllables_of(words))
        if sung:
            sung[0] = replace(sung[0], at_s=_seconds(minutes, seconds) - offset_s)
        syllables += sung
    return tuple(syllables)


def _seconds(minutes: str, seconds: str) -> float:
    return 60 * int(minutes) + float(seconds.replace(":", "."))
