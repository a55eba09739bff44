"""The demo song as a finished mix, without its stems: the whole job through the song file."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from retune import pipeline
from retune.carriers.errors import InputError, UsageError
from retune.comparison.difference import difference_words
from retune.pipeline.beside import made_by_both, shared_plan
from retune.pipeline.opensong import OpenSong

JOIN_S = 0.075
STEMS = ("vocal", "bass", "harp", "brushes")


def rows(name: str) -> list[dict[str, str]]:
    with open(pipeline.demo_folder() / name, encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The stems summed, a guide with times to a twentieth of a second, the demo's chart."""
    folder = tmp_path_factory.mktemp("finished")
    parts = [soundfile.read(pipeline.demo_folder() / f"{n}.flac", always_2d=True) for n in STEMS]
    mix = sum(np.broadcast_to(y, (len(y), 2)) for y, _ in parts)
    soundfile.write(folder / "mix.wav", 0.9 * mix / np.abs(mix).max(), parts[0][1], "PCM_24")
    lines = [
        ",".join([*(str(round(20 * float(r[k])) / 20) for k in ("vowel_on_s", "end_s")), r["name"]])
        for r in rows("truth_notes.csv")
    ]
    (folder / "melody.csv").write_text("\n".join(lines), encoding="utf-8")
    text = (pipeline.demo_folder() / "song.toml").read_text(encoding="utf-8")
    music = text[text.index("[music]") : text.index("[variants.")]
    (folder / "song.toml").write_text(
        'format = 1\n[stems.all]\nfile = "mix.wav"\nrole = "mix"\n'
        f'{music}guide = "melody.csv"\n'
        '[variants.home]\nrules = ["move phrase-ending degree 2 to degree 1"]\n',
        encoding="utf-8",
    )
    return folder


@pytest.fixture(scope="module")
def song(folder: Path) -> OpenSong:
    return pipeline.open_song(folder / "song.toml")


@pytest.mark.slow
def test_the_melody_is_read_from_the_mix_and_labelled(song: OpenSong) -> None:
    analysis = pipeline.analyze(song)
    truth = rows("truth_notes.csv")
    notes = analysis.stems["all"].notes
    right = [n.midi_name == int(r["midi"]) for n, r in zip(notes, truth, strict=True)]
    assert np.mean(right) >= 0.97
    wanted = [row["ending_degree"] for row in rows("truth_phrases.csv")]
    assert [p.ending_degree for p in analysis.stems["all"].phrases] == wanted
    assert any("from a full mix: approximate" in line for line in analysis.warnings)


def test_the_notes_move_and_all_else_stays(song: OpenSong, tmp_path: Path) -> None:
    plans = pipeline.plans_of(song, None)
    pipeline.write_versions(song, plans=plans, out=tmp_path, control=True)
    manifest = json.loads((tmp_path / "home" / "manifest.json").read_text(encoding="utf-8"))
    before, rate_hz = soundfile.read(tmp_path / "original" / "all.wav")
    edited = np.zeros(len(before), bool)
    for edit in manifest["edits"]:
        a, b = edit["start_s"] - JOIN_S, edit["end_s"] + JOIN_S
        edited[int(np.ceil(a * rate_hz)) : int(b * rate_hz) + 1] = True
    assert len(manifest["edits"]) == 2
    for version in ("home", "home/matched-control"):
        after, _ = soundfile.read(tmp_path / version / "all.wav")
        np.testing.assert_array_equal(after[~edited], before[~edited])
        assert (after[edited] != before[edited]).any()
    (verified,) = pipeline.verify(tmp_path / "home", song=song.song.path)
    assert verified.identical
    with pytest.raises(InputError, match=r"melody.csv is missing: .* or give --song"):
        pipeline.verify(tmp_path / "home")


def test_the_moved_mix_is_nearer_to_the_one_made_from_stems(song: OpenSong) -> None:
    """The same move made on the dry vocal stem, summed with the others, is the yardstick."""
    (plan,) = pipeline.plans_of(song, None)
    made = pipeline.render(song, plan=plan).stems["all"]
    whole = pipeline.open_song(pipeline.demo_folder() / "song.toml")
    stems = pipeline.render(whole, rules=list(plan.rules)).stems["vocal"]
    mix, vocal = song.audio["all"], whole.audio["vocal"]
    gain = 0.9 / float(np.abs(sum(_stereo(whole, name) for name in STEMS)).max())
    for edit in plan.edits:
        a, b = (int(t * mix.rate_hz) for t in (edit.start_s + 0.1, edit.end_s - 0.1))
        was = np.asarray(mix.read(a, b), dtype=np.float64)
        wanted = was + gain * (stems.apply(vocal, a, b) - vocal.read(a, b))
        got = np.asarray(made.apply(mix, a, b), dtype=np.float64)
        assert _distance(got, wanted) < 0.3 * _distance(was, wanted)
    assert [v.word for v in made.verdicts] == ["clean", "clean"]


def _stereo(song: OpenSong, name: str) -> np.ndarray:
    y = np.asarray(song.audio[name].read(), dtype=np.float64)
    return np.broadcast_to(y, (len(y), 2))


def _distance(first: np.ndarray, second: np.ndarray) -> float:
    """Energy of the difference of magnitude spectra."""
    spectra = [
        np.abs(np.fft.rfft(np.lib.stride_tricks.sliding_window_view(y, 2048, axis=0)[::512]
                           * np.hanning(2048), axis=2)) for y in (first, second)]  # fmt: skip
    return float(np.sum((spectra[0] - spectra[1]) ** 2))


def test_a_faulty_guide_is_named_with_its_line(folder: Path) -> None:
    text = (folder / "song.toml").read_text(encoding="utf-8")
    (folder / "wrong.csv").write_text("0.5,1.0,Bb4\n1.0,later,C4\n", encoding="utf-8")
    (folder / "wrong.toml").write_text(text.replace("melody.csv", "wrong.csv"), encoding="utf-8")
    with pytest.raises(InputError, match=r'wrong.csv line 2: end_s "later"'):
        pipeline.analyze(pipeline.open_song(folder / "wrong.toml"))


@pytest.mark.slow
def test_the_page_measures_the_mix_beside_the_stems(folder: Path, tmp_path: Path) -> None:
    """Every variant, each followed by its twin made from stems."""
    text = (folder / "song.toml").read_text(encoding="utf-8")
    rule = "move phrase-ending degree 2 to degree 3 in phrase 2"
    (folder / "two.toml").write_text(f'{text}[variants.up]\nrules = ["{rule}"]\n', "utf-8")
    two = pipeline.open_song(folder / "two.toml")
    stems = pipeline.demo_folder() / "song.toml"
    page = pipeline.compare(two, beside=stems, out=tmp_path / "page.html", control=False)
    names = ["original", "home", "home-from-stems", "up", "up-from-stems"]
    assert [v.name for v in page.versions] == names
    loudness = [v.loudness_lufs for v in page.versions]
    assert max(loudness) - min(loudness) < 0.2
    assert [row.name for row in page.differences] == ["home", "home", "up"]
    for row in page.differences:
        assert row.pitch_cents < 15
        # The estimate of the voice, which joins the lift, knows singers better than this demo's.
        assert row.log_spectral_db < 0.5 * row.before_db
    text = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "From the mix and from stems" in text
    assert "from a full mix: approximate" in text
    for words in difference_words(page.differences):
        assert words in text


@pytest.mark.slow
def test_stems_that_share_no_note_with_the_mix_are_refused(song: OpenSong) -> None:
    """In another key the same degrees are other notes."""
    rule = "move every degree 2 to degree 1 in phrase 2"
    plan = pipeline.plan(song, rules=[rule])
    assert plan.edits
    stems = pipeline.demo_folder() / "song.toml"
    other = pipeline.open_song(stems)
    moved = replace(other.song.music, key="A major")
    other = pipeline.open_song(replace(other.song, music=moved), use_cache=False)
    with pytest.raises(UsageError, match=r"--beside song.toml: .* 0 of them .* a guide"):
        pipeline.compare(song, rules=[rule], beside=other, control=False)


def test_what_the_two_do_not_both_move_is_told(song: OpenSong) -> None:
    (plan,) = pipeline.plans_of(song, None)
    assert shared_plan(plan, plan) == (plan, ())
    first, second = plan.edits
    near = replace(first, start_s=first.start_s + 0.1)
    octave = replace(second, from_name="C5", to_name="Bb4")
    made, (told,) = shared_plan(plan, replace(plan, edits=(near, octave)))
    assert made.edits == (near,)
    assert made_by_both(plan, made) == (first,)
    assert "moves 2 notes in the mix and 2 in the stems, 1 of them the same" in told
    none, (told,) = shared_plan(plan, replace(plan, edits=(octave,)))
    assert none.edits == ()
    assert "0 of them the same; so no version of it is made from stems" in told


def test_a_song_of_another_length_cannot_stand_beside(song: OpenSong, tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros(44100), song.rate_hz)
    with pytest.raises(UsageError, match=r"--beside a.wav: it lasts 1.0 s"):
        pipeline.compare(song, variants=["home"], beside=tmp_path / "a.wav")


@pytest.mark.slow
def test_without_a_guide_the_job_is_done_and_warned_of(folder: Path, tmp_path: Path) -> None:
    text = (folder / "song.toml").read_text(encoding="utf-8")
    (folder / "none.toml").write_text(text.replace('guide = "melody.csv"\n', ""), encoding="utf-8")
    opened = pipeline.open_song(folder / "none.toml")
    analysis = pipeline.analyze(opened)
    warnings = analysis.warnings
    assert any("without a guide some notes may be wrong" in line for line in warnings)
    plan = pipeline.plan(opened, rules=["move phrase-ending note to degree 1 in phrase 1"])
    assert plan.edits
    assert plan.caveat == "from a full mix: approximate"
    manifests = pipeline.write_versions(opened, plans=[plan], out=tmp_path)
    manifest = manifests["rules"]
    assert len(manifest["verdicts"]) == len(plan.edits)
    assert manifest["label"] == "altered with retune (from a full mix: approximate)"
