"""How much the small files of a song may hold: everything that people write, in one table.

A file of a few kilobytes can ask for more memory or time than there is. So each list has a
greatest count, each row of times a least distance, and every time must lie inside the recording
(`songfile.check_times`). The figures are far above what music needs: a bar of 1/8 at 400 beats a
minute lasts 0.075 s; the longest notated songs have some thousands of notes.
"""

from __future__ import annotations

import re
from pathlib import Path

from retune.carriers.errors import InputError

MAX_BYTES = 1_000_000
"""Bytes of a song file, chart, table or MIDI file."""
MAX_TIME_S = 86_400.0
"""A place in any recording, before its length is known."""
MAX_TEXT = 100_000
"""Characters of one text."""
MAX_TITLE = 1_000
"""Characters of a title: pages are set with it, which takes longer than its length grows."""
MAX_KEY_PARTS = 16
"""Parts of a dotted key, and of the name of a table."""
MAX_DIGITS = 400
"""Digits of a number; a double has no more than 309 before its point."""
MAX_TABLES = 4_000
"""Tables and entries of arrays of tables in a song file."""
MAX_LINES = 40_000
"""Lines of a song file, blank ones too: tomlkit takes longer for each that it has read."""

LEAST_BAR_S = 0.05
LEAST_PHRASE_S = 0.05
LEAST_NOTE_S = 0.001
LEAST_CHORD_S = 0.001

MAX_STEMS = 64
MAX_VARIANTS = 500
MAX_RULES = 200
MAX_CORRECTIONS = 2_000
MAX_DOWNBEATS = 20_000
MAX_PHRASES = 5_000
MAX_KEY_CHANGES = 1_000
MAX_METER_CHANGES = 1_000
MAX_TEMPO_CHANGES = 1_000
MAX_SECTIONS = 500
MAX_LYRIC_LINES = 5_000
MAX_SYLLABLES = 50_000
MAX_SYLLABLE = 200
"""Characters that one note sings, or that head a passage: longer ones only keep a picture busy."""
MAX_GUIDE_NOTES = 20_000
MAX_CHORDS = 20_000
MAX_F0_BYTES = 100_000_000
MAX_F0_ROWS = 4_000_000
"""Of a table of f0: six hours at 256 samples of 44.1 kHz a row are 3.7 million."""
MAX_MIDI_EVENTS = 100_000
MAX_ANSWERS = 50_000
MAX_PAIRS = 200
MAX_TRIALS = 200
MAX_LISTENERS = 2_000
MAX_FILM_VERSIONS = 20
"""Played in turn: sound and pages of all are held at once."""

# Each reads a line in one way only: what reads in two is tried in all before it is given up.
_PART = r"""(?>"(?:[^"\\\n]|\\.)*"|'[^'\n]*'|[\w-]+)[ \t]*+\.[ \t]*+"""
_DOTTED = re.compile(
    rf"^[ \t]*+(?:\[{{1,2}}[ \t]*+)?(?:{_PART}){{{MAX_KEY_PARTS}}}"
    rf"(?:[^\n]*?[=\]]|(?:{_PART}){{1000}})",
    re.MULTILINE,
)
_DIGITS = re.compile(rf"(?<![\w.\"'])[+-]?[\d_.]{{{MAX_DIGITS},}}|0x[\da-fA-F_]{{{MAX_DIGITS},}}")
_TABLE = re.compile(r"^[ \t]*\[", re.MULTILINE)


def check_count(
    count: int, most: int, what: str, *, where: str, error: type[InputError] = InputError
) -> None:
    """Raise `error` where there are more than `most` of something."""
    if count > most:
        raise error(f"{where}: more than {most} {what}; leave some out")


def check_toml(text: str, *, path: Path, error: type[InputError]) -> None:
    """Refuse TOML text that takes long to read only because it is meant to."""
    check_count(text.count("\n"), MAX_LINES, "lines", where=str(path), error=error)
    for pattern, problem in (
        (_DOTTED, f"a key of more than {MAX_KEY_PARTS} parts"),
        (_DIGITS, f"a number of more than {MAX_DIGITS} digits"),
    ):
        if found := pattern.search(text):
            line = text.count("\n", 0, found.start()) + 1
            raise error(f"{path}, line {line}: {problem}; is this a song file?")
    check_count(
        sum(1 for _ in _TABLE.finditer(text)), MAX_TABLES, "tables", where=str(path), error=error
    )
