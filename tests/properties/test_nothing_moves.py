"""Nothing asked, nothing changed: rendered by no rule, and moved by nothing, sound is the input."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from retune import pipeline
from retune.carriers.changes import Plan
from retune.pipeline.facts import song_facts
from retune.pipeline.manifest import song_from_facts
from retune.repitch import render_stem
from retune.song.songfile import parse_song
from retune.sound.audio import open_audio

RATE_HZ = 16_000
SONG = """format = 1
[stems.vocal]
file = "vocal.wav"
role = "melody"
[stems.harp]
file = "harp.flac"
role = "backing"
[music]
key = "C major"
meter = "4/4"
tempo_bpm = 120
first_downbeat_s = 0
phrases = "every 1 bar"
"""
RULE = "move phrase-ending degree 2 to degree 1"
NOTES = ((0.1, 0.9, 329.63), (1.0, 1.9, 293.66), (2.1, 2.9, 349.23), (3.0, 3.9, 261.63))


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> pipeline.OpenSong:
    """Four notes with noise beneath, as 16-bit WAV and 24-bit FLAC in two channels."""
    folder = tmp_path_factory.mktemp("nothing")
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    sound = 0.001 * np.random.default_rng(0).standard_normal(len(time_s))
    for start_s, end_s, f0_hz in NOTES:
        edge = np.clip(np.minimum(time_s - start_s, end_s - time_s) / 0.03, 0, 1)
        sound += 0.15 * edge * sum(np.sin(2 * np.pi * f0_hz * k * time_s) / k for k in range(1, 7))
    soundfile.write(folder / "vocal.wav", sound, RATE_HZ)
    both = np.stack([sound, sound[::-1]], axis=1)
    soundfile.write(folder / "harp.flac", both, RATE_HZ, subtype="PCM_24")
    (folder / "song.toml").write_text(SONG, encoding="utf-8")
    return pipeline.open_song(folder / "song.toml")


def test_after_a_plan_nothing_again_gives_the_input_bit_for_bit(
    opened: pipeline.OpenSong, tmp_path: Path
) -> None:
    moving = pipeline.plan(opened, rules=[RULE])
    nothing = replace(pipeline.plan(opened, rules=["keep every note"]), name="nothing")
    assert len(moving.edits) == 1
    assert nothing.edits == ()
    pipeline.write_versions(opened, plans=[moving, nothing], out=tmp_path)
    for name, stem in opened.song.stems.items():
        sung, _ = soundfile.read(stem.path, dtype="int32")
        for place in ("original", "nothing"):
            made, _ = soundfile.read(tmp_path / place / f"{name}.wav", dtype="int32")
            np.testing.assert_array_equal(made, sung, err_msg=f"{place}/{name}")
    mixes = [soundfile.read(tmp_path / place / "mix.wav")[0] for place in ("original", "nothing")]
    np.testing.assert_array_equal(*mixes)
    assert [one.identical for one in pipeline.verify(tmp_path)] == [True, True]


@pytest.mark.parametrize("engine", ["psola", "identity"])
def test_a_shift_of_nothing_leaves_every_sample(opened: pipeline.OpenSong, engine: str) -> None:
    stem = pipeline.analyze(opened).stems["vocal"]
    (edit,) = pipeline.plan(opened, rules=[RULE]).edits
    audio = opened.audio["vocal"]
    still = render_stem(audio, stem=stem, edits=[replace(edit, shift_cents=0.0)], engine=engine)
    np.testing.assert_array_equal(still.apply(audio, 0, audio.n_samples), audio.read())


def test_a_rendition_of_no_plan_has_no_patch(opened: pipeline.OpenSong) -> None:
    assert not pipeline.render(opened, plan=Plan(())).stems


keys = st.sampled_from(("auto", "Bb major", "F# minor", "D dorian"))
meters = st.sampled_from(("auto", "3/4", "6/8", "4/4"))
spans = st.lists(st.integers(1, 900), min_size=1, max_size=4, unique=True).map(
    lambda ends: [[float(a), a + 0.5] for a in sorted(ends)]
)


@given(
    title=st.text(st.characters(blacklist_categories=("Cc", "Cs", "Zl", "Zp")), max_size=20),
    key=keys,
    meter=meters,
    tempo=st.floats(20, 400) | st.just("auto"),
    phrases=spans | st.sampled_from(("auto", "every 4 bars", "every 2 bars, pickup 1.5 beats")),
    gain=st.floats(-60, 60),
    at_s=st.lists(st.floats(0, 86_400), max_size=3),
)
@settings(max_examples=60)
def test_a_song_comes_back_from_its_manifest(
    opened: pipeline.OpenSong, title: str, key: str, meter: str, tempo: object, phrases: object,
    gain: float, at_s: list[float],
) -> None:  # fmt: skip
    import json

    folder = opened.song.path.parent
    text = f"""format = 1
title = {json.dumps(title, ensure_ascii=False)}
[stems.vocal]
file = "vocal.wav"
role = "melody"
gain_db = {gain!r}
[music]
key = "{key}"
meter = "{meter}"
tempo_bpm = {json.dumps(tempo)}
phrases = {json.dumps(phrases)}
"""
    for time_s in at_s:
        text += f'[[corrections]]\nstem = "vocal"\nat_s = {time_s!r}\nset = "drop"\n'
    song = parse_song(text, path=folder / "song.toml")
    facts = json.loads(json.dumps(song_facts(song)))
    assert song_from_facts(facts, folder=folder, source=folder / "manifest.json") == song
    assert open_audio(song.stems["vocal"].path).n_samples == 4 * RATE_HZ
