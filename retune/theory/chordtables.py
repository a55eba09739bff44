"""Tables for reading and writing chords. Degrees of a chord count from its root in the major
scale: "1", "b3", "5", "b7", "9".

Shorthands: Harte, Sandler, Abdallah & Gómez 2005, as mir_eval 0.8 encodes them.
"""

from __future__ import annotations

MAJOR = (0, 2, 4, 5, 7, 9, 11)

# In order of preference where two would do; the first that fits exactly names the chord.
SHORTHANDS: dict[str, tuple[str, ...]] = {
    "maj": ("1", "3", "5"),
    "min": ("1", "b3", "5"),
    "dim": ("1", "b3", "b5"),
    "aug": ("1", "3", "#5"),
    "7": ("1", "3", "5", "b7"),
    "maj7": ("1", "3", "5", "7"),
    "min7": ("1", "b3", "5", "b7"),
    "minmaj7": ("1", "b3", "5", "7"),
    "dim7": ("1", "b3", "b5", "bb7"),
    "hdim7": ("1", "b3", "b5", "b7"),
    "maj6": ("1", "3", "5", "6"),
    "min6": ("1", "b3", "5", "6"),
    "sus4": ("1", "4", "5"),
    "sus2": ("1", "2", "5"),
    "9": ("1", "3", "5", "b7", "9"),
    "maj9": ("1", "3", "5", "7", "9"),
    "min9": ("1", "b3", "5", "b7", "9"),
    "11": ("1", "3", "5", "b7", "9", "11"),
    "min11": ("1", "b3", "5", "b7", "9", "11"),
    "13": ("1", "3", "5", "b7", "9", "11", "13"),
    "maj13": ("1", "3", "5", "7", "9", "11", "13"),
    "min13": ("1", "b3", "5", "b7", "9", "11", "13"),
    "5": ("1", "5"),
    "1": ("1",),
}
# Read but never written: mir_eval validates these labels and then cannot encode them.
READ_SHORTHANDS: dict[str, tuple[str, ...]] = {
    "aug7": ("1", "3", "#5", "b7"),
    "maj11": ("1", "3", "5", "7", "9", "11"),
}
# Not a base to which degrees are added: "C:(1,3,b5,b7)" is plainer than "C:1(3,b5,b7)".
NO_BASE = ("5", "1")

TONE_ROLES = {1: "root", 3: "third", 5: "fifth", 7: "seventh"}

# The bass degree of a pitch that is no tone of the chord, by semitones above the root.
BASS_DEGREES = ("1", "b2", "2", "b3", "3", "4", "#4", "5", "b6", "6", "b7", "7")

# Lead-sheet words for the triad, longest first, and what they stand for.
LEAD_QUALITIES: dict[str, str] = {
    "major": "maj",
    "maj": "maj",
    "Maj": "maj",
    "MAJ": "maj",
    "ma": "maj",
    "Ma": "maj",
    "M": "maj",
    "Δ": "delta",
    "△": "delta",
    "^": "delta",
    "minor": "min",
    "min": "min",
    "Min": "min",
    "MIN": "min",
    "mi": "min",
    "m": "min",
    "-": "min",
    "dim": "dim",
    "°": "dim",
    "º": "dim",
    "o": "dim",
    "hdim": "hdim",
    "ø": "hdim",
    "Ø": "hdim",
    "aug": "aug",
    "+": "aug",
    "dom": "",
}
TRIADS: dict[str, tuple[str, ...]] = {
    "": ("1", "3", "5"),
    "maj": ("1", "3", "5"),
    "delta": ("1", "3", "5"),
    "min": ("1", "b3", "5"),
    "dim": ("1", "b3", "b5"),
    "hdim": ("1", "b3", "b5"),
    "aug": ("1", "3", "#5"),
}
# What a lead-sheet number adds to the triad; "7" here stands for the seventh of the quality.
STACKS: dict[str, tuple[str, ...]] = {
    "6": ("6",),
    "69": ("6", "9"),
    "7": ("7",),
    "9": ("7", "9"),
    "11": ("7", "9", "11"),
    "13": ("7", "9", "11", "13"),
}

# Endings of lead-sheet chords offered as the nearest when one does not read.
COMMON_SUFFIXES = (
    "", "m", "7", "maj7", "m7", "6", "m6", "9", "m9", "maj9", "dim", "dim7", "m7b5", "aug",
    "sus4", "sus2", "7sus4", "add9", "69", "5", "7b9", "7#9", "7#5", "7b5", "11", "13", "m(maj7)",
)  # fmt: skip

NUMERALS = ("I", "II", "III", "IV", "V", "VI", "VII")
# Figured bass: figure -> (which chord tone is in the bass, whether a seventh is meant).
FIGURES: dict[str, tuple[int, bool]] = {
    "": (0, False),
    "53": (0, False),
    "6": (1, False),
    "63": (1, False),
    "64": (2, False),
    "7": (0, True),
    "65": (1, True),
    "43": (2, True),
    "42": (3, True),
    "2": (3, True),
}
TRIAD_FIGURES = ("", "6", "64")
SEVENTH_FIGURES = ("7", "65", "43", "42")
# A minor seventh where the key's own would be major, by the chord tone in the bass.
FLAT_SEVENTH_FIGURES = ("b7", "6b5", "4b3", "b42")
# The numerals of a dominant seventh on the tonic of a major key that is no V7 of IV.
TONIC_SEVENTHS = tuple(f"I{figures}" for figures in FLAT_SEVENTH_FIGURES)

# Harte shorthand -> what a lead sheet writes after the root.
LEAD_SUFFIXES: dict[str, str] = {
    "maj": "",
    "min": "m",
    "dim": "dim",
    "aug": "+",
    "7": "7",
    "maj7": "maj7",
    "min7": "m7",
    "minmaj7": "m(maj7)",
    "dim7": "dim7",
    "hdim7": "m7b5",
    "maj6": "6",
    "min6": "m6",
    "sus4": "sus4",
    "sus2": "sus2",
    "9": "9",
    "maj9": "maj9",
    "min9": "m9",
    "11": "11",
    "min11": "m11",
    "13": "13",
    "maj13": "maj13",
    "min13": "m13",
    "5": "5",
}
# Harte qualities that a lead sheet calls by a word of its own.
LEAD_NAMES: dict[str, str] = {
    **LEAD_SUFFIXES,
    "maj6(9)": "6/9",
    "min6(9)": "m6/9",
    "maj(9)": "add9",
    "min(9)": "m(add9)",
    "sus4(b7)": "7sus4",
    "sus4(b7,9)": "9sus4",
    "sus2(b7)": "7sus2",
    "aug(b7)": "7#5",
    "aug(7)": "maj7#5",
    "aug(b7,9)": "9#5",
    "(1,3,b5)": "(b5)",
    "(1,3,b5,b7)": "7b5",
    "(1,3,b5,7)": "maj7b5",
    "(1,3,b7)": "7no5",
    "(1,3)": "no5",
    "aug(b5,b7,b9,#9)": "7alt",
}
