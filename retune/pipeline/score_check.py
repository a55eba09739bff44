"""The melody of a song with stems held against a score of it: what is heard otherwise."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

from retune.carriers.heard import Analysis, Bars, Note
from retune.carriers.text import counted
from retune.pipeline.inputs import SongInputs
from retune.song.bartime import seconds_at
from retune.song.guide import SCORE_SUFFIXES, GuideNote, mended, read_rough
from retune.song.scorelyrics import read_score_notes
from retune.song.textfile import read_text
from retune.sound.audio import AUDIO_SUFFIXES
from retune.theory.spelling import pitch_name

NEAR_S = 0.25
"""A note of the score is looked for so near to where it stands: people sing early and late."""
MOST_TOLD = 12


def score_words(opened: SongInputs, analysis: Analysis) -> list[str]:
    """A line for each difference between the melody as heard and the `guide` of a song with stems,
    after one that says how many notes agree; none without a guide, or where it serves a mix.

    Raises
    ------
    InputError
        The guide cannot be read.
    """
    path, melody = opened.song.music.guide, analysis.melody
    if path is None or opened.mix is not None or melody is None:
        return []
    if path.suffix.lower() in AUDIO_SUFFIXES:
        return [f"guide {path.name}: a recording guides a finished mix only; stems are heard as is"]
    if path.suffix.lower() in SCORE_SUFFIXES and len(analysis.bars.downbeats_s) < 2:
        return [f"guide {path.name}: a score has bars and no times, and no bars are heard"]
    score = _inside(_score(path, analysis.bars), opened.passage)
    lines = _differences(score, melody.notes, analysis)
    agree = len(score) - sum(is_of_score for is_of_score, _ in lines)
    told = [f"guide {path.name}: {agree} of {counted(len(score), 'note')} heard as written"]
    told += [f"guide {path.name}: {line}" for _, line in lines[:MOST_TOLD]]
    if len(lines) > MOST_TOLD:
        told.append(f"guide {path.name}: {len(lines) - MOST_TOLD} more differences")
    return told


def _score(path: Path, bars: Bars) -> Sequence[GuideNote]:
    if path.suffix.lower() not in SCORE_SUFFIXES:
        return mended(read_rough(path))[0]

    def place(bar: float) -> float:
        whole = math.floor(bar)
        return seconds_at(bars.first_beat(whole) + (bar - whole) * bars.beats_in(whole), bars)

    notes = read_score_notes(read_text(path, what="a score"), name=path.name)
    return [GuideNote(place(n.from_bar), place(n.to_bar), n.midi) for n in notes]


def _inside(score: Sequence[GuideNote], passage: tuple[float, float] | None) -> Sequence[GuideNote]:
    first_s, last_s = passage or (0.0, float("inf"))
    return [note for note in score if first_s <= note.start_s < last_s]


def _differences(
    score: Sequence[GuideNote], heard: Sequence[Note], analysis: Analysis
) -> list[tuple[bool, str]]:
    """In order of time: whether a note of the score is concerned, and what differs."""
    left = dict(enumerate(heard))
    found: list[tuple[float, bool, str]] = []
    for note in score:
        near = [k for k in left if abs(left[k].start_s - note.start_s) <= NEAR_S]
        written = pitch_name(round(note.midi), analysis.key_at(note.start_s))
        if not near:
            found.append((note.start_s, True, f"{written} at {note.start_s:.2f} s is not heard"))
            continue
        best = min(near, key=lambda k: _far(left[k], note))
        sung = left.pop(best)
        if round(note.midi) != sung.midi_name:
            where = f"in bar {sung.bar}" if sung.bar is not None else f"at {sung.start_s:.2f} s"
            found.append((note.start_s, True, f"{written} {where} is heard as {sung.name}"))
    found += [
        (n.start_s, False, f"{n.name} at {n.start_s:.2f} s is heard and not written")
        for n in left.values()
    ]
    return [(is_of_score, line) for _, is_of_score, line in sorted(found)]


def _far(sung: Note, note: GuideNote) -> tuple[bool, float]:
    """The same pitch first, then the nearest onset."""
    return round(note.midi) != sung.midi_name, abs(sung.start_s - note.start_s)
