"""Facts of a song as fields of text: from the song file to the fields, and back."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from retune.carriers.errors import SongFileError, UsageError
from retune.carriers.songfacts import Music, Song
from retune.carriers.text import cut_short
from retune.song.songsave import SongEditor
from retune.song.songschema import MUSIC
from retune.song.songvalues import Where
from retune.song.tomltext import parse_toml

_NUMBERS = ("tempo_bpm", "first_downbeat_s", "tuning_hz")
_TEXTS = ("key", "meter", "tempo_map", "chords", "guide", "lyrics")
_LISTS = ("phrases", "downbeats_s")
_PLACES = ("keys", "meters", "tempos", "sections")
MUSIC_FIELDS = (*_TEXTS, *_NUMBERS, *_LISTS, *_PLACES)
SONG_FIELDS = ("title", "rights", "passage")
STEM_FIELDS = ("role", "gain_db", "when_melody_moves", "voice")
_FILES = ("guide", "tempo_map", "voice")
_MAPPED = ("meter", "meters", "tempo_bpm", "tempos", "downbeats_s")


def song_given(song: Song) -> dict[str, Any]:
    """What the song file gives, as text for fields ("" for none)."""
    return {
        **music_given(song.music),
        "title": song.title,
        "rights": song.rights,
        "passage": "-".join(song.passage) if song.passage else "",
        "stems": [
            {
                "name": name,
                "role": stem.role,
                "gain_db": f"{stem.gain_db:g}",
                "when_melody_moves": stem.follow,
                "voice": stem.voice.name if stem.voice else "",
            }
            for name, stem in song.stems.items()
        ],
    }


def music_given(music: Music) -> dict[str, str]:
    """The musical facts as the song file gives them, as text for fields."""
    phrases = music.phrases
    return {
        "key": music.key,
        "keys": _places(music.keys),
        "meters": _places(music.meters),
        "tempos": _places([(at, f"{bpm:g}") for at, bpm in music.tempos]),
        "tempo_map": music.tempo_map.name if music.tempo_map else "",
        "meter": "{}/{}".format(*music.meter) if music.meter_given and music.meter else "auto",
        "tempo_bpm": "auto" if music.tempo_bpm is None else f"{music.tempo_bpm:g}",
        "first_downbeat_s": "" if music.first_downbeat_s is None else f"{music.first_downbeat_s:g}",
        "tuning_hz": "auto" if music.tuning_hz is None else f"{music.tuning_hz:g}",
        "chords": music.chords or "",
        "guide": music.guide.name if music.guide else "",
        "phrases": phrases if isinstance(phrases, str) else _spans(phrases),
        "lyrics": (music.lyrics or "").strip("\n"),
        "sections": _places(music.sections),
    }


def _places(pairs: Sequence[tuple[str, str]]) -> str:
    return ", ".join(f"{at} {what}" for at, what in pairs)


def _spans(spans: Sequence[tuple[float, float]]) -> str:
    return "[" + ", ".join(f"[{start:g}, {end:g}]" for start, end in spans) + "]"


def set_given(editor: SongEditor, rows: Sequence[tuple[str, str]]) -> None:
    """Write the texts of fields into a song file: (name, text), a fact of a stem as "vocal.role";
    an empty text takes the fact away.

    Raises
    ------
    UsageError
        There is no such field, or its text does not read.
    """
    music: dict[str, Any] = {}
    for name, text in rows:
        stem, _, fact = name.rpartition(".")
        if name in MUSIC_FIELDS:
            music[name] = music_value(name, text)
        elif name in SONG_FIELDS:
            editor.set_fact(name, text or None)
        elif stem and fact in STEM_FIELDS:
            editor.set_stem(stem, fact, _stem_value(fact, text))
        else:
            known = ", ".join((*SONG_FIELDS, *MUSIC_FIELDS))
            raise UsageError(f"{cut_short(name)} cannot be set here; there are {known}")
    if music:
        _set_music(editor, music)


def _stem_value(fact: str, text: str) -> Any:
    if fact == "gain_db" and text:
        return _number(fact, text)
    if fact in _FILES and text:
        _check_plain(fact, text)
    return text or None


def _set_music(editor: SongEditor, values: dict[str, Any]) -> None:
    """A fact that excludes another takes its place."""
    for given, excluded in (("chords", "chords_file"), ("lyrics", "lyrics_file")):
        if values.get(given) is not None:
            values = {**values, excluded: None}
    if values.get("first_downbeat_s") is not None or values.get("tempo_bpm") is not None:
        values = {**values, "downbeats_s": None}
    if values.get("downbeats_s") is not None:
        values = {**values, "first_downbeat_s": None, "tempo_bpm": None, "tempos": None}
    if values.get("tempo_map") is not None:
        values = {**values, **dict.fromkeys(_MAPPED)}
    elif any(values.get(name) is not None for name in _MAPPED):
        values = {**values, "tempo_map": None}
    editor.set_music(**values)


def music_value(name: str, text: str) -> Any:
    """The text of a field as the song file holds it; None for an empty one.

    Raises
    ------
    UsageError
        A number, a list of phrases or of places does not read.
    SongFileError
        A list holds what a song file may not.
    """
    if not text:
        return None
    if name in _FILES:
        _check_plain(name, text)
    if name in _NUMBERS:
        return text if text == "auto" else _number(name, text)
    if name in _PLACES:
        return [_place(name, item) for item in re.split(r"[,;\n]+", text) if item.strip()]
    if name == "downbeats_s" or (name == "phrases" and text.startswith("[")):
        return _list_value(name, text)
    return text


def _list_value(name: str, text: str) -> Any:
    try:
        value = parse_toml(f"value = {text}", path=Path(name))["value"]
    except SongFileError:
        form = "[[start, end], ...]" if name == "phrases" else "[start, start, ...]"
        raise UsageError(f'{name}: "{cut_short(text)}" does not read; write {form}') from None
    MUSIC[name].check(value, Where(Path(name), label=name))
    return value


_EXAMPLES = {
    "keys": "17:1 G major",
    "meters": "17:1 4/4",
    "tempos": "17:1 96",
    "sections": "9:1 chorus",
}


def _place(name: str, item: str) -> list[Any]:
    at, _, what = item.strip().partition(" ")
    if not what.strip():
        wrong = cut_short(item.strip())
        raise UsageError(f'{name}: "{wrong}" does not read; write {_EXAMPLES[name]}')
    return [at, _number(name, what) if name == "tempos" else what.strip()]


def _number(name: str, text: str) -> float:
    try:
        return float(text)
    except ValueError:
        way = "write a number or auto" if name in _NUMBERS else "write a number"
        raise UsageError(f'{name}: "{cut_short(text)}" is not a number; {way}') from None


def _check_plain(name: str, text: str) -> None:
    if Path(text).name != text:
        raise UsageError(
            f'{name}: "{cut_short(text)}" is no plain name; put it beside the song file'
        )
