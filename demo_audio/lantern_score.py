"""The written music of "Lantern Song": tune, words, chords, bass, harp and brushes.

Everything here is invented for this project. Times are in beats (quarter notes)
counted from the first downbeat, so the pickup of the first phrase has negative
beats. Bars and phrases count from 1; what sounds before the first downbeat is bar 0.
"""

from __future__ import annotations

from dataclasses import dataclass

TITLE = "Lantern Song"
RIGHTS = "CC0 1.0, invented for retune"
KEY = "Bb major"
METER = "3/4"
TEMPO_BPM = 92.0
BEAT_S = 60.0 / TEMPO_BPM
BEATS_PER_BAR = 3
N_BARS = 24
BARS_PER_PHRASE = 4
FIRST_DOWNBEAT_S = 1.3
DURATION_S = 49.8
CHART = (
    "Bb | Eb | F7 | Bb | Bb | Gm | Cm . F7 | Bb | "
    "Eb | Bb/D | Cm . F7 | Gm | Bb | Gm | Eb | F | "
    "Gm | Dm | Eb | F7 | Bb | Eb | F7 | Bb"
)

_LETTERS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_TONIC_PC = 10
_MAJOR_SCALE = (0, 2, 4, 5, 7, 9, 11)


def midi_of(name: str) -> int:
    """MIDI number of a note name such as ``Bb3`` (C4 is 60)."""
    flat = 1 if name[1] == "b" else 0
    return 12 * (int(name[1 + flat :]) + 1) + _LETTERS[name[0]] - flat


def degree_of(midi: int) -> int:
    """Scale degree 1 to 7 of a note of B flat major."""
    return _MAJOR_SCALE.index((midi - _TONIC_PC) % 12) + 1


def seconds(beats: float) -> float:
    """Time on the strict grid of a position in beats from the first downbeat."""
    return FIRST_DOWNBEAT_S + beats * BEAT_S


def bar_and_beat(beats: float) -> tuple[int, float]:
    """Bar (0 for the pickup) and beat within it, counted from 1."""
    bar = int(beats // BEATS_PER_BAR)
    return bar + 1, round(beats - bar * BEATS_PER_BAR + 1, 3)


@dataclass(frozen=True)
class WrittenNote:
    """One sung note. ``word`` is "" on a melisma note that continues the word before."""

    word: str
    name: str
    at_beats: float
    beats: float
    phrase: int
    detached: bool
    part: str  # "" | "ending" | "restruck" | "tail"


@dataclass(frozen=True)
class ChordSpan:
    """One chord of the chart, in beats from the first downbeat."""

    name: str
    start_beats: float
    end_beats: float


# One line a phrase, "word name beats" per note. A star after the beats: sung detached.
# ">" marks the structural ending, "=" the same pitch struck again, "~" a tail note.
_TUNE = (
    (
        -1.0,
        "One Bb3 1 | lamp D4 2 burns F4 1 | low G4 1.5 while F4 .5 the Eb4 1 | "
        "night C4 1* winds Eb4 1 go G4 1 | >slow F4 1.6",
    ),
    (
        11.0,
        "Moon Bb3 1 | leans D4 2 on F4 1 | trees Bb4 2 with G4 1 | "
        "small Eb4 1 birds F4 .5 in Eb4 .5 their D4 1 | >sleep C4 1.72",
    ),
    (
        23.0,
        "Rest F4 1* | when G4 1 the Bb4 1 sea G4 1 | wind F4 2 is D4 1* | "
        "gone Eb4 1 from D4 1 the C4 1 | >bay D4 .9 =now D4 .75",
    ),
    (
        35.0,
        "Stars D4 1 | swim F4 2 in Bb4 1 | rows D5 1.5 down C5 .5 the Bb4 1 | "
        "lake G4 1* to Eb4 1 the D4 .6 >shore C4 1.95",
    ),
    (
        47.0,
        "Who D4 1 | knows Bb4 2* how G4 1 | far A4 2* they F4 1 | "
        "sail G4 1 on F4 1 the D4 1 | >blue Eb4 1.54 ~ D4 .21 ~ C4 .21",
    ),
    (
        59.5,
        "So Bb3 .5 | lamp D4 2 burn F4 1 | on G4 1.5 till F4 .5 the Eb4 1 | "
        "light D4 1 comes C4 1 back A3 1* | >home Bb3 2.7",
    ),
)
_PART_OF_MARK = {">": "ending", "=": "restruck", "~": "tail"}


def _read_phrase(start_beats: float, text: str, *, phrase: int) -> list[WrittenNote]:
    tokens = [token for token in text.split() if token != "|"]
    notes: list[WrittenNote] = []
    at = start_beats
    for word, name, length in zip(tokens[::3], tokens[1::3], tokens[2::3], strict=True):
        beats = float(length.rstrip("*"))
        part = _PART_OF_MARK.get(word[0], "")
        sung = word[1:] if part else word
        at = round(at, 4)
        notes.append(WrittenNote(sung, name, at, beats, phrase, length.endswith("*"), part))
        at += beats
    return notes


def written_melody() -> tuple[WrittenNote, ...]:
    """The tune as written, in order of time."""
    notes: list[WrittenNote] = []
    for index, (start, text) in enumerate(_TUNE):
        notes += _read_phrase(start, text, phrase=index + 1)
    return tuple(notes)


def words_of_phrase(phrase: int) -> list[str]:
    """The one-syllable words of a phrase, lower case, in order."""
    return [n.word.lower() for n in written_melody() if n.phrase == phrase and n.word]


def chord_spans() -> tuple[ChordSpan, ...]:
    """The chart read bar by bar; "." holds a chord for one more beat."""
    spans: list[ChordSpan] = []
    for bar, cell in enumerate(CHART.split("|")):
        names = cell.split()
        step = BEATS_PER_BAR / len(names)
        for k, name in enumerate(names):
            start = bar * BEATS_PER_BAR + k * step
            if name == ".":
                spans[-1] = ChordSpan(spans[-1].name, spans[-1].start_beats, start + step)
            else:
                spans.append(ChordSpan(name, start, start + step))
    return tuple(spans)


HARTE = {
    "Bb": "Bb:maj", "Bb/D": "Bb:maj/3", "Eb": "Eb:maj", "F": "F:maj", "F7": "F:7",
    "Gm": "G:min", "Cm": "C:min", "Dm": "D:min",
}  # fmt: skip
ROMAN = {
    "Bb": "I", "Bb/D": "I6", "Eb": "IV", "F": "V", "F7": "V7", "Gm": "vi", "Cm": "ii", "Dm": "iii",
}  # fmt: skip

# Harp: four strings a chord from low to high, plucked in eighths.
HARP_STRINGS = {
    "Bb": "Bb3 F4 Bb4 D5", "Bb/D": "Bb3 F4 Bb4 D5", "Eb": "Bb3 G4 Bb4 Eb5",
    "F": "F3 C4 A4 C5", "F7": "A3 Eb4 A4 C5", "Gm": "G3 D4 Bb4 D5",
    "Cm": "G3 Eb4 G4 C5", "Dm": "A3 F4 A4 D5",
}  # fmt: skip
HARP_ORDER = {6: (0, 1, 2, 3, 2, 1), 4: (0, 1, 2, 3), 2: (0, 1)}
HARP_LAST_CHORD = "Bb2 F3 Bb3 D4 F4 Bb4"

# Bass: the note under each chord, and what it may play on the last beat of a full bar
# that does not end a phrase (a phrase ends over its bass note alone).
BASS_NOTE = {
    "Bb": "Bb1", "Bb/D": "D2", "Eb": "Eb2", "F": "F2", "F7": "F2", "Gm": "G2", "Cm": "C2",
    "Dm": "D2",
}  # fmt: skip
BASS_LAST_BEAT = {
    "Bb": "F2", "Bb/D": "D2", "Eb": "Eb2", "F": "F2", "F7": "F2", "Gm": "D2", "Dm": "D2",
}  # fmt: skip


@dataclass(frozen=True)
class PlayedNote:
    """One instrumental note in beats; ``velocity`` is the MIDI one."""

    midi: int
    start_beats: float
    end_beats: float
    velocity: int


def bass_part() -> tuple[PlayedNote, ...]:
    """Bass as written: a long note a chord, in most bars one more on the last beat."""
    notes: list[PlayedNote] = []
    for span in chord_spans():
        low = midi_of(BASS_NOTE[span.name])
        whole_bar = span.end_beats - span.start_beats == BEATS_PER_BAR
        ends_phrase = span.end_beats % (BARS_PER_PHRASE * BEATS_PER_BAR) == 0
        if whole_bar and not ends_phrase:
            cut = span.start_beats + 2
            notes.append(PlayedNote(low, span.start_beats, cut, 78))
            last = midi_of(BASS_LAST_BEAT[span.name])
            notes.append(PlayedNote(last, cut, span.end_beats, 62))
        else:
            ring = 1.5 if span.end_beats == N_BARS * BEATS_PER_BAR else 0
            notes.append(PlayedNote(low, span.start_beats, span.end_beats + ring, 78))
    return tuple(notes)


def harp_part() -> tuple[PlayedNote, ...]:
    """Harp as written: broken chords in eighths, damped at each change of chord."""
    notes: list[PlayedNote] = []
    *spans, last = chord_spans()
    for span in spans:
        strings = [midi_of(name) for name in HARP_STRINGS[span.name].split()]
        order = HARP_ORDER[round(2 * (span.end_beats - span.start_beats))]
        for k, string in enumerate(order):
            velocity = 62 if k == 0 else 48 + 4 * (string == 3)
            at = span.start_beats + k / 2
            notes.append(PlayedNote(strings[string], at, span.end_beats, velocity))
    for k, name in enumerate(HARP_LAST_CHORD.split()):
        notes.append(PlayedNote(midi_of(name), last.start_beats + 0.09 * k, last.end_beats + 2, 54))
    return tuple(notes)


BRUSH_TAP, BRUSH_SWIRL = 38, 40  # keys of the brush kit of General MIDI level 2


def brush_part() -> tuple[PlayedNote, ...]:
    """Brushes as written: a stroke round the drum on the downbeat, two light taps after.

    Under the taps the other hand goes on stirring.
    """
    notes: list[PlayedNote] = []
    for bar in range(N_BARS):
        at = float(bar * BEATS_PER_BAR)
        notes.append(PlayedNote(BRUSH_SWIRL, at, at + 0.9, 70))
        if bar < N_BARS - 1:
            notes.append(PlayedNote(BRUSH_SWIRL, at + 1, at + 1.9, 36))
            notes.append(PlayedNote(BRUSH_SWIRL, at + 2, at + 2.9, 44))
            notes.append(PlayedNote(BRUSH_TAP, at + 1, at + 1.5, 40))
            notes.append(PlayedNote(BRUSH_TAP, at + 2, at + 2.5, 46))
    return tuple(notes)
