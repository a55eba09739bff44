"""A manifest read back: every value that a rendering is made from again is checked first.

A manifest may come from anywhere, so its song is held to the rules of a song file, and no name in
it leads out of its folder.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path, PurePosixPath
from typing import Any, cast

from retune.carriers.errors import InputError
from retune.carriers.songfacts import Song
from retune.pipeline.records import Manifest, ToVerify
from retune.song.limits import MAX_RULES
from retune.song.songfile import song_of_tables
from retune.song.songschema import FORMAT, MAX_NAME, NAME, Field, is_document, is_format, is_table
from retune.song.songvalues import Checker, Where, is_line, is_list, shown
from retune.song.textfile import read_text
from retune.sound.cache import content_key
from retune.sound.files import atomic_write

MANIFEST = "manifest.json"
ORIGINAL_RECORD = "original.json"
ORIGINAL = "original"
"""The folder of the unaltered files."""
MAX_BYTES = 20_000_000
"""Of a manifest, or another record of ours: a note that is moved takes 400 bytes, so that these are
50 000 of them, six hours of more than two a second."""
MOST_FILES = 1_000
"""Files of a version: each is hashed, and one may be named in many ways."""
_MOST_VALUES = 1_000_000  # a note has 20; each may take 240 bytes of memory


def read_manifest(path: Path) -> ToVerify:
    """The manifest at `path`, every value that `verify` relies on checked.

    Raises
    ------
    InputError
        It does not read as JSON, or is no manifest of retune; names the file and the field.
    """
    text = read_text(path, what="a manifest that render or batch wrote", max_bytes=MAX_BYTES)
    try:
        given = _parsed(text)
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path} does not read as JSON: {error}; render again") from error
    where = Where(path)
    if not isinstance(given, dict) or "outputs" not in given:
        where.fail('holds no "outputs": it is not a manifest of retune; render again')
    known = {name: value for name, value in given.items() if name in _MANIFEST}
    return cast(ToVerify, is_document(_MANIFEST)(known, where))


def write_record(
    path: Path, record: Mapping[str, Any], *, look_again: Callable[[], object]
) -> None:
    """Write a manifest or another record whole or not at all, keys in order, with a checksum by
    which `is_as_sealed` knows it again. `look_again` is called once it is written, right before it
    takes the place of what stands there by then, and may refuse that.

    Raises OutputError where it cannot be written.
    """
    sealed = {**record, SEAL: _seal(record)}
    with atomic_write(path, "w", at_last=lambda _: look_again()) as stream:
        json.dump(sealed, stream, ensure_ascii=False, allow_nan=False, indent=1, sort_keys=True)
        stream.write("\n")


SEAL = "checksum"


def _seal(record: Mapping[str, Any]) -> str:
    return content_key(record)[:16]


def is_as_sealed(record: Mapping[str, Any]) -> bool:
    """Whether a record that was read back says what was written; one of an older version has no
    checksum, and is taken for that."""
    rest = {name: value for name, value in record.items() if name != SEAL}
    try:
        return SEAL not in record or record[SEAL] == _seal(rest)
    except ValueError:  # NaN, which we do not write
        return False


def written_manifest(path: Path) -> Manifest | None:
    """The manifest that a rendering left at `path`, unchecked; None where none reads, or one that
    was changed since."""
    given = kept_json(path)
    outputs = given.get("outputs") if isinstance(given, dict) and "address" in given else None
    return cast(Manifest, given) if are_hashes(outputs) and is_as_sealed(given) else None


def are_hashes(outputs: object) -> bool:
    """Whether a value read back is hashes by the names of files inside the folder it is of, no more
    than a version has."""
    return (
        isinstance(outputs, dict)
        and len(outputs) <= MOST_FILES
        and all(isinstance(digest, str) for digest in outputs.values())
        and all(map(is_own_name, outputs))
    )


def kept_json(path: Path, *, max_bytes: int = MAX_BYTES) -> Any:
    """What a JSON file of the program's own holds, unchecked; None where none reads."""
    try:
        return _parsed(read_text(path, what="a record", max_bytes=max_bytes))
    except (InputError, ValueError, RecursionError):
        return None


def _parsed(text: str) -> Any:
    """What JSON text says; ValueError where it has more values than any record, since a byte or two
    of it may take a hundred of memory."""
    if sum(map(text.count, ",[{")) > _MOST_VALUES:
        raise ValueError(f"more than {_MOST_VALUES} values")
    return json.loads(text)


def is_own_name(name: str) -> bool:
    """Whether a name is that of a file inside the folder that it is said to be in, and its only one
    there: "./x" and "x" would be one file, read twice."""
    path = PurePosixPath(name)
    leads_out = path.is_absolute() or ".." in path.parts or "\\" in name
    return path.as_posix() == name and not leads_out


def song_from_facts(facts: object, *, folder: Path, source: Path) -> Song:
    """The song that `song_facts` describes, its stems found as `folder/<stem>.wav`.

    Raises
    ------
    SongFileError
        The facts are no song's; names `source`, the file that holds them, and the field.
    """
    where = Where(source, home=folder).at("song")
    tables = is_table(_FACTS)(facts, where)
    tables["format"] = FORMAT
    tables["stems"] = {
        name: {**_table(stem, where.at("stems", name)), "file": f"{name}.wav"}
        for name, stem in _table(tables["stems"], where.at("stems")).items()
    }
    music = _table(tables["music"], where.at("music"))
    meter, is_given = music.get("meter"), music.get("meter_given", True)
    if isinstance(meter, list):
        music["meter"] = "/".join(map(str, meter))
    unsaid = {"meter_given"} | (set() if is_given else {"meter"})
    tables["music"] = {
        name: value for name, value in music.items() if value is not None and name not in unsaid
    }
    if tables["passage"] is None:
        del tables["passage"]
    file = tables.pop("file")
    return song_of_tables(tables, where=where, path=folder / file)


def _table(value: object, where: Where) -> dict[str, Any]:
    if not isinstance(value, dict):
        where.fail(f"{shown(value)} must be a table of names and values")
    return dict(value)


def _is_inside(value: Any, where: Where) -> str:
    """The name of a file inside the variant's own folder."""
    name = is_line(value, where)
    if not is_own_name(name):
        where.fail(f"{shown(name)} names no file inside the variant's folder; render again")
    return name


def _is_variant(value: Any, where: Where) -> str:
    name = is_line(value, where)
    if not NAME.fullmatch(name) or len(name) > MAX_NAME:
        where.fail(f"{shown(name)} names no variant; render again")
    return name


def _each(check: Checker) -> Checker:
    """A checker of tables whose every key names a file inside and whose values pass `check`."""

    def checked(value: Any, where: Where) -> dict[str, Any]:
        if not isinstance(value, dict):
            where.fail(f"{shown(value)} must be a table of names; render again")
        if len(value) > MOST_FILES:
            where.fail(f"names more than {MOST_FILES} files; render again")
        return {_is_inside(k, where): check(v, where.at(str(k))) for k, v in value.items()}

    return checked


def _as_given(value: Any, where: Where) -> Any:
    return value


def _line_or_none(value: Any, where: Where) -> str | None:
    return None if value is None else is_line(value, where)


_MANIFEST = {
    "format": Field(is_format, is_required=True),
    "retune": Field(is_line, is_required=True),
    "variant": Field(_is_variant, is_required=True),
    "song": Field(_as_given, is_required=True),
    "inputs": Field(
        _each(is_table({"file": Field(is_line), "sha256": Field(is_line, is_required=True)})),
        is_required=True,
    ),
    "outputs": Field(_each(is_line), is_required=True),
    "unwritten": Field(_each(is_line)),
    "edits": Field(_as_given, is_required=True),
    "rules": Field(is_list(is_line, of="rules", at_most=MAX_RULES), is_required=True),
    "engine": Field(is_line, is_required=True),
    "subtype": Field(_line_or_none),
    "tracker": Field(is_line, is_required=True),
}
_FACTS = {
    "file": Field(is_line, is_required=True),
    **{
        name: Field(_as_given, is_required=True)
        for name in ("title", "rights", "stems", "music", "corrections")
    },
    "passage": Field(is_line),
}
"""What `song_facts` gives; all but the file's name is checked as a song file is."""
