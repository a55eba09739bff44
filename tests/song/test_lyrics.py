"""Words of a song: plain text with its signs, LRC, MusicXML; what cannot be read is refused."""

from __future__ import annotations

import re

import pytest

from retune.carriers.errors import InputError, SongFileError
from retune.song.lyrics import read_lyrics, read_lyrics_file, syllables_of
from retune.song.songfile import parse_song

SCORE = """<score-partwise version="4.0"><part-list/><part id="P1">
<measure number="0" implicit="yes"><attributes><divisions>2</divisions>
<time><beats>3</beats><beat-type>4</beat-type></time></attributes>
<note><pitch/><duration>2</duration><lyric number="1"><syllabic>single</syllabic><text>One</text>
</lyric></note></measure>
<measure number="1">
<note><pitch/><duration>2</duration><lyric number="1"><syllabic>begin</syllabic><text>lan</text>
</lyric><lyric number="2"><text>other</text></lyric></note>
<note><pitch/><duration>1</duration><lyric number="1"><syllabic>end</syllabic><text>tern</text>
</lyric></note><note><pitch/><duration>1</duration></note>
<note><rest/><duration>2</duration></note></measure>
<measure number="2"><note><pitch/><duration>6</duration><lyric number="1"><text>burns</text>
</lyric></note></measure></part></score-partwise>"""
SONG = """format = 1
[stems.vocal]
file = "vocal.wav"
role = "melody"
[music]
"""


@pytest.mark.parametrize(
    ("text", "syllables"),
    [
        ("Lan-tern burns low", ["Lan-", "tern", "burns", "low"]),
        ("lan\u00adtern", ["lan-", "tern"]),
        ("blue__ now", ["blue", "now"]),
        ("the~old * lamp", ["the old", "", "lamp"]),
        ("well\\-known", ["well\u2011known"]),
        ("go - on, now-", ["go", "on,", "now"]),
        ("", []),
    ],
)
def test_signs_of_plain_text(text: str, syllables: list[str]) -> None:
    assert [s.text for s in syllables_of(text)] == syllables


def test_underscores_hold_a_syllable_over_more_notes() -> None:
    assert [s.notes for s in syllables_of("on the blue__ now _")] == [1, 1, 3, 2]


def test_lines_are_phrases_and_headings_name_sections() -> None:
    lines = read_lyrics("[Verse 1]\nOne lamp\n\nburns low\n[chorus]\nso lamp")
    assert [(line.heading, line.text) for line in lines] == [
        ("Verse 1", "One lamp"),
        ("", "burns low"),
        ("chorus", "so lamp"),
    ]


def test_times_of_lrc() -> None:
    lines = read_lyrics("[ti:x]\n[offset:+500]\n[00:12.5]One <00:13.00>lamp\n[01:02.25][00:20]low")
    assert [(line.start_s, line.text) for line in lines] == [
        (12.0, "One lamp"),
        (19.5, "low"),
        (61.75, "low"),
    ]
    assert [s.at_s for s in lines[0].syllables] == [None, 12.5]


def test_words_of_a_score(tmp_path) -> None:
    path = tmp_path / "lantern.musicxml"
    path.write_text(SCORE, encoding="utf-8")
    first, second = read_lyrics_file(path)
    assert [(s.text, s.notes, s.at_bar) for s in first.syllables] == [
        ("One", 1, (0, pytest.approx(2 / 3))),
        ("lan-", 1, (1, 0.0)),
        ("tern", 2, (1, pytest.approx(1 / 3))),
    ]
    assert [(s.text, s.at_bar) for s in second.syllables] == [("burns", (2, 0.0))]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("<score", "no MusicXML"),
        ('<!DOCTYPE x [<!ENTITY a "b">]><score-partwise/>', "entities and declarations"),
        (
            '<!DOCTYPE x [<!ATTLIST note a CDATA "b">]><score-partwise/>',
            "entities and declarations",
        ),
        ('<!DOCTYPE x\n SYSTEM "a"\n[ <!-- -->]><score-partwise/>', "entities and declarations"),
        ("<score-timewise/>", "score-timewise"),
        ("<score-partwise><part/></score-partwise>", "no lyrics"),
    ],
)
def test_scores_that_hold_no_words(tmp_path, text: str, said: str) -> None:
    path = tmp_path / "x.musicxml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=said):
        read_lyrics_file(path)


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ('lyrics = "a"\nlyrics_file = "words.txt"', "keep one of the two"),
        ('lyrics_file = "vocal.wav"', r"\.musicxml file"),
        ('lyrics_file = "gone.txt"', "does not exist"),
        ('sections = [["9:1", "b"], ["1:1", "a"]]', "comes at or before the section"),
        ('sections = [["1:1", "a\\"b"]]', "cannot name a section"),
        ('sections = [["one", "a"]]', "bar:beat"),
    ],
)
def test_refused_in_a_song_file(tmp_path, lines: str, said: str) -> None:
    (tmp_path / "vocal.wav").write_bytes(b"")
    (tmp_path / "words.txt").write_text("One lamp", encoding="utf-8")
    with pytest.raises(SongFileError, match=said):
        parse_song(SONG + lines, path=tmp_path / "song.toml")


@pytest.mark.parametrize("number", ["0", "-1", "nan", "inf", "1e308", "1e-320", "x", ""])
@pytest.mark.parametrize("element", ["divisions", "duration", "beats", "beat-type"])
def test_numbers_that_no_score_has_place_nothing_outside(
    element: str, number: str, tmp_path
) -> None:
    path = tmp_path / "x.musicxml"
    path.write_text(re.sub(rf"(<{element}>)\d+", rf"\g<1>{number}", SCORE), encoding="utf-8")
    places = [s.at_bar for line in read_lyrics_file(path) for s in line.syllables if s.at_bar]
    assert places
    assert all(abs(part) < 100 for _, part in places)


def test_a_score_may_name_the_definition_of_its_kind(tmp_path) -> None:
    path = tmp_path / "x.musicxml"
    kind = (
        '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
        '"http://www.musicxml.org/dtds/partwise.dtd">'
    )
    path.write_text(f'<?xml version="1.0"?>{kind}{SCORE[SCORE.index("<score-") :]}', "utf-8")
    assert read_lyrics_file(path)


@pytest.mark.parametrize("name", ["part", "measure", "note"])
def test_a_score_nested_deeply_is_read_at_once(name: str, tmp_path) -> None:
    """Each part inside the one before was walked through again."""
    path = tmp_path / "x.musicxml"
    nest = f"<{name}>" * 50_000 + f"</{name}>" * 50_000
    path.write_text(f"<score-partwise><part>{nest}</part></score-partwise>", encoding="utf-8")
    with pytest.raises(InputError, match="no lyrics under its notes"):
        read_lyrics_file(path)
