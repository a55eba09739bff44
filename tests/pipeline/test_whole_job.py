"""The whole job on the demo song: what is promised of every rendering, measured from outside."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import numpy as np
import parselmouth
import pytest
import soundfile

import retune
from retune import pipeline
from retune.carriers.errors import UsageError
from retune.pipeline.opensong import OpenSong

JOIN_S = 0.075


@pytest.fixture(scope="module")
def song(tmp_path_factory: pytest.TempPathFactory) -> OpenSong:
    return pipeline.open_song(pipeline.write_demo(tmp_path_factory.mktemp("demo")))


@pytest.fixture(scope="module")
def rendered(song: OpenSong, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("renditions")
    pipeline.write_versions(song, plans=pipeline.plans_of(song, None), out=out, control=True)
    return out


def truth(name: str) -> list[dict[str, str]]:
    with open(pipeline.demo_folder() / name, encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def median_hz(samples: np.ndarray, rate_hz: int, start_s: float, end_s: float) -> float:
    """Median f0 between two times by an independent tracker (Praat's autocorrelation)."""
    part = samples[int(start_s * rate_hz) : int(end_s * rate_hz)].astype(float)
    sound = parselmouth.Sound(part, rate_hz)
    f0 = sound.to_pitch_ac(pitch_floor=60, pitch_ceiling=900).selected_array["frequency"]
    return float(np.median(f0[f0 > 0]))


def test_each_phrase_ends_where_the_truth_says(song: OpenSong) -> None:
    phrases = retune.analyze(song).stems["vocal"].phrases
    wanted = truth("truth_phrases.csv")
    assert [p.ending_degree for p in phrases] == [row["ending_degree"] for row in wanted]
    assert [p.ending for p in phrases] == [row["ending"] for row in wanted]
    assert [p.ending_melodic for p in phrases] == [row["ending_melodic"] for row in wanted]


def test_notes_match_the_truth(song: OpenSong) -> None:
    import mir_eval

    vocal = retune.analyze(song).stems["vocal"]
    rows = truth("truth_notes.csv")
    reference = np.array([[float(r["vowel_on_s"]), float(r["end_s"])] for r in rows])
    found = np.array([[n.start_s, n.end_s] for n in vocal.notes])
    hz = 440 * 2 ** ((np.array([float(r["midi"]) for r in rows]) - 69) / 12)
    found_hz = 440 * 2 ** ((np.array([n.pitch_midi for n in vocal.notes]) - 69) / 12)
    # Limits of MIREX note tracking: onset 50 ms, pitch 50 cents (mir_eval's defaults).
    _, _, f, _ = mir_eval.transcription.precision_recall_f1_overlap(
        reference, hz, found, found_hz, offset_ratio=None
    )
    assert f > 0.9


def test_every_moved_note_moves_by_its_shift(song: OpenSong, rendered: Path) -> None:
    before, rate_hz = soundfile.read(rendered / "original" / "vocal.wav")
    checked = 0
    for name in ("home-early", "never-home", "mirror"):
        manifest = json.loads((rendered / name / "manifest.json").read_text(encoding="utf-8"))
        after, _ = soundfile.read(rendered / name / "vocal.wav")
        for edit in manifest["edits"]:
            span = edit["start_s"] + 0.1, edit["end_s"] - 0.1
            if edit["stem"] != "vocal" or span[1] - span[0] < 0.15:
                continue
            cents = 1200 * np.log2(
                median_hz(after, rate_hz, *span) / median_hz(before, rate_hz, *span)
            )
            assert cents == pytest.approx(edit["shift_cents"], abs=10)
            checked += 1
    assert checked >= 5


def test_samples_outside_the_edits_are_bit_identical(song: OpenSong, rendered: Path) -> None:
    for home in sorted(path.parent for path in rendered.glob("*/manifest.json")):
        manifest = json.loads((home / "manifest.json").read_text(encoding="utf-8"))
        for place in (home, home / "matched-control"):
            for name, audio in song.audio.items():
                source, rate_hz = soundfile.read(audio.path, dtype="int32", always_2d=True)
                result, _ = soundfile.read(place / f"{name}.wav", dtype="int32", always_2d=True)
                assert result.shape == source.shape
                free = np.ones(len(source), bool)
                for edit in manifest["edits"]:
                    if edit["stem"] == name:
                        low = int((edit["start_s"] - JOIN_S) * rate_hz)
                        free[max(low, 0) : int((edit["end_s"] + JOIN_S) * rate_hz) + 1] = False
                assert np.array_equal(result[free], source[free]), (place, name)
                if any(edit["stem"] == name for edit in manifest["edits"]):
                    assert not np.array_equal(result, source)


def test_mixes_are_level_matched_and_below_the_ceiling(rendered: Path) -> None:
    import pyloudnorm

    original, rate_hz = soundfile.read(rendered / "original" / "mix.wav")
    meter = pyloudnorm.Meter(rate_hz, filter_class="DeMan")
    level = meter.integrated_loudness(original)
    for path in sorted(rendered.rglob("mix.wav")):
        mix, _ = soundfile.read(path)
        assert meter.integrated_loudness(mix) == pytest.approx(level, abs=0.05), path
        assert np.abs(mix).max() < 10 ** (-1 / 20)


def test_files_say_that_they_were_altered(rendered: Path) -> None:
    with soundfile.SoundFile(rendered / "home-early" / "vocal.wav") as stream:
        about = stream.copy_metadata()
    assert "altered with retune" in about["comment"]
    assert "move phrase-ending degree 2 to degree 1" in about["comment"]
    assert about["copyright"] == "CC0 1.0, invented for retune"
    with soundfile.SoundFile(rendered / "home-early" / "bass.wav") as stream:
        assert "altered" not in stream.copy_metadata()["comment"].replace("unaltered", "")


def test_rendering_twice_gives_the_same_bytes(song: OpenSong, tmp_path: Path) -> None:
    plans = pipeline.plans_of(song, ["home-early"])
    for place in ("a", "b"):
        pipeline.write_versions(song, plans=plans, out=tmp_path / place, control=True)
    files = sorted(p.relative_to(tmp_path / "a") for p in (tmp_path / "a").rglob("*.*"))
    assert len(files) == 16
    for name in files:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes(), name


def test_verify_finds_what_was_changed(song: OpenSong, tmp_path: Path) -> None:
    plans = pipeline.plans_of(song, ["home-early"])
    pipeline.write_versions(song, plans=plans, out=tmp_path)
    (same,) = pipeline.verify(tmp_path)
    assert same.identical
    data = bytearray((tmp_path / "home-early" / "vocal.wav").read_bytes())
    data[-1000] ^= 1
    (tmp_path / "home-early" / "vocal.wav").write_bytes(data)
    (changed,) = pipeline.verify(tmp_path / "home-early")
    assert changed.differences == ("vocal.wav is not the file that was written",)


def test_inputs_are_never_written_to(tmp_path: Path) -> None:
    path = pipeline.write_demo(tmp_path)
    for stem in tmp_path.glob("*.flac"):
        shutil.copy(stem, stem.with_suffix(".wav"))
    opened = pipeline.open_song(path)
    before = {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    with pytest.raises(UsageError, match="is an input"):
        pipeline.compare(opened, variants=["home-early"], out=tmp_path / "song.toml")
    assert {p: p.read_bytes() for p in before} == before


def test_the_page_holds_every_version(song: OpenSong, tmp_path: Path) -> None:
    page = retune.compare(
        song, variants=["home-early"], passage=(None, None, "2"), out=tmp_path / "p.html"
    )
    assert [version.kind for version in page.versions] == ["original", "variant", "matched-control"]
    text = (tmp_path / "p.html").read_text(encoding="utf-8")
    assert "http://" not in text.replace("http://www.w3.org", "")
    assert len(text) < 2_000_000


def test_an_unknown_variant_is_named_with_the_nearest(song: OpenSong) -> None:
    with pytest.raises(UsageError, match=r'no variant "home-erly".*did you mean "home-early"'):
        retune.plan(song, variant="home-erly")


@pytest.mark.parametrize(
    ("passage", "message"),
    [
        (("9:1", "5:1", None), "holds less than 0.5 s"),
        (("99:1", None, None), "not in the song: bars 0 to"),
        ((None, None, "9"), "the song has phrases 1 to 6"),
        (("soon", None, None), "not a time"),
        (("1s", None, "2"), "does not go with"),
    ],
)
def test_a_passage_that_is_not_there(
    song: OpenSong, passage: tuple[str | None, str | None, str | None], message: str
) -> None:
    with pytest.raises(UsageError, match=message):
        retune.compare(song, variants=["home-early"], passage=passage)


def test_a_stem_that_ends_early_is_moved_as_far_as_it_goes(tmp_path: Path) -> None:
    path = pipeline.write_demo(tmp_path)
    harp, rate_hz = soundfile.read(tmp_path / "harp.flac")
    soundfile.write(tmp_path / "harp.flac", harp[: 20 * rate_hz], rate_hz)
    opened = pipeline.open_song(path)
    rules = ["shift harp up 5 semitones in bar 16", "shift harp up 5 semitones in bars 9-12"]
    plan = retune.plan(opened, rules=rules)
    assert "stem harp ends at 20.00 s, so nothing of it moves from 30.6" in plan.warnings[0]
    (edit,) = plan.edits
    assert edit.end_s == 20.0
    assert retune.render(opened, plan=plan).stems["harp"].patches[-1].stop <= 20 * rate_hz
