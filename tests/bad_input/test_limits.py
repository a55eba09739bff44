"""Small files that ask for a great deal: each is refused in words, or read, within the means of a
child process of little memory and few seconds (a guard against hanging, not a measure of speed)."""

from __future__ import annotations

import os
import struct
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

BASE = 'format = 1\n[stems.vocal]\nfile = "v.wav"\nrole = "melody"\n'
MUSIC = BASE + "[music]\n"
CPU_S, MEMORY = 20, 2 << 30
READ = """
import os, pathlib, resource, sys, traceback
from retune.carriers.errors import RetuneError
from retune.carriers.heard import Bars, Key
from retune.comparison.tally import tally
from retune.rules import understand
from retune.song.chart import read_chart, read_lab
from retune.song.guide import read_guide
from retune.song.lyrics import read_lyrics_file
from retune.song.songfile import read_song
from retune.song.songsave import edit_song
from retune.song.tempomap import read_tempo_map
BARS = Bars(meter=(3, 4), tempo_bpm=92.0, downbeats_s=tuple(1.3 + 1.95 * k for k in range(25)))
def key_at(_): return Key("C", "major")
def chart(path): read_chart(open(path).read(), bars=BARS, key_at=key_at)
readers = {{
    ".toml": lambda path: (read_song(path), edit_song(path).text()),
    ".lab": lambda path: read_lab(path, key_at),
    ".mid": read_guide,
    ".midi": lambda path: read_tempo_map(pathlib.Path(path)).bars(duration_s=900.0).tempi,
    ".csv": read_guide,
    ".answers": lambda path: tally([path]).to_json(),
    ".chart": chart,
    ".rule": lambda path: understand(open(path).read()),
    ".txt": lambda path: read_lyrics_file(pathlib.Path(path)),
    ".lrc": lambda path: read_lyrics_file(pathlib.Path(path)),
}}
def answer(path):
    resource.setrlimit(resource.RLIMIT_CPU, ({cpu}, {cpu}))
    resource.setrlimit(resource.RLIMIT_AS, ({memory}, {memory}))
    try:
        readers[path[path.rindex("."):]](path)
        said = "read"
    except RetuneError as error:
        said = f"refused: {{error}}"
    open(path + ".said", "w").write(said)
for line in sys.stdin:
    child = os.fork()
    if not child:
        try:
            answer(line[:-1])
        except BaseException:
            traceback.print_exc()
            os._exit(1)
        os._exit(0)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""
"""A process that forks one child for each path that it is told: what it imports costs more than
what most of them are asked."""


def midi(n_notes: int, *, tempos: bool = False) -> bytes:
    if tempos:
        body = b"\x01\xff\x51\x03\x07\xa1\x20" * n_notes + b"\x00\x90\x40\x40\x10\x80\x40\x00"
    else:
        body = b"\x00\x90\x40\x40\x01\x80\x40\x00" * n_notes
    head = b"MThd" + struct.pack(">IHHH", 6, 0, 1, 480)
    return head + b"MTrk" + struct.pack(">I", len(body)) + body


def tempo_map(n: int, *, quarter_us: int, per_quarter: int = 480) -> bytes:
    """A MIDI file of one meter, 16/16, and so many tempi, a tick apart."""
    tempi = ((quarter_us + k % 97).to_bytes(3, "big") for k in range(n))
    body = b"\x00\xff\x58\x02\x10\x04" + b"".join(b"\x01\xff\x51\x03" + t for t in tempi)
    head = b"MThd" + struct.pack(">IHHH", 6, 0, 1, per_quarter)
    return head + b"MTrk" + struct.pack(">I", len(body)) + body


def rows(n_rows: int, line: str) -> str:
    return "".join(line.format(0.01 * k, 0.01 * k + 0.01) for k in range(n_rows))


def answers(n: int, *, listeners: int = 1, pairs: int = 1) -> str:
    head = "listener,sheet,trial,kind,passage,first,second,answer\n"
    return head + "".join(
        f"l{k % listeners},1,{k},pair,p,a{k % pairs},b{k % pairs},first\n" for k in range(n)
    )


def many(n: int, line: str) -> str:
    return "".join(line.format(k) for k in range(n))


CORRECTION = '[[corrections]]\nstem="vocal"\nat_s=1\nset="drop"\n'
VARIANT = '[variants.v{}]\nrules=["keep highest note"]\n'
STEM = '[stems.s{}]\nfile="v.wav"\nrole="backing"\n'
HOSTILE: dict[str, Callable[[], str | bytes]] = {
    "key of 200 000 parts.toml": lambda: BASE + "x" + ".a" * 200_000 + " = 1\n",
    "table of 100 000 parts.toml": lambda: BASE + "[a" + ".a" * 100_000 + "]\n",
    "keys 3 000 deep.toml": lambda: BASE + "x = " + "{a=" * 3_000 + "1" + "}" * 3_000 + "\n",
    "lists 100 000 deep.toml": lambda: MUSIC + "keys = " + "[" * 100_000 + "\n",
    "lists over lines.toml": lambda: BASE + "x = " + "[ #\n" * 100_000 + "\n",
    "number of 5 000 digits.toml": lambda: MUSIC + "first_downbeat_s = " + "9" * 5_000 + "\n",
    "hex number.toml": lambda: MUSIC + "first_downbeat_s = 0x" + "f" * 500_000 + "\n",
    "long fraction.toml": lambda: MUSIC + "first_downbeat_s = 0." + "9" * 500_000 + "\n",
    "close downbeats.toml": lambda: MUSIC + "downbeats_s = [0, 1e-12, 2e-12]\n",
    "two close downbeats.toml": lambda: MUSIC + "downbeats_s = [0, 1e-6]\n",
    "many downbeats.toml": lambda: MUSIC + "downbeats_s = [" + rows(40_000, "{0:.2f},") + "]\n",
    "many equal downbeats.toml": lambda: MUSIC + "downbeats_s = [" + "0," * 400_000 + "]\n",
    "many phrases.toml": lambda: MUSIC + "phrases = [" + many(40_000, "[{0}.0,{0}.9],") + "]\n",
    "short phrases.toml": lambda: MUSIC + "phrases = [[0.0, 1e-9]]\n",
    "many stems.toml": lambda: BASE + many(20_000, STEM),
    "some stems.toml": lambda: BASE + many(3_000, STEM),
    "many variants.toml": lambda: BASE + many(20_000, VARIANT),
    "some variants.toml": lambda: BASE + many(3_000, VARIANT),
    "many corrections.toml": lambda: BASE + CORRECTION * 20_000,
    "some corrections.toml": lambda: BASE + CORRECTION * 3_000,
    "many keys.toml": lambda: BASE + many(60_000, "k{} = 1\n"),
    "almost too many parts.toml": lambda: BASE + ("a." * 15 + "\n") * 28_000,
    "many long keys.toml": lambda: BASE + many(12_000, "a.b.c.d.e.f.g.h.i.j.k.l.m{} = 1\n"),
    "one quote after another.toml": lambda: BASE + "x = " + '"' * 900_000 + "\n",
    "backslashes.toml": lambda: BASE + 'x = "' + "\\" * 900_001 + "\n",
    "no end of a table's name.toml": lambda: BASE + "[a" + " " * 900_000 + "\n",
    "long key.toml": lambda: BASE + "k" * 900_000 + " = 1\n",
    "tables in a list.toml": lambda: BASE + "x = [" + "{a=1}," * 100_000 + "]\n",
    "comments.toml": lambda: BASE + "#x\n" * 1_600_000,
    "spaces before no key.toml": lambda: BASE + " " * 900_000 + "x\n",
    "tabs before a table.toml": lambda: BASE + "\t" * 900_000 + "[a]\n",
    "parts that no key has.toml": lambda: BASE + "a . " * 220_000 + "\n",
    "key of 150 000 parts in quotes.toml": lambda: BASE + '"=".' * 150_000 + "a = 1\n",
    "dashes in a passage.toml": lambda: 'passage = "' + "-" * 99_990 + ' x"\n' + BASE,
    "many notes.mid": lambda: midi(800_000),
    "some notes.mid": lambda: midi(110_000),
    "many tempos.mid": lambda: midi(140_000, tempos=True),
    "bars of a microsecond.midi": lambda: tempo_map(1, quarter_us=1),
    "bars of a moment, many tempi.midi": lambda: tempo_map(99_000, quarter_us=9_000),
    "many rows.csv": lambda: rows(180_000, "{0:.2f},{1:.2f},60\n"),
    "some rows.csv": lambda: rows(40_000, "{0:.2f},{1:.2f},60\n"),
    "one long row.csv": lambda: "1," * 450_000,
    "many lines.lab": lambda: rows(180_000, "{0:.2f} {1:.2f} C\n"),
    "some lines.lab": lambda: rows(40_000, "{0:.2f} {1:.2f} C\n"),
    "many lines.chart": lambda: "C |\n" * 180_000,
    "one bar.chart": lambda: "C " * 49_000,
    "repeats.chart": lambda: "|: " + "C | " * 9_000 + "C :| x64",
    "many pairs.answers": lambda: answers(20_000, pairs=20_000),
    "many listeners.answers": lambda: answers(20_000, listeners=20_000),
    "many answers.answers": lambda: answers(60_000),
    "one line at many times.lrc": lambda: "[00:01]" * 130_000 + "a",
    "many words at many times.lrc": lambda: "[00:01]" * 60_000 + " a" * 100_000,
    "many words at some times.lrc": lambda: "[00:01]" * 4_000 + " a" * 100_000,
    "eight clauses.rule": lambda: ", and ".join(["make every phrase end on 1"] * 8),
    "words between chords.rule": lambda: "move notes over " + "and every " * 24 + "to 1",
    "chords that do not end.rule": lambda: "move notes where " + ", and every " * 14 + "x",
    "many words.txt": lambda: "a " * 60_000,
    "one word of too many parts.txt": lambda: "a\\-" * 330_000,
    "many words on one note.txt": lambda: "a~" * 40_000 + " b",
    "a word without end.lrc": lambda: "[00:01]" + "a" * 900_000,
    "a long heading.txt": lambda: "[H" + " h" * 40_000 + "]\na",
    "a path without end.toml": lambda: BASE.replace("v.wav", "7/" * 49_000),
}
"""Contents by what they are; the end of the name says which reader is asked."""

GREATEST: dict[str, Callable[[], str | bytes]] = {
    "downbeats.toml": lambda: MUSIC + "downbeats_s = [" + many(19_999, "{0},") + "19999]\n",
    "corrections.toml": lambda: BASE + CORRECTION * 2_000,
    "variants.toml": lambda: BASE + many(500, VARIANT),
    "stems.toml": lambda: BASE + many(63, STEM),
    "phrases.toml": lambda: MUSIC + "phrases = [" + many(5_000, "[{0}.0,{0}.9],") + "]\n",
    "notes.mid": lambda: midi(20_000),
    "tempi.midi": lambda: tempo_map(99_000, quarter_us=30_000, per_quarter=32),
    "rows.csv": lambda: rows(20_000, "{0:.2f},{1:.2f},60\n"),
    "lines.lab": lambda: rows(20_000, "{0:.2f} {1:.2f} C\n"),
    "lines.chart": lambda: "C |\n" * 9_999,
    "answers.answers": lambda: answers(10_000, listeners=100),
    "pairs.answers": lambda: answers(10_000, pairs=200),
    "spaces before a line.toml": lambda: " " * 900_000 + BASE,
    "digits and full stops.toml": lambda: "# " + ("." * 399 + "x ") * 2_000 + "\n" + BASE,
    "one word of many parts.txt": lambda: "a\\-" * 100,
    "one word of many notes.txt": lambda: "a" + "_" * 900_000,
    "heading that does not end.txt": lambda: "[a" + " " * 900_000 + "x",
}
"""The greatest that is taken."""


@pytest.fixture(scope="module")
def reader() -> Iterator[subprocess.Popen[str]]:
    words = [sys.executable, "-c", READ.format(cpu=CPU_S, memory=MEMORY)]
    pipe = subprocess.PIPE
    with subprocess.Popen(words, stdin=pipe, stdout=pipe, text=True) as process:
        yield process
        process.communicate(timeout=30)


def read_apart(reader: subprocess.Popen[str], folder: Path, name: str, content: str | bytes) -> str:
    """What a child process of few means says of a file."""
    (folder / "v.wav").write_bytes(b"\n")
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    assert reader.stdin is not None
    assert reader.stdout is not None
    reader.stdin.write(f"{path}\n")
    reader.stdin.flush()
    assert reader.stdout.readline() == "0\n", "died, or used up what it may"
    return path.with_name(f"{name}.said").read_text(encoding="utf-8")


pytestmark = pytest.mark.skipif(os.name == "nt", reason="needs limits of POSIX")


@pytest.mark.parametrize("name", HOSTILE)
def test_what_asks_for_too_much_is_refused(
    name: str, tmp_path: Path, reader: subprocess.Popen[str]
) -> None:
    said = read_apart(reader, tmp_path, name, HOSTILE[name]())
    assert said.startswith("refused: ")
    assert len(said) < 1_000
    assert "sys.set_int" not in said


@pytest.mark.slow
@pytest.mark.parametrize("name", GREATEST)
def test_the_greatest_that_is_taken_is_read(
    name: str, tmp_path: Path, reader: subprocess.Popen[str]
) -> None:
    assert read_apart(reader, tmp_path, name, GREATEST[name]()) == "read"
