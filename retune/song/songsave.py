"""Song files changed in place: comments kept, checked before writing, written whole."""

from __future__ import annotations

import codecs
import hashlib
import os
import tomllib
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from difflib import SequenceMatcher
from functools import partial, wraps
from pathlib import Path
from typing import Any, TypeVar

from retune.carriers.errors import ChangedError, OutputError, SongFileError, UsageError
from retune.carriers.songfacts import Song
from retune.song.songfile import parse_song, song_text
from retune.song.songschema import MUSIC
from retune.song.tomltext import KeyPath, comments_in, with_line_ends, without_table
from retune.sound.files import atomic_write
from retune.sound.folders import locked_file, write_reason

_SAME_MOMENT_S = 1e-6


_Do = TypeVar("_Do", bound=Callable[..., Any])


def _in_place(do: _Do) -> _Do:
    """A change of a `SongEditor` that tells in words where the layout of the file is beyond
    tomlkit."""

    @wraps(do)
    def run(self: SongEditor, *given: Any, **options: Any) -> Any:
        from tomlkit.exceptions import TOMLKitError

        try:
            return do(self, *given, **options)
        except (TOMLKitError, LookupError, TypeError, AttributeError) as error:
            raise self._beyond() from error

    return run  # type: ignore[return-value]


class SongEditor:
    """Changes to a song file, gathered and then saved together. Made by `edit_song`."""

    def __init__(self, path: str | Path) -> None:
        import tomlkit

        self.path = Path(path)
        text = song_text(self.path)
        self.song: Song = parse_song(text, path=self.path)
        self._checked = (text, self.song)
        self.revision = revision_of(text)
        """Names the text that was read, or saved last."""
        self._model = text
        self._plain = tomllib.loads(text)
        """What the document is to say; tomlkit loses tables of some layouts without a word."""
        try:
            self._document: Any = tomlkit.parse(text.replace("\r\n", "\n"))
        except tomlkit.exceptions.TOMLKitError as error:
            raise SongFileError(f"{self.path} cannot be changed in place: {error}") from error

    def _beyond(self) -> SongFileError:
        return SongFileError(
            f"{self.path} cannot be changed in place as it is laid out, and is left as it is: "
            "write each of its tables with a head of its own, such as [variants.NAME] and [music]"
        )

    @_in_place
    def set_variant(self, name: str, rules: Sequence[str], *, about: str = "") -> None:
        """Add the variant `name`, or replace its rules and its `about`."""
        import tomlkit

        variants = self._table("variants", is_super=True)
        if name not in variants:
            is_inline = isinstance(variants, tomlkit.items.InlineTable)
            variants[name] = tomlkit.inline_table() if is_inline else tomlkit.table()
        plain = {"about": about, "rules": [*rules]} if about else {"rules": [*rules]}
        self._plain.setdefault("variants", {})[name] = plain
        table = variants[name]
        if about:
            table["about"] = about
        else:
            table.pop("about", None)
        if list(table.get("rules", ())) != list(rules):  # comments stand between them
            table["rules"] = _changed(table.get("rules"), rules, is_long=len(rules) > 1)

    @_in_place
    def remove_variant(self, name: str) -> None:
        """Remove the variant `name`. Raises UsageError when there is none."""
        if name not in self._document.get("variants", {}):
            raise UsageError(f'no variant is called "{name}" in {self.path}')
        del self._plain["variants"][name]
        self._cut(("variants", name), partial(self._drop_variant, name))

    def _drop_variant(self, name: str) -> None:
        del self._document["variants"][name]

    @_in_place
    def add_correction(self, stem: str, at_s: float, set: str, *, take: str = "") -> None:
        """Add a correction by hand at the end of the list; `take` is the SHA-256 of the file that
        it was made on."""
        import tomlkit

        new: dict[str, Any] = {"stem": stem, "at_s": float(at_s), "set": set}
        if take:
            new["stem_sha256"] = take
        self._plain.setdefault("corrections", []).append(new)
        rows = self._document.get("corrections")
        if _has_comments(rows):
            self._document["corrections"] = _changed(rows, [*rows.unwrap(), new])
            return
        is_said = isinstance(rows, tomlkit.items.Array) and rows.trivia.comment
        if not rows and not is_said:
            self._document.pop("corrections", None)
            if not self._document.as_string().endswith("\n\n"):
                self._document.add(tomlkit.nl())
            self._document.append("corrections", tomlkit.aot())
        rows = self._document["corrections"]
        row = tomlkit.inline_table() if isinstance(rows, tomlkit.items.Array) else tomlkit.table()
        row.update(new)
        rows.append(row)

    @_in_place
    def remove_corrections(self, stem: str, at_s: float, set: str | None = None) -> int:
        """Remove the corrections of `stem` at a time (of one form, or all) and count them."""
        rows = self._document.get("corrections", [])
        doomed = [
            index
            for index, row in enumerate(rows)
            if row["stem"] == stem
            and abs(row["at_s"] - at_s) < _SAME_MOMENT_S
            and set in (None, row["set"])
        ]
        for index in reversed(doomed):
            del self._plain["corrections"][index]
            self._cut(("corrections", index), partial(self._drop_correction, index))
        left = self._document.get("corrections")
        if doomed and not left and not _has_comments(left):
            self._document.pop("corrections", None)
        return len(doomed)

    def _drop_correction(self, index: int) -> None:
        del self._document["corrections"][index]

    @_in_place
    def set_music(self, **values: Any) -> None:
        """Set keys of [music] (as TOML holds them: "3/4", 92.0, lists); None removes a key."""
        table = self._table("music")
        for key, value in values.items():
            if key not in MUSIC:
                raise UsageError(f"[music] has no {key}; it has {', '.join(MUSIC)}")
            _put(self._plain.setdefault("music", {}), key, value)
            if value is None:
                table.pop(key, None)
            else:
                is_list = isinstance(value, list | tuple)
                table[key] = _changed(table.get(key), value) if is_list else value

    @_in_place
    def set_fact(self, name: str, value: str | None) -> None:
        """Set the title, the rights or the passage; None takes it away."""
        _put(self._plain, name, value)
        if value is None:
            self._document.pop(name, None)
        else:
            self._document[name] = value

    @_in_place
    def set_stem(self, stem: str, name: str, value: Any) -> None:
        """Set a fact of a stem, as its table in TOML holds it; None takes it away.

        Raises UsageError for a stem that the song has not.
        """
        stems = self._document.get("stems", {})
        if stem not in stems:
            raise UsageError(f'no stem is called "{stem}"; there are {", ".join(stems)}')
        if name == "when_melody_moves":
            stems[stem].pop("follow", None)  # its name before 1.0
            self._plain["stems"][stem].pop("follow", None)
        _put(self._plain["stems"][stem], name, value)
        if value is None:
            stems[stem].pop(name, None)
        else:
            stems[stem][name] = value

    @_in_place
    def set_heard_with(self, version: str) -> None:
        """Say which version of retune the corrections are made with."""
        self._plain["heard_with"] = version
        self._document["heard_with"] = version

    def set_text(self, text: str) -> None:
        """Put a whole song file in place of this one, as when a change is taken back."""
        import tomlkit

        self._model = text
        self._plain = tomllib.loads(text)
        self._document = tomlkit.parse(text.replace("\r\n", "\n"))

    def text(self) -> str:
        """The song file as it would be saved."""
        plain: str = self._document.as_string()
        return with_line_ends(plain, self._model)

    def checked(self) -> Song:
        """The song as it would be saved. Raises SongFileError when it is no valid song file."""
        text = self.text()
        if text != self._checked[0]:
            self._refuse_otherwise(text)
            self._checked = (text, parse_song(text, path=self.path))
        return self._checked[1]

    def _refuse_otherwise(self, text: str) -> None:
        """Refuse a text that says anything else than the changes make of what was read."""
        try:
            is_as_meant = _said(tomllib.loads(text)) == _said(self._plain)
        except tomllib.TOMLDecodeError:
            is_as_meant = False
        if not is_as_meant:
            raise self._beyond()

    def save(self) -> Song:
        """Check the changed text as any song file, write it whole, and return the new song.

        The file is locked from the last look at it until the new one has taken its place, so that
        of two programs that save at once one is told.

        Raises SongFileError when the change makes no valid song file; ChangedError when the file
        on disk is no longer the one that was read; OutputError when it cannot be written.
        """
        song = self.checked()
        text = self._checked[0]
        place = Path(os.path.realpath(self.path))  # the user named it, be it a link
        try:
            with locked_file(place):
                self._refuse_changed(place)
                mark = codecs.BOM_UTF8 if _begins_with_mark(place) else b""
                with atomic_write(place) as stream:
                    stream.write(mark + text.encode("utf-8"))
                    stream.flush()
                    os.fsync(stream.fileno())
                    # An editor asks for no lock, and the disk may have been slow.
                    self._refuse_changed(place)
        except FileNotFoundError as error:
            raise ChangedError(f"{self.path} has gone; nothing is saved") from error
        except OSError as error:
            raise OutputError(f"cannot write {self.path}: {write_reason(error)}") from error
        self.revision = revision_of(text)
        self.song = song
        return song

    def _refuse_changed(self, place: Path) -> None:
        if revision_on_disk(place) != self.revision:
            raise ChangedError(
                f"{self.path} was changed by something else since it was read; "
                "nothing is saved: load it again and repeat the change"
            )

    def _cut(self, path: KeyPath, otherwise: Callable[[], Any]) -> None:
        """Take a table out of the text, with the comments inside it and none besides: those below
        it speak of what comes next. `otherwise` takes out one that has no header of its own."""
        import tomlkit

        text = without_table(self._document.as_string(), path)
        if text is None:
            otherwise()
        else:
            self._document = tomlkit.parse(text)

    def _table(self, name: str, *, is_super: bool = False) -> Any:
        import tomlkit

        if name not in self._document:
            self._document.append(name, tomlkit.table(is_super_table=is_super))
        return self._document[name]


def _put(table: dict[str, Any], key: str, value: Any) -> None:
    if value is None:
        table.pop(key, None)
    else:
        table[key] = value


def _said(value: Any) -> Any:
    """What a document says, whatever holds it: no tables without content, lists as lists."""
    if isinstance(value, Mapping):
        said = {key: _said(item) for key, item in value.items()}
        return {key: item for key, item in said.items() if item not in ({}, [])}
    return [_said(item) for item in value] if isinstance(value, list | tuple) else value


def edit_song(path: str | Path) -> SongEditor:
    """An editor of the song file at `path`. Raises SongFileError as `read_song` does."""
    return SongEditor(path)


def _begins_with_mark(path: Path) -> bool:
    """Whether a byte order mark stands before the text, as some editors want it."""
    with open(path, "rb") as stream:
        return stream.read(len(codecs.BOM_UTF8)) == codecs.BOM_UTF8


def revision_of(text: str) -> str:
    """What names a text of a song file: 16 hex digits, "" for no text that could be read."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:16]


def revision_on_disk(path: Path) -> str:
    """`revision_of` the song file that now stands at `path`; "" where none can be read."""
    try:
        return revision_of(song_text(path))
    except SongFileError:
        return ""


def _array(values: Sequence[Any], *, is_long: bool = False) -> Any:
    import tomlkit

    array = tomlkit.array()
    array.extend([_array(v) if isinstance(v, list | tuple) else v for v in values])
    return array.multiline(is_long)


def _has_comments(value: Any) -> bool:
    """Whether a value of the document is an array with comments in it."""
    import tomlkit

    return isinstance(value, tomlkit.items.Array) and bool(comments_in(value.as_string()))


def _changed(old: Any, values: Sequence[Any], *, is_long: bool = False) -> Any:
    """An array of `values` in the place of `old`, the comments of what stays in it kept."""
    import tomlkit

    if not _has_comments(old):
        return _array(values, is_long=is_long)
    wanted = [list(value) if isinstance(value, tuple) else value for value in values]
    there = comments_in(old.as_string())
    if len(there) + len(wanted) > _MOST_IN_PLACE:
        return _with_comments_above(there, wanted)
    array: Any = tomlkit.parse(f"a = {old.as_string()}")["a"]
    before, after = (list(map(repr, part)) for part in (array.unwrap(), wanted))
    same = SequenceMatcher(None, before, after, autojunk=False)
    for _, first, stop, since, until in reversed(same.get_opcodes()):
        for index in reversed(range(first, stop)):
            if since + index - first < until:
                array[index] = wanted[since + index - first]
            else:
                del array[index]
        for index in range(since + stop - first, until):
            array.insert(first + index - since, wanted[index])
    lost = Counter(there) - Counter(comments_in(array.as_string()))
    for comment in lost.elements():  # that of a rule that moved to another place went with it
        array.add_line(comment=comment.lstrip("# "))
    text = array.as_string()  # tomlkit may set a value behind a comment, where it is none
    with suppress(tomlkit.exceptions.TOMLKitError):
        if tomlkit.parse(f"a = {text}")["a"].unwrap() == wanted:
            return array
    return _with_comments_above(there, wanted)


_MOST_IN_PLACE = 400  # tomlkit looks through all of an array for each change in it


def _with_comments_above(comments: Sequence[str], values: Sequence[Any]) -> Any:
    import tomlkit

    rows = [*comments, *(f"{_array([value]).as_string()[1:-1]}," for value in values)]
    lines = "".join(f"    {row}\n" for row in rows)
    return tomlkit.parse(f"a = [\n{lines}]")["a"]
