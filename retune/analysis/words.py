"""The words of a song laid under the notes of its melody, line by line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from retune.analysis.lyricfit import HELD, SHORT_S, cheapest_parts, fit
from retune.carriers.heard import DOUBTFUL, Analysis, Bars, Note, StemAnalysis
from retune.carriers.text import cut_short
from retune.song.bartime import seconds_at
from retune.song.lyriclines import LyricLine, Syllable

EARLY_S = 0.35  # a timed line is sung up to so long before its time
_MOST_LINES = 3
_SHOWN_WORDS = 4


@dataclass(frozen=True)
class _Laid:
    """Lines that belong to the same notes; `place` says in words where those are."""

    lines: tuple[int, ...]
    notes: tuple[Note, ...]
    place: str


def with_words(analysis: Analysis, lines: Sequence[LyricLine]) -> Analysis:
    """The analysis with a lyric on each note of the melody, and what did not fit as warnings."""
    melody = analysis.melody
    if melody is None or not lines:
        return analysis
    if not any(line.syllables for line in lines):
        return _told(analysis, ["lyrics: no word is in them"])
    placed = [_on_clock(line, analysis.bars) for line in lines]
    laid, told = _lay(placed, melody)
    lyrics: dict[int, str | None] = {}
    for group in laid:
        syllables = [s for k in group.lines for s in placed[k].syllables]
        is_marked = any(placed[k].is_marked for k in group.lines)
        found = fit(syllables, group.notes, is_marked=is_marked)
        lyrics |= {note.index: text for note, text in zip(group.notes, found, strict=True)}
        told += _misfit(group, placed, found)
    notes = tuple(replace(note, lyric=lyrics.get(note.index)) for note in melody.notes)
    stems = {**analysis.stems, melody.name: replace(melody, notes=notes)}
    return replace(_told(analysis, told), stems=MappingProxyType(stems))


def _told(analysis: Analysis, told: Sequence[str]) -> Analysis:
    return replace(analysis, warnings=tuple(dict.fromkeys([*analysis.warnings, *told])))


def _on_clock(line: LyricLine, bars: Bars) -> LyricLine:
    """A line with the seconds of what has a place in the bars."""
    syllables = tuple(replace(s, at_s=_moment(s, bars)) for s in line.syllables)
    timed = [s.at_s for s in syllables if s.at_s is not None]
    start_s = line.start_s if line.start_s is not None else (timed[0] if timed else None)
    return replace(line, syllables=syllables, start_s=start_s)


def _moment(syllable: Syllable, bars: Bars) -> float | None:
    if syllable.at_bar is None or len(bars.downbeats_s) < 2:
        return syllable.at_s
    bar, part = syllable.at_bar
    return seconds_at(bars.first_beat(bar) + part * bars.beats_in(bar), bars)


def _sung_notes(melody: StemAnalysis) -> list[Note]:
    return [n for n in melody.notes if n.singer is None or n.singer >= DOUBTFUL]


def _lay(lines: Sequence[LyricLine], melody: StemAnalysis) -> tuple[list[_Laid], list[str]]:
    if all(line.start_s is not None for line in lines):
        return _by_time(lines, _sung_notes(melody))
    return _by_phrase(lines, melody)


def _by_time(lines: Sequence[LyricLine], notes: Sequence[Note]) -> tuple[list[_Laid], list[str]]:
    """Each line over the notes from its time to that of the next."""
    starts = [line.start_s or 0.0 for line in lines] + [float("inf")]
    laid, told = [], []
    for k, line in enumerate(lines):
        since_s, until_s = starts[k] - EARLY_S, starts[k + 1] - EARLY_S
        inside = tuple(n for n in notes if since_s <= n.start_s < until_s)
        if inside and line.syllables:
            laid.append(_Laid((k,), inside, f"from {inside[0].start_s:.1f} s on"))
        elif line.syllables:
            told.append(f"lyrics: {_named(k, line)} has no note at {starts[k]:.1f} s")
    return laid, told


def _by_phrase(lines: Sequence[LyricLine], melody: StemAnalysis) -> tuple[list[_Laid], list[str]]:
    """A line a phrase; where there are more of the one than of the other, those together whose
    counts of syllables and notes agree best."""
    sung = _sung_notes(melody)
    phrases = [tuple(n for n in sung if n.phrase == p.index) for p in melody.phrases]
    numbers = [p.index for p, inside in zip(melody.phrases, phrases, strict=True) if inside]
    phrases = [inside for inside in phrases if inside]
    if not phrases:
        return [], ["lyrics: the melody has no phrase to lay them under"]
    groups, told = _grouped(lines, phrases)
    laid = []
    for group, held in groups:
        notes = tuple(note for p in held for note in phrases[p])
        first, last = numbers[held[0]], numbers[held[-1]]
        place = f"of phrase {first}" if first == last else f"of phrases {first}-{last}"
        laid.append(_Laid(group, notes, place))
    return laid, told


Group = tuple[tuple[int, ...], tuple[int, ...]]


def _grouped(
    lines: Sequence[LyricLine], phrases: Sequence[Sequence[Note]]
) -> tuple[list[Group], list[str]]:
    n_lines, n_phrases = len(lines), len(phrases)
    if n_lines == n_phrases:
        return [((k,), (k,)) for k in range(n_lines)], []
    asked = [line.n_notes for line in lines]
    given = [len(notes) for notes in phrases]
    told = [
        f"lyrics: {n_lines} lines for {n_phrases} phrases: laid where their syllables fit best; "
        "write one line a phrase to settle them"
    ]
    if n_lines > n_phrases:
        cuts = cheapest_parts(
            n_phrases, n_lines, lambda k, at, count: abs(sum(asked[at : at + count]) - given[k])
        )
        starts = [sum(cuts[:k]) for k in range(n_phrases)]
        pairs = zip(starts, cuts, strict=True)
        return [(tuple(range(a, a + c)), (k,)) for k, (a, c) in enumerate(pairs)], told
    return _fewer_lines(asked, given), told


def _fewer_lines(asked: Sequence[int], given: Sequence[int]) -> list[Group]:
    """Fewer lines than phrases: a line holds over several phrases or passes over some without
    words, whichever agrees better."""
    best: dict[tuple[int, int], tuple[float, list[Group]]] = {(0, 0): (0.0, [])}
    for k in range(len(asked) + 1):
        for p in range(len(given) + 1):
            if (k, p) not in best:
                continue
            cost, groups = best[k, p]
            steps: list[tuple[int, int, float, list[Group]]] = []
            if p < len(given):
                steps.append((k, p + 1, 0.5 * given[p], []))
            if k < len(asked):
                for count in range(1, min(_MOST_LINES, len(given) - p) + 1):
                    off = abs(asked[k] - sum(given[p : p + count])) + 0.5 * (count - 1)
                    steps.append((k + 1, p + count, off, [((k,), tuple(range(p, p + count)))]))
            for to_k, to_p, off, made in steps:
                if (to_k, to_p) not in best or cost + off < best[to_k, to_p][0] - 1e-9:
                    best[to_k, to_p] = (cost + off, [*groups, *made])
    return best[len(asked), len(given)][1]


def _named(k: int, line: LyricLine) -> str:
    words = line.text.split()
    more = " ..." if len(words) > _SHOWN_WORDS else ""
    return f'line {k + 1} ("{cut_short(" ".join(words[:_SHOWN_WORDS]))}{more}")'


def _misfit(group: _Laid, lines: Sequence[LyricLine], found: Sequence[str | None]) -> list[str]:
    """What a person should look at: a line whose syllables are not as many as its notes, but for
    tails and notes too short for a syllable of their own."""
    asked = sum(lines[k].n_notes for k in group.lines)
    held = [text == HELD for text in found]
    slips = [n.tail_of is not None or n.end_s - n.start_s < SHORT_S for n in group.notes]
    over = [slip for slip, on in zip(slips, held, strict=True) if on]
    if asked == len(found) or (asked < len(found) and len(found) - asked <= sum(over)):
        return []
    named = _named(group.lines[0], lines[group.lines[0]])
    told = f"lyrics: {named} has {asked} syllables for the {len(found)} notes {group.place}"
    if asked < len(found):
        at = [n.start_s for n, on in zip(group.notes, held, strict=True) if on][:3]
        where = ", ".join(f"{s:.1f} s" for s in at)
        return [f"{told}: held over at {where}; _ holds a syllable, - parts a word"]
    return [f"{told}: some are sung together on one note"]
