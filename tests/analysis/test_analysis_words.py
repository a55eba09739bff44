"""Words under notes, phrases that are alike, sections: on melodies written note by note."""

from __future__ import annotations

from types import MappingProxyType

import pytest

from retune.analysis.form import letters_of, with_form
from retune.analysis.lyricfit import cheapest_parts
from retune.analysis.words import with_words
from retune.carriers.errors import SongFileError
from retune.carriers.heard import Analysis, Bars, Note, Phrase, StemAnalysis
from retune.carriers.songfacts import Music
from retune.song.lyriclines import LyricLine, Syllable
from retune.song.lyrics import read_lyrics

BEAT_S = 0.5
UP, DOWN, TURN = [60, 62, 64, 65], [67, 65, 64, 60], [72, 69, 71, 67]


def sung(*phrases: list[int], tails: int = 0) -> Analysis:
    """A melody in 4/4 at 120: each phrase a bar of quarters; the last `tails` of each a tail."""
    notes, spans = [], []
    for k, pitches in enumerate(phrases, start=1):
        at_s = 4 * BEAT_S * (k - 1)
        spans.append(Phrase(k, at_s, at_s + 4 * BEAT_S, ending_note=len(notes) + len(pitches)))
        for j, midi in enumerate(pitches):
            start_s = at_s + j * BEAT_S
            tail = len(notes) if j >= len(pitches) - tails else None
            notes.append(
                Note(
                    len(notes) + 1, start_s, start_s + 0.45, midi, "C4", 0.0,
                    bar=k, beat=1.0 + j, phrase=k, tail_of=tail,
                )
            )  # fmt: skip
    stem = StemAnalysis("vocal", "melody", tuple(notes), tuple(spans))
    downbeats = tuple(4 * BEAT_S * k for k in range(len(phrases) + 1))
    bars = Bars(downbeats, (4, 4), 120.0)
    stems = MappingProxyType({"vocal": stem})
    return Analysis("", 44100, downbeats[-1], 440.0, (), "found", 0.0, bars, (), stems)


def laid(analysis: Analysis, text: str) -> tuple[list[str | None], tuple[str, ...]]:
    found = with_words(analysis, read_lyrics(text))
    return [n.lyric for n in found.melody.notes], found.warnings


def test_one_syllable_a_note() -> None:
    lyrics, told = laid(sung(UP, DOWN), "Lan-tern burn-ing\nlow__ now")
    assert lyrics == ["Lan-", "tern", "burn-", "ing", "low", "_", "_", "now"]
    assert told == ()


def test_a_tail_holds_the_last_vowel_without_a_word_of_it() -> None:
    lyrics, told = laid(sung(UP, tails=1), "Lan-tern burns")
    assert lyrics == ["Lan-", "tern", "burns", "_"]
    assert told == ()


def test_what_does_not_fit_is_told_line_by_line() -> None:
    lyrics, told = laid(sung(UP, DOWN), "Lan-tern now\none two three four fi-ve")
    assert lyrics[4] == "one"
    assert sum(text == "_" for text in lyrics) == 1
    assert [line.split(" has ")[0] for line in told] == [
        'lyrics: line 1 ("Lantern now")',
        'lyrics: line 2 ("one two three four ...")',
    ]


def test_fewer_lines_than_phrases_pass_over_one() -> None:
    lyrics, told = laid(sung(UP, [60, 62], DOWN), "a b c d\ne f g h")
    assert lyrics == [*"abcd", None, None, *"efgh"]
    assert "2 lines for 3 phrases" in told[0]


def test_more_lines_than_phrases_share_one() -> None:
    lyrics, _ = laid(sung(UP, DOWN), "a b\nc d\ne f g h")
    assert lyrics == list("abcdefgh")


def test_timed_lines_go_by_the_clock() -> None:
    lyrics, _ = laid(sung(UP, DOWN), "[00:01.0]c d e\n[00:03.0]g h")
    assert lyrics == [None, None, "c", "d", "e", "_", "g", "h"]


def test_places_in_bars_pin_syllables() -> None:
    line = LyricLine((Syllable("a", at_bar=(1, 0.25)), Syllable("b", at_bar=(1, 0.75))), None)
    found = with_words(sung(UP), [line])
    assert [n.lyric for n in found.melody.notes] == [None, "a", "_", "b"]


@pytest.mark.parametrize(
    ("phrases", "letters"),
    [
        ((UP, DOWN, UP, DOWN), ["a", "b", "a", "b"]),
        ((UP, [60, 62, 64, 67], TURN), ["a", "a'", "b"]),
        ((UP, [60, 62, 64, 67], [60, 62, 64, 72], [60, 62, 64, 67]), ["a", "a'", "a''", "a'"]),
        ((UP, [m + 5 for m in UP]), ["a", "b"]),
    ],
)
def test_letters_of_phrases(phrases, letters) -> None:
    analysis = sung(*phrases)
    assert list(letters_of(analysis.melody, analysis.bars).values()) == letters


def test_sections_by_repetition() -> None:
    found = with_form(sung(UP, DOWN, TURN, UP, DOWN), Music())
    assert [(s.name, s.start_s, s.source) for s in found.sections] == [
        ("A", 0.0, "found by repetition"),
        ("B", 4.0, "found by repetition"),
        ("A", 6.0, "found by repetition"),
    ]
    assert [p.section for p in found.melody.phrases] == ["A", "A", "B", "A", "A"]
    assert with_form(sung(UP, DOWN, TURN), Music()).sections == ()


def test_given_sections_win_and_begin_with_their_phrase() -> None:
    music = Music(sections=(("1:1", "verse"), ("2:1", "chorus")))
    found = with_form(sung(UP, DOWN, UP, DOWN), music)
    assert [(s.name, s.start_s, s.end_s) for s in found.sections] == [
        ("verse", 0.0, 2.0),
        ("chorus", 2.0, 8.0),
    ]
    with pytest.raises(SongFileError, match="9:1 is not in the song"):
        with_form(sung(UP), Music(sections=(("9:1", "verse"),)))
    part = with_form(sung(UP), Music(sections=(("1:1", "verse"), ("9:1", "end"))), is_part=True)
    assert [section.name for section in part.sections] == ["verse"]


def test_headings_of_the_lyrics_name_sections() -> None:
    found = with_form(sung(UP, DOWN), Music(), read_lyrics("[verse]\na\n[chorus]\nb"))
    assert [(s.name, s.start_s, s.source) for s in found.sections] == [
        ("verse", 0.0, "lyrics"),
        ("chorus", 2.0, "lyrics"),
    ]


def test_cheapest_parts_takes_everything_in_order() -> None:
    assert cheapest_parts(3, 6, lambda k, at, count: (count - [1, 4, 1][k]) ** 2) == [1, 4, 1]


@pytest.mark.parametrize("words", ["la " * 30_000, "la-" * 30_000, "la la\n" * 4_000, "*" * 9_000])
def test_far_more_words_than_notes_take_no_time(words: str) -> None:
    analysis = with_words(sung(UP, DOWN), read_lyrics(words))
    assert all(note.lyric is None or note.lyric for note in analysis.melody.notes)
    assert all(len(line) < 300 for line in analysis.warnings)
