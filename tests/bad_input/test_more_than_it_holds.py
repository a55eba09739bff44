"""Small files that ask for all room or memory, and moments in which the user's own words could be
lost."""

from __future__ import annotations

import gc
import os
import shutil
import struct
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hostile_songs import refused, write_song
from hypothesis import given, settings
from hypothesis import strategies as st

import retune
from retune.carriers.errors import AudioError, ChangedError, OutputError, StaleError
from retune.carriers.songfacts import Variant
from retune.faces.web.kept import Drawer, Kept
from retune.song.songsave import edit_song
from retune.sound import audio, scratch
from retune.sound.audio import open_audio
from retune.sound.cache import Cache


def box(name: bytes, *parts: bytes) -> bytes:
    content = b"".join(parts)
    return struct.pack(">I", 8 + len(content)) + name + content


def long_box(name: bytes, *parts: bytes) -> bytes:
    content = b"".join(parts)
    return struct.pack(">I4sQ", 1, name, 16 + len(content)) + content


HEAD = 'format = 1\n[stems.v]\nfile = "v.wav"\nrole = "melody"\n'
MANY = 80_000_000
COUNTS: dict[str, bytes] = {
    "sizes": box(b"stsz", struct.pack(">III", 0, 8, MANY)),
    "sizes in a long box": long_box(b"stsz", struct.pack(">III", 0, 8, MANY)),
    "small sizes": box(b"stz2", struct.pack(">III", 0, 4, MANY)),
    "a run": box(b"trun", struct.pack(">II", 0, MANY)),
    "many runs": box(b"trun", struct.pack(">II", 0, 700)) * 100,
    "edits": box(b"elst", struct.pack(">II", 0, MANY)),
    "few samples that many edits play": box(b"stsz", struct.pack(">III", 0, 8, 90))
    + box(b"elst", struct.pack(">II", 0, 500) + struct.pack(">IiI", 2000, 0, 1 << 16) * 500),
}


@pytest.mark.parametrize("name", COUNTS)
@pytest.mark.parametrize("home", [b"stbl", b"traf", b"udta"])
def test_a_film_that_counts_more_than_it_holds_is_not_opened(
    tmp_path: Path, name: str, home: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    av = pytest.importorskip("av")
    monkeypatch.setattr(av, "open", lambda *_, **__: pytest.fail("FFmpeg was asked"))
    path = tmp_path / "a.m4a"
    inside = box(b"moov", box(b"trak", box(home, box(b"free", b"\0" * 5), COUNTS[name])))
    path.write_bytes(box(b"ftyp", b"M4A \0\0\0\0") + inside + box(b"mdat", bytes(40)))
    with pytest.raises(AudioError, match="damaged or cut off"):
        open_audio(path)


def test_a_sound_takes_half_of_the_room_to_decode(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    forget_decoded()
    before = scratch._taken_bytes

    def room(free: int) -> Any:
        def usage(_: str) -> Any:
            left = free - (scratch._taken_bytes - before)
            return shutil._ntuple_diskusage(10 * free, 9 * free, left)  # type: ignore[attr-defined]

        return usage

    soundfile.write(tmp_path / "a.mp3", np.zeros(480_000), 48_000)
    monkeypatch.setattr(shutil, "disk_usage", room(3_000_000))
    with pytest.raises(OutputError, match=r"no room to decode a\.mp3 in .*half of what is free"):
        open_audio(tmp_path / "a.mp3")
    monkeypatch.setattr(shutil, "disk_usage", room(5_000_000))
    assert open_audio(tmp_path / "a.mp3").duration_s == pytest.approx(10.0, abs=0.1)


def test_all_sounds_together_take_half_of_the_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    forget_decoded()
    before = scratch._taken_bytes

    def room(_: str) -> Any:
        free = 9_000_000 - (scratch._taken_bytes - before)
        return shutil._ntuple_diskusage(90_000_000, 0, free)  # type: ignore[attr-defined]

    monkeypatch.setattr(shutil, "disk_usage", room)
    for name in ("a", "b", "c"):
        soundfile.write(tmp_path / f"{name}.mp3", np.zeros(480_000), 48_000)
    for name in ("a", "b"):
        open_audio(tmp_path / f"{name}.mp3")
    with pytest.raises(OutputError, match=r"no room to decode c\.mp3"):
        open_audio(tmp_path / "c.mp3")
    forget_decoded()
    assert scratch._taken_bytes == before
    open_audio(tmp_path / "c.mp3")


def test_a_sound_leaves_room_to_others_that_grow_meanwhile(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As other processes of a batch: each takes its half, and a part is left all the same."""
    free = [90_000_000]

    def room(_: str) -> Any:
        free[0] -= 2 * (1 << 18)  # what this one and another have written since
        return shutil._ntuple_diskusage(90_000_000, 0, free[0])  # type: ignore[attr-defined]

    monkeypatch.setattr(shutil, "disk_usage", room)
    with pytest.raises(OSError, match="more than its share"):
        scratch.stored(np.zeros((1 << 15, 2), np.float32) for _ in range(1_000))
    assert free[0] > 25_000_000


def forget_decoded() -> None:
    audio._decoded.cache_clear()
    audio._kept.cache_clear()
    gc.collect()


def test_what_an_editor_writes_during_a_save_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    song = write_song(tmp_path / "song")
    theirs = song.read_text(encoding="utf-8") + "# a line of theirs\n"

    def slow_disk(handle: int) -> None:
        song.write_text(theirs, encoding="utf-8")

    editor = edit_song(song)
    editor.set_fact("title", "Mine")
    monkeypatch.setattr(os, "fsync", slow_disk)
    with pytest.raises(ChangedError, match="was changed by something else"):
        editor.save()
    assert song.read_text(encoding="utf-8") == theirs
    assert [path.name for path in song.parent.iterdir() if path.name.startswith(".")] == []


def test_drafts_come_back_however_long_the_history_is(tmp_path: Path) -> None:
    texts = tuple(f"# {k}\n" + "é🏮" * 300_000 for k in range(30))
    drafts = (Variant("half-done", ("move highest",), "é" * 20_000),)
    drawer = Drawer(tmp_path / "song.toml", folder=tmp_path / "kept")
    drawer.change(lambda _: Kept("now", texts, texts, drafts))
    kept = drawer.read() or Kept()
    assert kept.drafts == drafts
    assert kept.revision == "now"
    drawer.change(lambda _: Kept("now", ("a", "b"), ("c",), drafts))
    assert drawer.read() == Kept("now", ("a", "b"), ("c",), drafts)
    long = "x" * 1_000_000
    drawer.change(lambda _: Kept("now", ("a", *[long] * 9, "b"), (*[long] * 9, "c")))
    kept = drawer.read() or Kept()
    assert (kept.past[-1], kept.future[-1]) == ("b", "c")
    assert 2 <= len(kept.past) < 9


RULES = [f"shift note at {k}.0s up 1 semitone" for k in range(4)]


@st.composite
def commented(draw: st.DrawFn) -> tuple[str, list[str], dict[str, str]]:
    """A list of rules as somebody writes it: its text, the rules, and what is said of each."""
    rules = draw(st.lists(st.sampled_from(RULES), min_size=1, max_size=4, unique=True))
    text, said = "[", {}
    for number, rule in enumerate(rules):
        is_last = number == len(rules) - 1
        text += draw(st.sampled_from(["", " ", "\n", "\n  # above it\n  ", " # at once\n"]))
        comma = "" if is_last and draw(st.booleans()) else ","
        text += f'"{rule}"{draw(st.sampled_from(["", " "]))}{comma}'
        if draw(st.booleans()):
            said[rule] = f"# why {number}"
            text += f" {said[rule]}\n"
    text += draw(st.sampled_from(["", "\n", "\n  # at its end\n"])) + "]"
    return text, rules, said


@settings(deadline=None, max_examples=60)
@given(
    there=commented(),
    wanted=st.lists(st.sampled_from(RULES), min_size=1, max_size=4, unique=True),
)
def test_comments_in_a_list_that_is_changed_stay(
    there: tuple[str, list[str], dict[str, str]], wanted: list[str]
) -> None:
    text, rules, said = there
    with tempfile.TemporaryDirectory() as folder:
        song = Path(folder) / "song.toml"
        (song.parent / "v.wav").touch()
        song.write_text(f"{HEAD}[variants.a]\nrules = {text}\n", encoding="utf-8")
        editor = edit_song(song)
        assert list(editor.song.variants["a"].rules) == rules
        editor.set_variant("a", wanted)
        assert list(editor.checked().variants["a"].rules) == wanted
    kept = editor.text()
    for words in ("# above it", "# at once", "# at its end", *said.values()):
        assert words in kept or words not in text


@pytest.mark.parametrize("row", ["", '  {stem = "v", at_s = 1.0, set = "drop"}, # a cough\n'])
def test_comments_in_a_list_of_corrections_stay(row: str, tmp_path: Path) -> None:
    notes = ["# of the first take", "# not this: {at_s = 2.0}", "# all heard twice"]
    (tmp_path / "v.wav").touch()
    song = tmp_path / "song.toml"
    rows = f"corrections = [ {notes[0]}\n  {notes[1]}\n{row}  {notes[2]}\n]\n"
    song.write_text(HEAD.replace("[stems", f"{rows}[stems"), encoding="utf-8")
    editor = edit_song(song)
    before = len(editor.song.corrections)
    editor.add_correction("v", 3.0, "drop")
    assert len(editor.checked().corrections) == before + 1
    assert all(note in editor.text() for note in notes)
    editor.remove_corrections("v", 1.0)
    editor.remove_corrections("v", 3.0)
    assert editor.checked().corrections == ()
    assert all(note in editor.text() for note in notes)


def test_a_recording_is_no_guide_to_itself(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    voice = write_song(tmp_path / "song").parent / "vocal.wav"
    (tmp_path / "same.wav").hardlink_to(voice)
    for guide in (voice, tmp_path / "same.wav"):
        words = ("plan", voice, "--guide", guide, "--rule", "keep highest note")
        said = refused(capsys, tmp_path, *words)
        assert "it is the recording itself" in said


def test_an_entry_of_the_cache_that_is_none_is_passed_over(tmp_path: Path) -> None:
    cache, key = Cache(tmp_path), {"what": "a"}
    cache.put(key, {"a": np.zeros(4)})
    (entry,) = tmp_path.glob("*.npz")
    entry.unlink()
    if hasattr(os, "mkfifo"):  # nobody writes to it
        os.mkfifo(entry)
        assert cache.get(key) is None
    np.savez_compressed(entry, a=np.zeros(1_000_000))
    assert cache.get(key) is None
    cache.put(key, {"a": np.zeros(4)})
    assert cache.get(key) is not None


@pytest.mark.parametrize("how", ["in place", "exchanged"])
@pytest.mark.parametrize("kind", ["WAV", "MP3"])
def test_another_take_of_equal_size_and_time_is_noticed(
    kind: str, how: str, tmp_path: Path
) -> None:
    """As by a copy that keeps times, or on a disk that tells them in steps of two seconds."""
    path = tmp_path / f"v.{kind.lower()}"
    time_s = np.arange(4 * 16_000) / 16_000

    def sing(sign: int) -> bytes:
        tone = sign * 0.3 * np.sin(2 * np.pi * 220.0 * time_s)
        soundfile.write(tmp_path / "x", tone, 16_000, format=kind)
        return (tmp_path / "x").read_bytes()

    old, new = sing(1), sing(-1)
    assert len(old) == len(new)
    path.write_bytes(old)
    status = path.stat()
    opened = retune.open(path)
    inputs, heard = opened.inputs, opened.audio[path.stem].read(0, 16_000)
    digest = inputs.sha256(path.stem)
    if how == "in place":
        path.write_bytes(new)
    else:
        (tmp_path / "other").write_bytes(new)
        os.replace(tmp_path / "other", path)
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
    for look in (inputs.check_unchanged, lambda: inputs.sha256(path.stem)):
        with pytest.raises(StaleError, match="changed while it was in use"):
            look()
    assert opened.inputs.sha256(path.stem) != digest
    assert not np.array_equal(opened.audio[path.stem].read(0, 16_000), heard)


def test_a_link_or_label_makes_no_other_take(tmp_path: Path) -> None:
    path = tmp_path / "v.wav"
    soundfile.write(path, np.zeros(16_000), 16_000)
    inputs = retune.open(path).inputs
    inputs.sha256("v")
    os.link(path, tmp_path / "backup.wav")
    path.chmod(0o600)
    inputs.check_unchanged()
