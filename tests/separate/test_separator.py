"""A separator that a user installs: asked for blocks, joined without a seam, on the mix's clock."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from retune.carriers.errors import UsageError
from retune.carriers.heard import Audio, Samples
from retune.separate.separator import BLOCK_S, demucs_part, parted

RATE_HZ = 1000  # blocks are long: few samples a second keep them small


def noise(seconds: float, n_channels: int = 2) -> Audio:
    rng = np.random.default_rng(4)
    shape = (round(seconds * RATE_HZ), n_channels)
    return Audio(rng.normal(scale=0.1, size=shape).astype(np.float32), RATE_HZ)


@pytest.mark.parametrize("seconds", [0.0, 0.001, 0.3, 29.9, 44.9, 45.1, 60.0, 100.003])
def test_blocks_are_the_mix_again_when_all_of_it_is_voice(seconds: float) -> None:
    mix = noise(seconds)
    found = np.concatenate(list(parted(mix, lambda samples, rate_hz: samples)))
    assert found.shape == mix.samples.shape
    assert np.abs(found - mix.samples).max(initial=0.0) < 1e-7


def test_neighbours_fade_into_each_other() -> None:
    mix = Audio(np.ones((100 * RATE_HZ, 1), np.float32), RATE_HZ)
    heard: list[int] = []

    def louder_each_time(samples: Samples, rate_hz: int) -> Samples:
        heard.append(len(samples))
        return samples * len(heard)

    found = np.concatenate(list(parted(mix, louder_each_time)))[:, 0]
    assert len(heard) == 3
    assert max(heard) < (1.5 * BLOCK_S + 8.1) * RATE_HZ  # memory stays that of a block
    assert (found[0], found[-1]) == (1.0, 3.0)
    assert np.diff(found).max() < 0.01


def test_without_demucs_it_is_said_how_to_have_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "demucs", None)
    monkeypatch.setitem(sys.modules, "demucs.api", None)
    with pytest.raises(UsageError, match=r"pip install 'retune\[separate\]'"):
        demucs_part("htdemucs")


# --- with demucs itself, and models in its own format ------------------------------------------

HALF = '''
import torch


class Half(torch.nn.Module):
    """Half of what it is given, as every source."""

    def __init__(self, sources, samplerate=8000, audio_channels=2):
        super().__init__()
        self.sources, self.samplerate, self.audio_channels = sources, samplerate, audio_channels
        self.segment = 5
        self.share = torch.nn.Parameter(torch.tensor(0.5))

    def forward(self, mix):
        return torch.stack([mix * self.share for _ in self.sources], dim=1)
'''


@pytest.fixture
def half_model(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the model `half` in demucs' format: it gives half of the mix as the voice."""
    torch = pytest.importorskip("torch")
    pytest.importorskip("demucs.api")
    (tmp_path / "half_model.py").write_text(HALF)
    monkeypatch.syspath_prepend(str(tmp_path))
    import half_model  # type: ignore[import-not-found]

    for name, sources in (("half", ["drums", "vocals"]), ("band", ["drums", "bass"])):
        model = half_model.Half(sources)
        package = {"klass": half_model.Half, "args": [sources], "kwargs": {}}
        torch.save({**package, "state": model.state_dict()}, tmp_path / f"{name}.th")
    return tmp_path


@pytest.mark.slow
@pytest.mark.parametrize("n_channels", [1, 2])
@pytest.mark.parametrize("rate_hz", [8000, 11025])
def test_any_rate_and_channels_come_back_on_the_clock_of_the_mix(
    half_model: Path, rate_hz: int, n_channels: int
) -> None:
    t = np.arange(70 * rate_hz) / rate_hz
    tones = [np.sin(2 * np.pi * (200 + 50 * c) * t) for c in range(n_channels)]
    mix = Audio((0.3 * np.stack(tones, axis=1)).astype(np.float32), rate_hz)
    part = demucs_part("half", models=half_model)
    found = np.concatenate(list(parted(mix, part)))
    assert found.shape == mix.samples.shape
    inner = slice(rate_hz, -rate_hz)  # resamplers ring where a sound begins at once
    assert np.abs(found - 0.5 * mix.samples)[inner].max() < 1e-3
    assert np.array_equal(found, np.concatenate(list(parted(mix, part))))


@pytest.mark.slow
def test_a_model_of_demucs_is_loaded_and_asked(tmp_path: Path) -> None:
    torch = pytest.importorskip("torch")
    HDemucs = pytest.importorskip("demucs.hdemucs").HDemucs  # its own class, made small
    settings = {"sources": ["other", "vocals"], "channels": 4, "depth": 6, "nfft": 4096}
    torch.manual_seed(1)
    model = HDemucs(**settings)
    package = {"klass": HDemucs, "args": [], "kwargs": settings, "state": model.state_dict()}
    torch.save(package, tmp_path / "small.th")
    mix = Audio(noise(3.0).samples.repeat(44, axis=0)[: 2 * 44100], 44100)
    found = np.concatenate(list(parted(mix, demucs_part("small", models=tmp_path))))
    assert found.shape == mix.samples.shape
    assert np.isfinite(found).all()
    assert np.abs(found).max() > 0


@pytest.mark.slow
def test_a_model_without_a_voice_or_none_at_all_is_refused_in_words(half_model: Path) -> None:
    with pytest.raises(UsageError, match=r'finds drums, bass, and no "vocals"'):
        demucs_part("band", models=half_model)
    (half_model / "broken.th").write_bytes(b"no model")
    for name in ("broken", "missing"):
        with pytest.raises(UsageError, match=f"cannot load the model {name} from "):
            demucs_part(name, models=half_model)
    with pytest.raises(UsageError, match="cannot load the model half from "):
        demucs_part("half", models=half_model / "nowhere")
