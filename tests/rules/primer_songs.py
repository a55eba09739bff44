"""Two invented songs, read note by note by hand: a chorale and a pop song of 32 bars.

A line is a phrase: each word a note, its length in beats, and how a first-year class would read it:
`B4:1=3,third` is degree 3, the third of its chord; after `|` what the phrase ends as and its
cadence. Common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

from rule_songs import song

from retune.carriers.heard import Analysis


@dataclass(frozen=True)
class Phrase:
    """What is sung, and how it is read: (degree, role) of each note, ending, cadence."""

    tune: str
    read: tuple[tuple[str, str], ...]
    ending: str
    cadence: str


def _phrase(line: str) -> Phrase:
    notes, _, close = line.partition("|")
    ending, _, cadence = close.strip().partition(", ")
    words = [word.partition("=") for word in notes.split()]
    read = [reading.partition(",") for _, _, reading in words if reading]
    return Phrase(
        " ".join(word for word, _, _ in words),
        tuple((degree, role) for degree, _, role in read),
        ending,
        cadence,
    )


CHORALE_CHART = (
    "G D/F# G C | G/D D . . | Em B7 Em A7 | D . . . | G C D G | C D . Em | C Am D7 . | G"
)
CHORALE = tuple(
    map(
        _phrase,
        (
            # A cadential six-four, and a half cadence.
            "B4:1=3,third A4:1=2,fifth B4:1=3,third C5:1=4,root B4:1=3,third A4:3=2,fifth"
            " | open, half",
            # Applied dominants of vi and of V.
            "E5:1=6,root D#5:1=#5,third E5:1=6,root C#5:1=#4,third D5:4=5,root | open, half",
            # A passing note; then 4-3 over V, and V to vi.
            "D5:1=5,fifth E5:1=6,third D5:1/2=5,root C5:1/2=4,passing B4:1=3,third "
            "G4:2=1,fifth F#4:1=7,third G4:1=1,third | partly at rest, deceptive",
            # An accented passing note over the dominant seventh.
            "E5:1=6,third C5:1=4,third B4:1=3,passing A4:1=2,fifth G4:4=1,root"
            " | at rest, perfect authentic",
        ),
    )
)

POP_CHART = (
    "A | A/C# | D | Esus4 . E . | F#m | B7 | D/E | E7 |"
    "A | E/G# | F#m | D | A | Dm | Esus4 . E . | A |"
    "D | C#7 | F#m | B7 | Bm7 | D/E | E7 | F#7 |"
    "B | F#/A# | G#m | E | B | Em | F#sus4 . F# . | B"
)
POP = tuple(
    map(
        _phrase,
        (
            # Syncopated; a blue third over I; the fourth of a sus chord falls to its third.
            "r:1/2 C#5:1/2=3,third C#5:1/2=3,third E5:1=5,fifth E5:1/2=5,fifth C#5:1=3,third "
            "B4:1/2=2,neighbour C#5:1/2=3,third A4:1=1,root r:1/2 A4:1/2=1,root C5:1/2=b3,blue "
            "A4:1/2=1,root F#4:1=6,third A4:1=1,fifth B4:1/2=2,neighbour A4:1=1,fifth "
            "A4:1/2=1,fifth A4:2=1,suspension G#4:2=7,third | open, half",
            # The applied dominant of V, and V with a fourth in the bass's stead (IV over 5).
            "A4:1/2=1,third A4:1/2=1,third C#5:1=3,fifth B4:1/2=2,passing A4:1=1,third "
            "F#4:1/2=6,root D#5:1=#4,third C#5:1/2=3,passing B4:1=2,root A4:1/2=1,seventh "
            "F#4:1=6,fifth A4:2=1,fifth F#4:1=6,third A4:1=1,fifth B4:2=2,fifth r:1 | open, half",
            # A pickup; a neighbour either side; an anticipation over the barline.
            "E5:1=5,root E5:1=5,fifth C#5:1/2=3,third E5:1=5,fifth F#5:1/2=6,neighbour "
            "E5:1=5,fifth E5:1=5,root D5:1/2=4,neighbour E5:1/2=5,root B4:1=2,fifth "
            "C#5:1=3,anticipation C#5:1=3,fifth A4:1=1,third r:1 A4:1=1,third D5:1=4,root "
            "B4:1=2,appoggiatura A4:2=1,fifth | partly at rest, none",
            # The borrowed iv, and the tonic anticipated over V.
            "E5:1=5,fifth C#5:1/2=3,third E5:1=5,fifth F#5:1/2=6,neighbour E5:1=5,fifth "
            "F5:1=b6,third E5:1/2=5,passing D5:1=4,root A4:1/2=1,fifth B4:1=2,anticipation "
            "B4:1=2,fifth A4:1=1,suspension G#4:1=7,third A4:1=1,anticipation A4:3=1,root r:1"
            " | at rest, perfect authentic",
            # The applied dominants of vi (E sharp) and of V.
            "F#5:1=6,third E5:1=5,passing D5:1=4,root A4:1=1,fifth E#5:1=#5,third C#5:1=3,root "
            "B4:2=2,seventh A4:1=1,third C#5:2=3,fifth A4:1=1,third B4:1=2,root C#5:1=3,passing "
            "D#5:2=#4,third | open, none",
            "D5:1=4,third C#5:1=3,passing B4:1=2,root A4:1=1,seventh A4:1=1,fifth F#4:1=6,third "
            "A4:2=1,fifth B4:2=2,fifth G#4:2=7,third A#4:2=#1,third C#5:2=3,fifth | open, none",
            # The chorus again, a whole tone up: home goes with it.
            "F#5:1=5,fifth D#5:1/2=3,third F#5:1=5,fifth G#5:1/2=6,neighbour F#5:1=5,fifth "
            "F#5:1=5,root E5:1/2=4,neighbour F#5:1/2=5,root C#5:1=2,fifth D#5:1=3,anticipation "
            "D#5:1=3,fifth B4:1=1,third r:1 B4:1=1,third E5:1=4,root C#5:1=2,appoggiatura "
            "B4:2=1,fifth | partly at rest, none",
            "F#5:1=5,fifth D#5:1/2=3,third F#5:1=5,fifth G#5:1/2=6,neighbour F#5:1=5,fifth "
            "G5:1=b6,third F#5:1/2=5,passing E5:1=4,root B4:1/2=1,fifth C#5:1=2,anticipation "
            "C#5:1=2,fifth B4:1=1,suspension A#4:1=7,third B4:1=1,anticipation B4:4=1,root"
            " | at rest, perfect authentic",
        ),
    )
)


def chorale() -> Analysis:
    """G major, 4/4, eight bars, a chord a beat."""
    tune = " / ".join(phrase.tune for phrase in CHORALE)
    return song({"vocal": ("melody", tune)}, key="G major", chart=CHORALE_CHART, title="Evening")


def pop_song() -> Analysis:
    """A major, the last chorus in B: verse, chorus, bridge, chorus."""
    tune = " / ".join(phrase.tune for phrase in POP)
    return song(
        {"vocal": ("melody", tune)},
        key="A major",
        keys=[(25, "B major")],
        chart=POP_CHART,
        title="Harbour lights",
    )
