"""Song files that read, bare recordings, and the lines that messages name."""

from __future__ import annotations

import math
import os
import tomllib
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from hypothesis import given
from hypothesis import strategies as st

from retune.carriers.errors import SongFileError, UsageError
from retune.carriers.heard import ROLES
from retune.carriers.songfacts import Correction, Music, Song, Variant
from retune.song.songfile import parse_song, read_song, read_variants
from retune.song.tomltext import key_lines

LANTERN = """\
format = 1
title = "Lantern Song"
rights = "CC0"                 # shown everywhere

[stems.vocal]
file = "vocal.flac"
role = "melody"
gain_db = 1                    # a whole number is a decimal too

[stems.harp_2]
file = "sub/harp.flac"
role = "harmony"
when_melody_moves = "scale steps"

[music]
key = "Bb major"
keys = [["17:1", "G major"], ["21:2.5", "Bb major"]]
meter = "3/4"
tempo_bpm = 92
first_downbeat_s = 0.65
tuning_hz = "auto"
chords = \"\"\"
Bb | Gm |
Eb . F7 | Bb\"\"\"
guide = "melody.csv"
phrases = "every 4 bars, pickup 1 beat"

[variants.home-early]
about = "every waiting ending comes home"
rules = [
    "move phrase-ending degree 2 to degree 1 in phrases 1-3",
    "keep phrase-ending note in phrase last",
]

[[corrections]]
stem = "vocal"
at_s = 12.40
set = "pitch F4"

[[corrections]]
stem = "harp_2"
at_s = 3
set = "not  an ending"
"""


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A song's folder with its files, no sound in them."""
    (tmp_path / "sub").mkdir()
    for name in ("vocal.flac", "sub/harp.flac", "melody.csv", "chords.lab", "melody.txt"):
        (tmp_path / name).write_bytes(b"")
    return tmp_path


def write(home: Path, text: str | bytes) -> Path:
    path = home / "song.toml"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def test_a_full_song_file_reads(home: Path) -> None:
    song = read_song(write(home, LANTERN))
    assert (song.title, song.rights) == ("Lantern Song", "CC0")
    assert song.path == home / "song.toml"
    assert list(song.stems) == ["vocal", "harp_2"]
    assert song.stems["vocal"].gain_db == 1.0
    assert isinstance(song.stems["vocal"].gain_db, float)
    assert song.stems["harp_2"].path == (home / "sub/harp.flac").resolve()
    assert song.stems["harp_2"].follow == "scale steps"
    assert song.music == Music(
        key="Bb major",
        keys=(("17:1", "G major"), ("21:2.5", "Bb major")),
        meter=(3, 4),
        tempo_bpm=92.0,
        first_downbeat_s=0.65,
        chords="Bb | Gm |\nEb . F7 | Bb",
        guide=(home / "melody.csv").resolve(),
        phrases="every 4 bars, pickup 1 beat",
    )
    assert song.variants == {
        "home-early": Variant(
            "home-early",
            (
                "move phrase-ending degree 2 to degree 1 in phrases 1-3",
                "keep phrase-ending note in phrase last",
            ),
            "every waiting ending comes home",
        )
    }
    assert song.corrections == (
        Correction("vocal", 12.4, "pitch F4"),
        Correction("harp_2", 3.0, "not an ending"),
    )


SMALL = 'format = 1\n[stems.vocal]\nfile = "vocal.flac"\nrole = "melody"\n'


def test_what_is_not_said_is_to_be_found(home: Path) -> None:
    song = read_song(write(home, SMALL))
    assert song.music == Music(meter_given=False)
    assert song.title == home.resolve().name
    assert (song.variants, song.corrections) == ({}, ())
    auto = '[music]\nkey = "auto"\nmeter = "auto"\ntempo_bpm = "auto"\nphrases = "auto"\n'
    assert read_song(write(home, SMALL + auto)).music == Music(meter_given=False)


@pytest.mark.parametrize(
    "data",
    [
        b"\xef\xbb\xbf" + LANTERN.encode(),
        LANTERN.replace("\n", "\r\n").encode(),
        b"\xef\xbb\xbf" + LANTERN.replace("\n", "\r\n").encode(),
    ],
    ids=["BOM", "CRLF", "both"],
)
def test_marks_and_line_ends_of_other_systems(home: Path, data: bytes) -> None:
    plain = read_song(write(home, LANTERN))
    other = read_song(write(home, data))
    assert other.stems == plain.stems
    assert other.variants == plain.variants


def test_free_tempo_and_phrases_by_hand(home: Path) -> None:
    text = SMALL + "[music]\ndownbeats_s = [0, 2, 3.9]\nphrases = [[0, 4], [4, 8.5]]\n"
    music = read_song(write(home, text)).music
    assert music.downbeats_s == (0.0, 2.0, 3.9)
    assert music.phrases == ((0.0, 4.0), (4.0, 8.5))


def test_a_link_inside_the_folder_is_followed(home: Path) -> None:
    os.symlink("vocal.flac", home / "take.flac")
    song = read_song(write(home, SMALL.replace("vocal.flac", "take.flac")))
    assert song.stems["vocal"].path == (home / "vocal.flac").resolve()


def test_from_another_folder(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write(home, SMALL)
    monkeypatch.chdir(home / "sub")
    assert read_song("../song.toml").stems["vocal"].path.is_file()


# --- variants files --------------------------------------------------------------------------


def test_a_variants_file_holds_variants_only(tmp_path: Path) -> None:
    path = tmp_path / "variants.toml"
    path.write_text('format = 1\n[variants.a]\nrules = ["keep every note"]\n')
    assert read_variants(path) == {"a": Variant("a", ("keep every note",))}
    path.write_text(path.read_text() + "[music]\n")
    with pytest.raises(SongFileError, match="line 4: music: unknown key; known here: format, var"):
        read_variants(path)
    path.write_text("format = 1\n")
    with pytest.raises(SongFileError, match="variants is missing"):
        read_variants(path)


# --- bare recordings -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("file", "stem"),
    [
        ("lead voice (take 2).wav", "lead-voice-take-2"),
        ("01 Lantern.flac", "Lantern"),
        ("歌.wav", "vocal"),
        ("mix.mp3", "vocal"),
        ("Bass.ogg", "Bass"),
        ("the.wav", "vocal"),
        ("99.wav", "vocal"),
    ],
)
def test_a_recording_alone_is_a_song(tmp_path: Path, file: str, stem: str) -> None:
    (tmp_path / file).write_bytes(b"x")
    song = read_song(tmp_path / file)
    assert list(song.stems) == [stem]
    assert song.stems[stem].role == "melody"
    assert song.stems[stem].path == tmp_path / file
    assert song.title == Path(file).stem
    assert song.music == Music(meter_given=False)


def test_options_say_the_rest(tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_bytes(b"x")
    song = read_song(
        tmp_path / "a.wav", key="Bb major", meter="3/4", tempo="92", downbeat="0.5",
        chords="Bb | F7", phrases="[[0, 4], [4, 8]]",
    )  # fmt: skip
    assert song.music == Music(
        key="Bb major",
        meter=(3, 4),
        tempo_bpm=92.0,
        first_downbeat_s=0.5,
        chords="Bb | F7",
        phrases=((0.0, 4.0), (4.0, 8.0)),
    )
    assert read_song(tmp_path / "a.wav", tempo="auto").music.tempo_bpm is None


def test_a_recording_without_a_suffix_is_known_by_content(tmp_path: Path) -> None:
    (tmp_path / "take").write_bytes(b"fLaC" + bytes(40))
    assert list(read_song(tmp_path / "take").stems) == ["take"]


@pytest.mark.parametrize(
    ("option", "text", "message"),
    [
        ("meter", "3", '--meter: "3" is not a meter'),
        ("tempo", "fast", '--tempo: "fast" is not a number'),
        ("tempo", "nan", "--tempo: nan is out of range"),
        ("tempo", "1000", "--tempo: 1000.0 is out of range; must be a number from 20 to 400"),
        ("downbeat", "-1", "--downbeat: -1.0 is out of range"),
        ("key", "H major", "--key: "),
        ("phrases", "[[0, 1", "--phrases: .* does not read"),
        ("phrases", "[[0, 2], [1, 3]]", "--phrases: starts at 1 s, before the phrase above"),
        ("phrases", "some", '--phrases: "some" is not known'),
    ],
)
def test_options_are_checked_like_the_file(
    tmp_path: Path, option: str, text: str, message: str
) -> None:
    (tmp_path / "a.wav").write_bytes(b"x")
    with pytest.raises(SongFileError, match=message):
        read_song(tmp_path / "a.wav", **{option: text})


def test_options_beside_a_song_file_are_refused(home: Path) -> None:
    with pytest.raises(UsageError, match=r"--tempo is for a bare recording; in .*tempo_bpm under"):
        read_song(write(home, SMALL), tempo="92")


def test_a_recording_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(SongFileError, match=r"none\.wav does not exist"):
        read_song(tmp_path / "none.wav")
    (tmp_path / "dir.wav").mkdir()
    with pytest.raises(SongFileError, match=r"dir\.wav is a folder"):
        read_song(tmp_path / "dir.wav")


# --- lines -----------------------------------------------------------------------------------


def test_every_key_knows_its_line() -> None:
    text = (
        '# top\nformat = 1\ntitle = """\n[not.a.table]\nx = 1"""\na.b = 3\n'
        '"q \\u00e9.x" = [ # note\n  "a]", # ]\n  "b", [1,\n  2],\n]\n'
        "[ stems . 'the vocal' ]  # c\nfile = 'x#y'\ninline = {a = [1, 2], b = 2}\n"
        "[[rows]]\nn = 1\n[[rows]]\nn = 2\n[rows.more]\nz = '''\n\n'''\nlast = 1"
    )
    tomllib.loads(text)
    assert key_lines(text) == {
        ("format",): 2,
        ("title",): 3,
        ("a",): 6,
        ("a", "b"): 6,
        ("q é.x",): 7,
        ("q é.x", 0): 8,
        ("q é.x", 1): 9,
        ("q é.x", 2): 9,
        ("stems", "the vocal"): 12,
        ("stems", "the vocal", "file"): 13,
        ("stems", "the vocal", "inline"): 14,
        ("rows", 0): 15,
        ("rows", 0, "n"): 16,
        ("rows", 1): 17,
        ("rows", 1, "n"): 18,
        ("rows", 1, "more"): 19,
        ("rows", 1, "more", "z"): 20,
        ("rows", 1, "more", "last"): 23,
    }


@pytest.mark.parametrize(
    "value",
    [
        '"""a\\"""\nb = 1"""',
        '"""a\n"" [x]\n"""""',
        '""""a\n"""',
        '""""""',
        "'''a\n'' # no comment\n'''''",
        "''''a'''",
        '"]" # """',
        '[["]\\"", \'"\'], [ # [\n]]',
    ],
)
def test_strings_do_not_hide_the_next_line(value: str) -> None:
    text = f"x = {value}\nnext = 1\n"
    tomllib.loads(text)
    assert key_lines(text)["next",] == text.count("\n")


VALUES = st.recursive(
    st.integers(-9, 9) | st.text(max_size=6) | st.booleans(),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3)
    ),
    max_leaves=6,
)


@given(st.dictionaries(st.text(max_size=6), VALUES, max_size=6))
def test_the_line_named_is_the_line_of_the_key(document: dict[str, Any]) -> None:
    text = tomlkit.dumps(document)
    lines = key_lines(text)
    rows = text.split("\n")
    for key in document:
        if (key,) not in lines:  # a table that only holds tables has no line of its own
            assert isinstance(document[key], dict | list)
            continue
        row = rows[lines[(key,)] - 1].lstrip("[ ")
        written = tomlkit.key(key).as_string()
        assert row.startswith(written)


# --- round trips -----------------------------------------------------------------------------

NAMES = st.from_regex(r"\A[A-Za-z][A-Za-z0-9_-]{0,9}\Z").map(lambda name: f"x{name}")
TIMES = st.floats(0, 86400) | st.integers(0, 86400)
LINES = st.text(st.characters(exclude_categories=["Cc", "Cs"]), max_size=20)


@st.composite
def songs(draw: st.DrawFn) -> dict[str, Any]:
    stems = draw(st.lists(NAMES, min_size=1, max_size=3, unique_by=str.casefold))
    variants = draw(st.lists(NAMES, max_size=2, unique_by=str.casefold))
    # Nothing that is nearer than the least distance of downbeats and phrases.
    drawn = draw(st.lists(TIMES, min_size=2, max_size=6, unique_by=lambda time: int(time * 4)))
    cuts = [round(time, 6) for time in sorted(drawn)]
    cuts = [time for k, time in enumerate(cuts) if k == 0 or time - cuts[k - 1] >= 0.25]
    cuts = cuts if len(cuts) > 1 else [cuts[0], cuts[0] + 1]
    music = {
        "meter": f"{draw(st.integers(1, 16))}/{draw(st.sampled_from([2, 4, 8, 16]))}",
        "tempo_bpm": draw(st.floats(20, 400) | st.integers(20, 400)),
        "tuning_hz": draw(st.floats(380, 500)),
        "phrases": [list(pair) for pair in zip(cuts[::2], cuts[1::2], strict=False)],
        draw(st.sampled_from(["first_downbeat_s", "downbeats_s"])): None,
    }
    music = {
        key: value if value is not None else (cuts if key == "downbeats_s" else cuts[0])
        for key, value in music.items()
    }
    return {
        "format": 1,
        "title": draw(LINES),
        "stems": {
            name: {
                "file": "vocal.flac",
                "role": draw(st.sampled_from(ROLES)),
                "gain_db": draw(st.floats(-60, 60)),
            }
            for name in stems
        },
        "music": music,
        "variants": {
            name: {"about": draw(LINES), "rules": draw(st.lists(LINES, min_size=1, max_size=2))}
            for name in variants
        },
        "corrections": [
            {"stem": draw(st.sampled_from(stems)), "at_s": draw(TIMES), "set": "octave up"}
            for _ in range(draw(st.integers(0, 2)))
        ],
    }


def as_document(song: Song, *, title: str) -> dict[str, Any]:
    """The song file that says what a song holds."""
    music = song.music
    given = {
        "meter": "{}/{}".format(*music.meter),
        "tempo_bpm": music.tempo_bpm,
        "tuning_hz": music.tuning_hz,
        "phrases": [list(span) for span in music.phrases],
        "first_downbeat_s": music.first_downbeat_s,
        "downbeats_s": None if music.downbeats_s is None else list(music.downbeats_s),
    }
    return {
        "format": 1,
        "title": title,
        "stems": {
            stem.name: {"file": stem.path.name, "role": stem.role, "gain_db": stem.gain_db}
            for stem in song.stems.values()
        },
        "music": {key: value for key, value in given.items() if value is not None},
        "variants": {
            name: {"about": variant.about, "rules": list(variant.rules)}
            for name, variant in song.variants.items()
        },
        "corrections": [
            {name: value for name, value in vars(row).items() if value != ""}
            for row in song.corrections
        ],
    }


@pytest.fixture(scope="module")
def shared_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("song")
    (home / "vocal.flac").write_bytes(b"")
    return home


@given(document=songs())
def test_what_is_written_is_what_is_read(shared_home: Path, document: dict[str, Any]) -> None:
    path = shared_home / "song.toml"
    song = parse_song(tomlkit.dumps(document), path=path)
    assert as_document(song, title=document["title"]) == document
    assert math.isfinite(song.music.tempo_bpm or 0.0)
    again = parse_song(tomlkit.dumps(as_document(song, title=song.title)), path=path)
    assert again == song


def test_the_old_word_for_what_a_harmony_does_is_read_and_told(home: Path) -> None:
    """`follow` before 1.0."""
    from retune.song.songfile import parse_song

    text = SMALL.replace('role = "melody"', 'role = "melody"\nfollow = "semitones"', 1)
    stem = next(iter(parse_song(text, path=home / "song.toml").stems.values()))
    assert (stem.follow, stem.old_words) == ("semitones", ("follow",))


def test_a_bare_recording_is_a_mix_where_it_is_said_to_be(tmp_path: Path) -> None:
    path = tmp_path / "all.wav"
    path.write_bytes(b"RIFF")
    (stem,) = read_song(path, mix=True).stems.values()
    assert stem.role == "mix"
    (stem,) = read_song(path).stems.values()
    assert stem.role == "melody"
    with pytest.raises(UsageError, match='role = "mix"'):
        read_song(tmp_path / "song.toml", mix=True)
