"""Guides of a finished mix: a hummed recording, and notes put right by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from finished import hum, mixed, sung, write_mix, write_song

from retune import pipeline
from retune.carriers.errors import InputError
from retune.carriers.heard import Analysis, Note


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("guides")
    write_mix(folder)
    return folder


def heard(path: Path) -> Analysis:
    return pipeline.analyze(pipeline.open_song(path))


def accuracy(notes: tuple[Note, ...]) -> float:
    """The share of sung notes that are there: pitch within 60 cents, onset within 150 ms."""
    found = [
        any(abs(n.pitch_midi - m) < 0.6 and abs(n.start_s - a) < 0.15 for n in notes)
        for m, a, _ in sung()
    ]
    return float(np.mean(found))


def write_hum(path: Path, *, semitones: float = -12.0, late_s: float = 0.4) -> None:
    _, rate_hz, _ = mixed()
    soundfile.write(path, hum(sung(), rate_hz=rate_hz, semitones=semitones, late_s=late_s), rate_hz)


@pytest.mark.slow
def test_a_hummed_guide_is_as_good_as_a_table(folder: Path) -> None:
    """An octave low, 5 % slow, .4 s late, 30 cents out."""
    write_hum(folder / "hum.wav")
    table = heard(write_song(folder, guide="melody.csv", name="table"))
    hummed = heard(write_song(folder, guide="hum.wav", name="hummed"))
    assert accuracy(table.stems["all"].notes) >= 0.97
    assert accuracy(hummed.stems["all"].notes) >= accuracy(table.stems["all"].notes) - 0.02
    assert any("laid on the mix, an octave higher" in line for line in hummed.warnings)


@pytest.mark.slow
def test_a_guide_in_another_key_is_told_of_and_one_of_another_melody_doubted(folder: Path) -> None:
    write_hum(folder / "third.wav", semitones=3.0, late_s=2.0)
    third = heard(write_song(folder, guide="third.wav", name="third"))
    assert accuracy(third.stems["all"].notes) >= 0.95
    assert any("3 semitones lower since it is hummed" in line for line in third.warnings)
    _, rate_hz, _ = mixed()
    scale = [(60 + (0, 2, 4, 5, 7, 9, 11, 12)[k % 8], 0.5 * k, 0.5 * k + 0.45) for k in range(40)]
    soundfile.write(
        folder / "other.wav", hum(scale, rate_hz=rate_hz, semitones=0.0, late_s=0.0), rate_hz
    )
    other = heard(write_song(folder, guide="other.wav", name="other"))
    assert any("other.wav: it fits the mix hardly better" in line for line in other.warnings)
    assert not any("hardly better" in line for line in third.warnings)


def test_a_recording_without_notes_is_refused(folder: Path) -> None:
    soundfile.write(folder / "silence.wav", np.zeros(44100), 44100)
    with pytest.raises(InputError, match=r"silence.wav: no note is heard"):
        heard(write_song(folder, guide="silence.wav", name="silent"))


@pytest.mark.slow
def test_what_is_corrected_in_a_mix_becomes_its_guide(folder: Path) -> None:
    """Without a guide: a note that is typed where one is sung is found there, and bounds it."""
    plain = heard(write_song(folder, name="plain")).stems["all"]
    right = [
        any(abs(n.pitch_midi - m) < 0.6 and abs(n.start_s - a) < 0.15 for n in plain.notes)
        for m, a, _ in sung()
    ]
    midi, start_s, end_s = sung()[right.index(False)]
    name = {0: "C", 2: "D", 3: "Eb", 5: "F", 7: "G", 9: "A", 10: "Bb"}[midi % 12]
    typed = f"add {name}{midi // 12 - 1} to {round(end_s, 1)}"
    more = f'[[corrections]]\nstem = "all"\nat_s = {round(start_s, 1)}\nset = "{typed}"\n'
    found = heard(write_song(folder, name="typed", more=more)).stems["all"]
    (note,) = [n for n in found.notes if n.start_s < 0.5 * (start_s + end_s) < n.end_s]
    assert note.midi_name == midi
    assert abs(note.pitch_midi - midi) < 0.6
    edge_s = min(0.1, 0.25 * (end_s - start_s))
    inside = (found.track.time_s > start_s + edge_s) & (found.track.time_s < end_s - edge_s)
    heard_midi = 69 + 12 * np.log2(found.track.f0_hz[inside] / 440)
    assert np.mean(np.abs(heard_midi - midi) < 1) > 0.8


def test_an_added_note_takes_the_place_of_what_lies_there(folder: Path) -> None:
    more = '[[corrections]]\nstem = "all"\nat_s = 2.0\nset = "add C4 to 2.6"\n'
    path = write_song(folder, guide="melody.csv", name="added", more=more)
    opened = pipeline.open_song(path, use_cache=False, start="0s", end="8s")
    stem = opened.analysis.stems["all"]
    for before, after in zip(stem.notes, stem.notes[1:], strict=False):
        assert before.end_s <= after.start_s + 1e-6
    assert any(note.name == "C4" and abs(note.start_s - 2.0) < 0.15 for note in stem.notes)


@pytest.mark.slow
def test_the_bass_inside_moves_and_is_near_the_one_made_from_stems(folder: Path) -> None:
    rule = "shift bass down 2 semitones in bars 5-8"
    song = pipeline.open_song(write_song(folder, guide="melody.csv", name="low"))
    made = pipeline.render(song, rules=[rule])
    assert list(made.stems) == ["all"]
    words = [v.word for v in made.verdicts if v.stem == "bass"]
    assert len(words) == len(made.verdicts)
    # Never "clean"; what is left of a note at a barline may be in doubt.
    assert words.count("audible if you listen for it") >= 0.8 * len(words)
    assert "clean" not in words
    assert any("the chords above it stay" in c.text for c in made.plan.consequences)
    whole = pipeline.open_song(pipeline.demo_folder() / "song.toml")
    stems = pipeline.render(whole, rules=[rule]).stems["bass"]
    _, rate_hz, gain = mixed()
    first, last = (int(made.plan.edits[k].start_s * rate_hz) for k in (0, -1))
    bass, mix = whole.audio["bass"], song.audio["all"]
    was = np.asarray(mix.read(first, last), dtype=np.float64)
    wanted = was + gain * (stems.apply(bass, first, last) - bass.read(first, last))
    got = made.stems["all"].apply(mix, first, last)

    def snr_db(samples: np.ndarray) -> float:
        spectra = [
            np.abs(np.fft.rfft(np.lib.stride_tricks.sliding_window_view(y, 8192, axis=0)[::2048]
                               * np.hanning(8192), axis=2)) for y in (samples, wanted)]  # fmt: skip
        return float(10 * np.log10(np.sum(spectra[1] ** 2) / np.sum(np.subtract(*spectra) ** 2)))

    assert snr_db(got) > snr_db(was) + 4


def test_a_recording_with_a_guide_on_the_command_line_is_a_mix(folder: Path) -> None:
    guide = str(folder / "melody.csv")
    song = pipeline.open_song(folder / "mix.wav", use_cache=False, guide=guide).song
    assert [stem.role for stem in song.stems.values()] == ["mix"]
    assert song.music.guide == folder / "melody.csv"
    with pytest.raises(InputError, match=r"--guide: .* does not exist; give a CSV"):
        pipeline.open_song(folder / "mix.wav", guide=str(folder / "none.csv"))
    with pytest.raises(InputError, match=r"--guide: .* must be a CSV .* for a mix a recording"):
        pipeline.open_song(folder / "mix.wav", guide=str(write_song(folder)))
