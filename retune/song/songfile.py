"""Song files and variants files: read strictly, into the carriers."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from retune.carriers.barlines import Bars, written_beats
from retune.carriers.errors import ChordError, SongFileError, UsageError
from retune.carriers.songfacts import Correction, Music, Song, Stem, Variant
from retune.carriers.text import file_stem, printable
from retune.song.songbars import check_meters
from retune.song.songschema import (
    MUSIC,
    RULE_WORDS,
    SONG,
    STEM_RESERVED,
    VARIANTS_FILE,
    Field,
    is_document,
)
from retune.song.songvalues import Where, check_guide, shown
from retune.song.textfile import read_text
from retune.song.tomltext import parse_toml
from retune.sound.audio import AUDIO_SUFFIXES
from retune.sound.audiohead import sniff_kind
from retune.sound.files import missing_as

# Options of a bare recording, and the keys of [music] that they stand for.
_OPTIONS = {
    "key": "key",
    "meter": "meter",
    "tempo": "tempo_bpm",
    "downbeat": "first_downbeat_s",
    "chords": "chords",
    "phrases": "phrases",
    "guide": "guide",
}
_NUMBERS = ("tempo", "downbeat")
AFTER_END_S = 60.0  # so long after the sound may its last bar or phrase still end
AFTER_NOTE_S = 1.0
SONG_SOURCES = (
    "a song file (song.toml) or a recording (WAV, FLAC, OGG, MP3 or AIFF; with retune[media] also "
    "M4A, MP4, MOV, WebM and WMA)"
)


def read_song(
    path: str | Path,
    *,
    key: str | None = None,
    meter: str | None = None,
    tempo: str | None = None,
    downbeat: str | None = None,
    chords: str | None = None,
    phrases: str | None = None,
    guide: str | None = None,
    mix: bool = False,
) -> Song:
    """The song described by a song file, or by a bare recording and what is said about it.

    The options are strings as typed on a command line, for a bare recording only; its one stem
    has the role "melody", with a `guide` (a path) or as a `mix` the role "mix". Stem paths of a
    song file stay inside its folder.

    Raises SongFileError naming file, line, key, what was given and what is allowed; UsageError
    for options beside a song file.
    """
    options = {
        name: value
        for name, value in zip(
            _OPTIONS, (key, meter, tempo, downbeat, chords, phrases, guide), strict=True
        )
        if value is not None
    }
    path = Path(path)
    if _is_recording(path):
        return _bare_song(path, options, is_mix=mix)
    if mix and path.suffix.lower() == ".toml":
        raise UsageError(f'--mix is for a bare recording; in {path} write role = "mix" at its stem')
    if options and path.suffix.lower() == ".toml":
        name = next(iter(options))
        raise UsageError(
            f"--{name} is for a bare recording; in {path} write {_OPTIONS[name]} under [music]"
        )
    return parse_song(song_text(path), path=path)


def named_after(path: str | Path) -> str:
    """What a song without a title is called: as its file, or as its folder where that is a
    "song.toml" like any other."""
    path = Path(path)
    folder = os.path.basename(os.path.realpath(path.parent)) if path.name == "song.toml" else ""
    return printable(folder or path.stem)


def song_text(path: str | Path) -> str:
    """The text of a song file. Raises SongFileError for a file that holds none."""
    return read_text(path, what=SONG_SOURCES, error=SongFileError)


def parse_song(text: str, *, path: str | Path) -> Song:
    """The song that `text` describes; `path` is where it stands (its folder holds the stems)."""
    path = Path(path).absolute()
    return _song(*_document(text, path=path, fields=SONG), path=path)


def song_of_tables(tables: Any, *, where: Where, path: Path) -> Song:
    """The song of tables as TOML gives them, checked as strictly as a song file.

    `path` is where the song file would stand; file names count from `where.folder`.
    Raises SongFileError naming `where`.
    """
    return _song(is_document(SONG)(tables, where), where, path=path)


def _song(document: Mapping[str, Any], where: Where, *, path: Path) -> Song:
    stems = {
        name: _stem(name, table, where.at("stems", name))
        for name, table in document["stems"].items()
    }
    if not stems:
        where.at("stems").fail("names no stem; add [stems.vocal]")
    for name, stem in stems.items():
        if stem.voice is not None and stem.role != "mix":
            where.at("stems", name, "voice").fail(
                'is for a finished mix; give this stem role = "mix" or leave voice out'
            )
    for index, row in enumerate(document["corrections"]):
        if row["stem"] not in stems:
            where.at("corrections", index, "stem").fail(
                f'no stem is called "{row["stem"]}"; there are {", ".join(stems)}'
            )
    return Song(
        path=path,
        title=document["title"] or named_after(path),
        rights=document["rights"],
        stems=stems,
        music=_music(document["music"], where.at("music").at),
        variants=_variants(document["variants"]),
        corrections=tuple(Correction(**row) for row in document["corrections"]),
        passage=document["passage"],
        heard_with=document["heard_with"],
    )


def place_of(song: Song, *key: str | int) -> str:
    """Where a value of a song stands, for messages: file, line and key; for a bare recording the
    option that gave it."""
    if _is_recording(song.path):
        options = {name: option for option, name in _OPTIONS.items()}
        return f"--{options.get(str(key[-1]), key[-1])}"
    try:
        where = Where(song.path, song_text(song.path)).at(*key)
    except SongFileError:
        where = Where(song.path).at(*key)
    return where.place


def check_times(song: Song, *, duration_s: float) -> None:
    """Refuse what lies past the end of the song, where it could only be passed over in silence
    or make the song as long as somebody likes.

    Raises SongFileError naming file, line and key.
    """
    music = song.music
    given: list[tuple[tuple[str | int, ...], float, str]] = []
    if music.first_downbeat_s is not None:
        given.append((("first_downbeat_s",), music.first_downbeat_s, "its first downbeat"))
    if music.downbeats_s:
        given.append((("downbeats_s",), music.downbeats_s[0], "its first downbeat"))
    if not isinstance(music.phrases, str):
        starts = (start_s for start_s, _ in music.phrases)
        given += [(("phrases", k), start_s, "a phrase in it") for k, start_s in enumerate(starts)]
        ends = ((k, end_s) for k, (_, end_s) in enumerate(music.phrases))
        given += [
            (("phrases", k), end_s - AFTER_END_S, "its end, or that of the song")
            for k, end_s in ends
        ]
    given += [
        (("downbeats_s", k), at_s - AFTER_END_S, "a bar in it")
        for k, at_s in enumerate(music.downbeats_s or ())
    ]
    places = [(("music", *key), at_s, what) for key, at_s, what in given]
    for k, correction in enumerate(song.corrections):
        said = re.search(r"(?:start|end|to) (\d+(?:\.\d+)?)", correction.set)
        places.append((("corrections", k, "at_s"), correction.at_s, "a note in it"))
        if said:
            until_s = float(said[1]) - AFTER_NOTE_S
            places.append((("corrections", k, "set"), until_s, "a place in it"))
    for key, at_s, what in places:
        if at_s >= duration_s:
            raise SongFileError(
                f"{place_of(song, *key)}: {at_s:g} s is past the end of the song "
                f"({duration_s:.2f} s); give the time of {what}"
            )


def read_variants(path: str | Path) -> Mapping[str, Variant]:
    """The variants of a variants file (`format` and `[variants.NAME]` only), by name."""
    text = read_text(path, what="a variants file", error=SongFileError)
    document, _ = _document(text, path=Path(path), fields=VARIANTS_FILE)
    return _variants(document["variants"])


def _document(
    text: str, *, path: Path, fields: Mapping[str, Field]
) -> tuple[dict[str, Any], Where]:
    raw = parse_toml(text, path=path)
    where = Where(path, text)
    return is_document(fields)(raw, where), where


def _stem(name: str, table: Mapping[str, Any], where: Where) -> Stem:
    now, before = table["when_melody_moves"], table["follow"]
    if now is not None and before is not None:
        where.at("follow").fail("stands beside when_melody_moves, its new name; leave it out")
    return Stem(
        name,
        table["file"],
        table["role"],
        table["gain_db"],
        now or before or "keep",
        table["voice"],
        ("follow",) if before is not None else (),
    )


def _variants(tables: Mapping[str, Mapping[str, Any]]) -> Mapping[str, Variant]:
    return {name: Variant(name, table["rules"], table["about"]) for name, table in tables.items()}


def _music(table: Mapping[str, Any] | None, at: Callable[[str], Where]) -> Music:
    """Musical facts; keys that exclude one another are refused, `at` the place of the one."""
    given = {name: value for name, value in (table or {}).items() if value is not None}
    for first, second in (
        ("chords", "chords_file"),
        ("downbeats_s", "first_downbeat_s"),
        ("lyrics", "lyrics_file"),
    ):
        if first in given and second in given:
            at(second).fail(f"{first} is given too; keep one of the two")
    bars = check_meters(given, at)
    if "meter" in given or "tempo_map" in given:
        _check_pickup(given.get("phrases"), bars, at("phrases"))
    if "chords" in given:
        counted = "meter" in given or "tempo_map" in given
        _check_chart(given["chords"], bars if counted else None, at("chords"))
    if "keys" in given and given["keys"] and given["key"] == "auto":
        at("keys").fail('needs the key it changes from; set key = "..."')
    return Music(**given, meter_given="meter" in given)


def _check_chart(text: str, bars: Bars | None, where: Where) -> None:
    from retune.song.chart import check_chart

    try:
        check_chart(text, bars=bars)
    except ChordError as error:
        where.fail(str(error).removeprefix("chords: "))


def _check_pickup(phrases: Any, bars: Bars, where: Where) -> None:
    pickup = re.search(r"pickup ([\d.]+)", phrases) if isinstance(phrases, str) else None
    beats = min(written_beats(change.meter) for change in bars.meters)
    if pickup and float(pickup[1]) >= beats:
        where.fail(
            f"a pickup of {pickup[1]} beats is no shorter than a bar of {beats}; "
            f"give less than {beats} beats"
        )


# --- a recording alone -----------------------------------------------------------------------


def _is_recording(path: Path) -> bool:
    """A sound file by its name, or, under a name that says nothing, by its content."""
    suffix = path.suffix.lower()
    if suffix in AUDIO_SUFFIXES or suffix == ".toml":
        return suffix != ".toml"
    try:
        return os.path.isfile(path) and sniff_kind(path) is not None
    except OSError:
        return False


def _bare_song(path: Path, options: Mapping[str, str], *, is_mix: bool) -> Song:
    said = missing_as(path)
    if said:
        raise SongFileError(f"{path} {said}; give {SONG_SOURCES}")
    said_by = {name: Where(path, label=f"--{option}") for option, name in _OPTIONS.items()}
    facts = {}
    for option, text in options.items():
        name = _OPTIONS[option]
        if option == "guide":
            facts[name] = _guide(text, said_by[name])
            continue
        facts[name] = MUSIC[name].check(_typed(option, text, said_by[name]), said_by[name])
    name = _stem_name(path)
    stem = Stem(name, path.absolute(), "mix" if is_mix or "guide" in facts else "melody")
    music = _music(facts, said_by.__getitem__)
    return Song(path.absolute(), named_after(path), "", {name: stem}, music)


def _guide(text: str, where: Where) -> Path:
    """The guide of a recording that is a finished mix; any path, as for the recording itself."""
    path = Path(text).absolute()
    said = missing_as(path)
    if said:
        where.fail(f"{shown(text)} {said}; give a CSV, a MIDI file or a recording of the melody")
    check_guide(path, where, text=shown(text))
    return path


def _typed(option: str, text: str, where: Where) -> Any:
    """An option's text as the value that stands in a song file."""
    if option in _NUMBERS and text.strip() != "auto":
        try:
            return float(text)
        except ValueError:
            where.fail(f'"{text}" is not a number; write a number or "auto"')
    if option == "phrases" and text.lstrip().startswith("["):
        return _spans(text, where)
    return text.strip()


def _spans(text: str, where: Where) -> Any:
    try:
        return parse_toml(f"phrases = {text}", path=where.file)["phrases"]
    except SongFileError:
        where.fail(f'"{text}" does not read; write [[start, end], ...] in seconds')


def _stem_name(path: Path) -> str:
    """A stem name from a file name, "vocal" where that makes none."""
    name = re.sub(r"^[^A-Za-z]+", "", file_stem(path.stem, fallback="vocal"))[:64].rstrip("-_")
    return name if name and name.lower() not in RULE_WORDS | STEM_RESERVED else "vocal"
