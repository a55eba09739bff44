"""What a fuzzer feeds: every reader of retune by name, and what must hold of any bytes at all.

Each target takes the bytes of a file, hands them to a reader as that file, and checks what the
reader gave back. A refusal must come from our own error root and be one printable line; anything
else that comes out is a finding.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from retune.carriers.errors import RetuneError
from retune.carriers.heard import Bars, Key
from retune.comparison.blind_code import read_answers
from retune.pipeline.manifest import read_manifest, song_from_facts
from retune.pipeline.passages import read_time
from retune.rules import completions, parse_rule, understand
from retune.song.bartime import bar_time
from retune.song.chart import read_chart, read_lab
from retune.song.guide import read_guide
from retune.song.lyrics import read_lyrics_file
from retune.song.songfile import read_song, read_variants
from retune.song.songsave import edit_song
from retune.sound.audio import open_audio
from retune.sound.audiochecks import audio_warnings
from retune.sound.wavmeta import WavHeader
from retune.theory.chords import chord_parts, parse_chord
from retune.track.table import read_table

CORPUS = Path(__file__).parent / "corpus"
SOUNDS = ("audio", "media")
KEY = Key("Bb", "major")
BARS = Bars(
    meter=(3, 4),
    tempo_bpm=92.0,
    downbeats_s=tuple(1.3 + 1.95 * k for k in range(25)),
)
STEMS = ("vocal", "bass", "harp")
ROLES = {"vocal": "melody", "bass": "bass", "harp": "harmony"}
FILES = (
    *("vocal.flac", "bass.flac", "melody.csv", "chords.lab"),
    *("vocal.wav", "bass.wav", "harp.wav", "brushes.wav"),
)
LONGEST_REFUSAL = 1_000
ROOM = Path("/dev/shm") if Path("/dev/shm").is_dir() else None


@contextmanager
def folder_of_a_song() -> Iterator[Path]:
    """A folder that holds the files which song files of the corpus name."""
    with tempfile.TemporaryDirectory(dir=ROOM) as name:
        folder = Path(name)
        for file in FILES:
            (folder / file).write_bytes(b"\n")
        yield folder


def song(data: bytes, folder: Path) -> None:
    path = folder / "song.toml"
    path.write_bytes(data)
    read = read_song(path)
    editor = edit_song(path)
    assert editor.song == read
    assert editor.text() == data.decode("utf-8-sig")
    editor.set_variant("fuzzed", ["keep highest note"], about="added")
    editor.add_correction(next(iter(read.stems)), 1.5, "drop")
    saved = editor.save()
    assert saved.variants["fuzzed"].rules == ("keep highest note",)
    assert read_song(path) == saved


def variants(data: bytes, folder: Path) -> None:
    path = folder / "variants.toml"
    path.write_bytes(data)
    read_variants(path)


def rules(data: bytes, folder: Path) -> None:
    text = data.decode("utf-8", errors="replace")
    for offered in completions(text, stems=STEMS)[:3]:
        assert offered.strip()
    rule = parse_rule(text, stems=STEMS)
    assert parse_rule(str(rule), stems=STEMS) == rule


def spoken(data: bytes, folder: Path) -> None:
    """Sentences as people say them, roles of the stems known."""
    text = data.decode("utf-8", errors="replace")
    for rule in understand(text, stems=STEMS, roles=ROLES):
        assert understand(str(rule), stems=STEMS, roles=ROLES) == (rule,)


def chords(data: bytes, folder: Path) -> None:
    for chord in read_chart(
        data.decode("utf-8", errors="replace"), bars=BARS, key_at=lambda _: KEY
    ):
        again = parse_chord(chord.label, KEY)
        assert chord_parts(again) == chord_parts(chord)
        assert chord.start_s <= chord.end_s


def lab(data: bytes, folder: Path) -> None:
    path = folder / "chords.lab"
    path.write_bytes(data)
    found = read_lab(path, lambda _: KEY)
    assert all(chord.start_s < chord.end_s for chord in found)


def guide_csv(data: bytes, folder: Path) -> None:
    _guide(data, folder / "melody.csv")


def guide_midi(data: bytes, folder: Path) -> None:
    _guide(data, folder / "melody.mid")


def _guide(data: bytes, path: Path) -> None:
    path.write_bytes(data)
    before = 0.0
    for note in read_guide(path):
        assert before - 1e-6 <= note.start_s < note.end_s < float("inf")
        assert 0 <= note.midi <= 127
        before = note.start_s


def lyrics_txt(data: bytes, folder: Path) -> None:
    _lyrics(data, folder / "words.txt")


def lyrics_lrc(data: bytes, folder: Path) -> None:
    _lyrics(data, folder / "words.lrc")


def lyrics_score(data: bytes, folder: Path) -> None:
    _lyrics(data, folder / "words.musicxml")


def _lyrics(data: bytes, path: Path) -> None:
    path.write_bytes(data)
    for line in read_lyrics_file(path):
        assert line.n_notes >= len(line.syllables)
        assert line.text is not None


def responses(data: bytes, folder: Path) -> None:
    from retune.comparison.tally import tally

    path = folder / "answers.csv"
    path.write_bytes(data)
    read_answers(path)
    tally([path]).to_json()


def f0_table(data: bytes, folder: Path) -> None:
    path = folder / "f0.csv"
    path.write_bytes(data)
    time_s, f0_hz = read_table(path)
    assert len(time_s) == len(f0_hz) > 0


def audio(data: bytes, folder: Path) -> None:
    path = folder / "sound"
    path.write_bytes(data)
    opened = open_audio(path)
    audio_warnings(opened)
    assert len(opened.read(0, 100)) == min(100, opened.n_samples)


def media(data: bytes, folder: Path) -> None:
    """Phones' and films' files, by what the extra `media` brings."""
    audio(data, folder)


def wav_words(data: bytes, folder: Path) -> None:
    """Titles, rights and rules of any bytes, written into a header that others must read."""
    import soundfile

    words = data.decode("utf-8", errors="replace")
    info = {"INAM": words, "ICOP": words[::-1], "ICMT": words, "ISFT": "retune"}
    path = folder / "a.wav"
    header = WavHeader(8000, 1, "PCM_16", description=words, info=info)
    path.write_bytes(header.pack(2) + b"\1\0\2\0")
    with soundfile.SoundFile(path) as stream:
        assert (stream.frames, stream.read(dtype="int16").tolist()) == (2, [1, 2])
    assert open_audio(path).n_samples == 2


def manifest(data: bytes, folder: Path) -> None:
    path = folder / "manifest.json"
    path.write_bytes(data)
    song_from_facts(read_manifest(path)["song"], folder=folder, source=path)


def times(data: bytes, folder: Path) -> None:
    assert read_time(data.decode("utf-8", errors="replace"), BARS) >= bar_time(BARS, 0)


TARGETS: dict[str, Callable[[bytes, Path], None]] = {
    "song": song,
    "variants": variants,
    "rules": rules,
    "spoken": spoken,
    "chords": chords,
    "lab": lab,
    "guide_csv": guide_csv,
    "guide_midi": guide_midi,
    "lyrics_txt": lyrics_txt,
    "lyrics_lrc": lyrics_lrc,
    "lyrics_score": lyrics_score,
    "responses": responses,
    "f0_table": f0_table,
    "audio": audio,
    "media": media,
    "wav_words": wav_words,
    "manifest": manifest,
    "times": times,
}


def feed(name: str, data: bytes, folder: Path) -> None:
    """Hand `data` to a reader; only a refusal of our own, in one printable line, may come out."""
    try:
        TARGETS[name](data, folder)
    except RetuneError as error:
        said = str(error)
        assert said == " ".join(said.splitlines()), f"more than one line: {said!r}"
        assert said.isprintable(), f"not printable: {said!r}"
        assert len(said) <= LONGEST_REFUSAL, f"{len(said)} characters: {said[:80]!r}"


def clear(folder: Path) -> None:
    """Leave the folder as `folder_of_a_song` made it."""
    for path in folder.iterdir():
        if path.name.startswith("."):
            shutil.rmtree(path) if path.is_dir() else path.unlink()
