"""How the syllables of a line lie under the notes of a phrase: a language-neutral fit.

Nothing is known of the language. A syllable stands on one note unless `_` says more; where counts
differ, what is held goes where the voice runs on (a tail, a note joined to the one before), what
is too much is sung together on the longest notes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from retune.carriers.heard import Note
from retune.song.lyriclines import Syllable

HELD = "_"
_JOINED_S = 0.015
SHORT_S = 0.15
# Costs against that of one note too many or too few, which is 1; set by ear on sung lines.
_ON_TAIL = 4.0
_ON_JOINED = 0.3
_ON_SHORT = 0.3
_ON_ENDING = -0.5
_A_SECOND_OFF = 20.0
_MOST_EXTRA = 16
_MOST_WEIGHED = 1_000_000  # a line of 400 syllables under 500 notes takes 720 000
Cost = Callable[[int, int, int], float]


def fit(
    syllables: Sequence[Syllable], notes: Sequence[Note], *, is_marked: bool
) -> list[str | None]:
    """The lyric of every note: a syllable, `HELD`, or None where nothing is sung.

    `is_marked`: the words are parted into syllables; where they are not, long words are given
    more notes than short ones.
    """
    if not syllables or not notes:
        return [None] * len(notes)
    if len(syllables) <= len(notes):
        shares = _held(syllables, notes, is_marked)
        return [
            text
            for syllable, count in zip(syllables, shares, strict=True)
            for text in [syllable.text or None] + [HELD if syllable.text else None] * (count - 1)
        ]
    counts = _together(syllables, notes)
    found, at = [], 0
    for count in counts:
        found.append(_joined_text(syllables[at : at + count]))
        at += count
    return found


def _joined_text(syllables: Sequence[Syllable]) -> str | None:
    text = " ".join(s.text for s in syllables if s.text).replace("- ", "-")
    return text or None


def _held(syllables: Sequence[Syllable], notes: Sequence[Note], is_marked: bool) -> list[int]:
    """How many notes each syllable takes, at least one."""
    extra = len(notes) - sum(s.notes for s in syllables)
    letters = [len(s.text) for s in syllables]
    spread = 0.0 if is_marked else max(extra, 0) / max(sum(letters), 1)
    wanted = [s.notes + spread * long for s, long in zip(syllables, letters, strict=True)]

    def cost(k: int, first: int, count: int) -> float:
        at_s = syllables[k].at_s
        off = 0.0 if at_s is None else _A_SECOND_OFF * abs(notes[first].start_s - at_s)
        return (count - wanted[k]) ** 2 + off + (_run_on(notes, first) if k else 0.0)

    return cheapest_parts(len(syllables), len(notes), cost)


def _run_on(notes: Sequence[Note], at: int) -> float:
    """How unlikely a new syllable begins at a note; at a phrase's ending it does so gladly."""
    if notes[at].is_phrase_ending:
        return _ON_ENDING
    if notes[at].tail_of is not None:
        return _ON_TAIL
    joined = _ON_JOINED if notes[at].start_s - notes[at - 1].end_s < _JOINED_S else 0.0
    return joined + (_ON_SHORT if notes[at].end_s - notes[at].start_s < SHORT_S else 0.0)


def _together(syllables: Sequence[Syllable], notes: Sequence[Note]) -> list[int]:
    """How many syllables each note takes, at least one."""
    lengths = [note.end_s - note.start_s for note in notes]
    extra = (len(syllables) - len(notes)) / max(sum(lengths), 1e-9)
    wanted = [1 + extra * length for length in lengths]
    return cheapest_parts(
        len(notes), len(syllables), lambda k, first, count: (count - wanted[k]) ** 2
    )


def cheapest_parts(parts: int, items: int, cost: Cost) -> list[int]:
    """How many of the `items` each of the `parts` takes, in order, one or more, at least cost;
    `cost(part, first item, count)`. A part takes at most what is over and 16 more than it must;
    where that leaves too much to weigh, all take as many as can be."""
    over = items - parts
    most = 1 + min(over, _MOST_EXTRA + 2 * -(-over // parts))
    if parts * (over + 1) * most > _MOST_WEIGHED:  # what is so far apart belongs together nowhere
        return [(k + 1) * items // parts - k * items // parts for k in range(parts)]
    best = {0: (0.0, 0)}  # by items taken: cost, count of the last part
    trail: list[dict[int, tuple[float, int]]] = []
    for k in range(parts):
        step: dict[int, tuple[float, int]] = {}
        for taken, (before, _) in best.items():
            for count in range(1, min(most, items - taken - (parts - 1 - k)) + 1):
                total = before + cost(k, taken, count)
                if taken + count not in step or total < step[taken + count][0] - 1e-12:
                    step[taken + count] = (total, count)
        trail.append(step)
        best = step
    counts, at = [], items
    for step in reversed(trail):
        counts.append(step[at][1])
        at -= counts[-1]
    return counts[::-1]
