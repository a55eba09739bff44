"""A finished mix beside stems separated from it: the rest that they leave over is told and kept."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from band import RATE_HZ, make_mix

from retune import pipeline
from retune.pipeline.mix_levels import mix_of
from retune.pipeline.mix_residual import residual_db

RULE = "shift vocal up 1 semitone from 1.8s to 3s"


def song(folder: Path, *, rest_db: float, late: int = 0) -> pipeline.OpenSong:
    """The band's voice and backing beside their sum, which holds noise `rest_db` under it."""
    made = make_mix()
    noise = np.random.default_rng(2).standard_normal(made.mix.shape)
    noise *= np.sqrt(np.sum(made.mix**2) / np.sum(noise**2)) * 10 ** (rest_db / 20)
    voice = np.roll(np.repeat(made.voice[:, None], 2, axis=1), late, axis=0)
    sounds = {"all": made.mix + noise, "vocal": voice, "band": made.backing}
    for name, y in sounds.items():
        soundfile.write(folder / f"{name}.wav", 0.5 * y, RATE_HZ, "FLOAT")
    roles = {"all": "mix", "vocal": "melody", "band": "backing"}
    stems = "".join(f'[stems.{n}]\nfile = "{n}.wav"\nrole = "{r}"\n' for n, r in roles.items())
    (folder / "song.toml").write_text(f"format = 1\n{stems}[music]\nkey = 'C major'\n")
    return pipeline.open_song(folder / "song.toml", use_cache=False)


@pytest.mark.parametrize("rest_db", [-50.0, -20.0])
def test_the_rest_is_told_in_decibels(tmp_path: Path, rest_db: float) -> None:
    opened = song(tmp_path, rest_db=rest_db)
    assert residual_db(opened.inputs) == pytest.approx(rest_db, abs=0.2)
    told = [line for line in pipeline.analyze(opened).warnings if "do not add up" in line]
    assert bool(told) == (rest_db > -30)
    assert all("-20 dB of it" in line for line in told)


def test_a_stem_that_starts_late_is_told_of(tmp_path: Path) -> None:
    left_db = residual_db(song(tmp_path, rest_db=-60.0, late=2000).inputs)
    assert left_db is not None
    assert left_db > -10


def test_the_mix_is_heard_once_and_changes_with_its_stems(tmp_path: Path) -> None:
    opened = song(tmp_path, rest_db=-20.0)
    whole = opened.audio["all"].read()
    np.testing.assert_array_equal(mix_of(opened.inputs).read(), whole)
    made = pipeline.render(opened, rules=[RULE])
    assert list(made.stems) == ["vocal"]
    assert not made.plan.caveat
    vocal = opened.audio["vocal"]
    wanted = whole.astype(np.float64) + made.stems["vocal"].apply(vocal) - vocal.read()
    np.testing.assert_allclose(mix_of(opened.inputs, made).read(), wanted, atol=1e-6)
    first = int(1.7 * RATE_HZ)
    np.testing.assert_array_equal(mix_of(opened.inputs, made).read(0, first), whole[:first])


def test_a_mix_alone_has_no_rest(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "all.wav", make_mix().mix, RATE_HZ, "PCM_24")
    text = '[stems.all]\nfile = "all.wav"\nrole = "mix"\n'
    (tmp_path / "song.toml").write_text(f"format = 1\n{text}")
    assert residual_db(pipeline.open_song(tmp_path / "song.toml", use_cache=False).inputs) is None
