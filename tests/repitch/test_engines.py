"""The seam: names, choice, refusals, and the engines that are not our own."""

from __future__ import annotations

import shutil

import numpy as np
import pytest
from singing import RATE_HZ, make_stem, move, praat_hz

from retune.carriers.changes import Edit
from retune.carriers.errors import EngineError, UsageError
from retune.carriers.heard import Audio, StemAnalysis
from retune.carriers.units import cents_between
from retune.repitch import ENGINES, choose_engine, render_control, render_stem

BOUNDS, LEVELS = (0.0, 0.6, 1.6, 2.2), (200.0, 225.0, 180.0)


def chords(*, seconds: float = 4.0) -> np.ndarray:
    """Three decaying partial series, struck every second."""
    n = int(seconds * RATE_HZ)
    y, time_s = np.zeros(n), np.arange(RATE_HZ) / RATE_HZ
    for second in range(int(seconds)):
        for hz in (220.0, 277.18, 329.63):
            for k in range(1, 6):
                y[second * RATE_HZ : (second + 1) * RATE_HZ] += (
                    0.05 / k * np.exp(-3 * time_s) * np.sin(2 * np.pi * k * hz * time_s)
                )
    return y


def strongest_hz(samples: np.ndarray, near_hz: float) -> float:
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples)), 1 << 19))
    hz = np.fft.rfftfreq(1 << 19, 1 / RATE_HZ)
    band = (hz > near_hz * 0.94) & (hz < near_hz * 1.06)
    return float(hz[band][np.argmax(spectrum[band])])


def test_auto_depends_on_the_role_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    before = [
        choose_engine(role) for role in ("melody", "bass", "harmony", "double", "backing", "mix")
    ]
    monkeypatch.setattr(shutil, "which", lambda *_: None)
    after = [
        choose_engine(role) for role in ("melody", "bass", "harmony", "double", "backing", "mix")
    ]
    assert before == after
    assert [name for name, _ in after] == ["psola"] * 4 + ["stretch", "lift"]
    assert choose_engine("bass", is_inside=True)[0] == "lift-bass"
    assert all(reason for _, reason in after)


def test_every_engine_has_a_name_and_says_what_it_is() -> None:
    own = {"psola", "lift", "lift-bass", "stretch", "identity"}
    assert set(ENGINES) == own | {"rubberband", "world"}
    for name, engine in ENGINES.items():
        assert engine.name == name
        assert engine.about


def test_an_unknown_engine_is_refused_with_the_nearest() -> None:
    audio, stem, _ = make_stem(LEVELS, BOUNDS)
    with pytest.raises(UsageError, match='did you mean "psola"'):
        render_stem(audio, stem=stem, edits=[move(stem, 2, 100)], engine="psolo")


def test_the_identity_changes_nothing() -> None:
    audio, stem, _ = make_stem(LEVELS, BOUNDS)
    made = render_stem(audio, stem=stem, edits=[move(stem, 2, 100)], engine="identity")
    assert made.patches == ()
    assert (made.engine, made.reason) == ("identity", "chosen by name")


def test_one_voice_engines_refuse_a_stem_without_a_track() -> None:
    audio = Audio(chords().astype(np.float32), RATE_HZ)
    stem = StemAnalysis("harp", "backing")
    with pytest.raises(EngineError, match="use --engine stretch or auto"):
        render_stem(audio, stem=stem, edits=[Edit("harp", 1.0, 2.0, -200, "r")], engine="psola")


@pytest.mark.parametrize(
    ("edit", "message"),
    [
        (Edit("voice", 1.0, 0.5, 100, "r"), "not a span"),
        (Edit("voice", 1.0, 9.0, 100, "r"), "not a span"),
        (Edit("voice", 0.5, 1.0, 1300, "r"), "more than an octave"),
        (Edit("voice", 0.5, float("nan"), 100, "r"), "finite"),
    ],
)
def test_edits_that_cannot_be_are_refused(edit: Edit, message: str) -> None:
    audio, stem, _ = make_stem(LEVELS, BOUNDS)
    with pytest.raises(UsageError, match=message):
        render_stem(audio, stem=stem, edits=[edit])


def test_overlapping_edits_are_refused() -> None:
    audio, stem, _ = make_stem(LEVELS, BOUNDS)
    edits = [Edit("voice", 0.2, 0.8, 100, "r"), Edit("voice", 0.7, 1.0, 100, "r")]
    with pytest.raises(UsageError, match="overlap"):
        render_stem(audio, stem=stem, edits=edits)


@pytest.mark.parametrize("cents", [-200.0, 300.0])
def test_chords_move_as_a_whole(cents: float) -> None:
    audio = Audio(chords().astype(np.float32), RATE_HZ)
    stem = StemAnalysis("harp", "backing")
    made = render_stem(audio, stem=stem, edits=[Edit("harp", 1.0, 3.0, cents, "r")])
    whole = made.apply(audio)
    assert made.engine == "stretch"
    part = whole[int(1.2 * RATE_HZ) : int(1.9 * RATE_HZ), 0]
    for hz in (220.0, 277.18, 329.63):
        wanted = hz * 2 ** (cents / 1200)
        assert cents_between(wanted, strongest_hz(part, wanted)) == pytest.approx(0.0, abs=12.0)
    assert np.array_equal(whole[: int(0.925 * RATE_HZ)], audio.samples[: int(0.925 * RATE_HZ)])
    assert np.array_equal(whole[int(3.075 * RATE_HZ) :], audio.samples[int(3.075 * RATE_HZ) :])


def test_stretch_is_in_time_and_the_same_each_time() -> None:
    y = chords()
    audio = Audio(np.stack([y, 0.5 * y], axis=1).astype(np.float32), RATE_HZ)
    stem = StemAnalysis("harp", "backing")
    edits = [Edit("harp", 0.5, 3.5, -200.0, "r")]
    first = render_stem(audio, stem=stem, edits=edits).apply(audio)
    assert np.array_equal(first, render_stem(audio, stem=stem, edits=edits).apply(audio))
    hop = RATE_HZ // 1000
    old, new = (
        np.sqrt(np.convolve(s[:, 0] ** 2, np.ones(20 * hop), "same"))[::hop]
        for s in (audio.samples, first)
    )
    rise_old, rise_new = np.diff(old)[1900:2100], np.diff(new)[1900:2100]
    lag = np.argmax(np.correlate(rise_new, rise_old, "full")) - (len(rise_old) - 1)
    assert abs(lag) <= 5


def test_the_control_of_a_whole_span() -> None:
    audio = Audio(chords().astype(np.float32), RATE_HZ)
    made = render_control(
        audio, stem=StemAnalysis("harp", "backing"), edits=[Edit("harp", 1.0, 3.0, -200, "r")]
    )
    part = made.apply(audio)[int(1.2 * RATE_HZ) : int(1.9 * RATE_HZ), 0]
    assert cents_between(220.0, strongest_hz(part, 220.0)) == pytest.approx(0.0, abs=20.0)


def test_a_span_of_one_voice_moves_without_notes() -> None:
    audio, stem, _ = make_stem(LEVELS, BOUNDS)
    bare = StemAnalysis("bass", "bass", (), (), stem.track)
    made = render_stem(audio, stem=bare, edits=[Edit("bass", 0.7, 1.5, -200, "r")]).apply(audio)[
        :, 0
    ]
    time_s, hz = praat_hz(made)
    core = (time_s > 0.85) & (time_s < 1.35)
    assert np.median(cents_between(225.0, hz[core])) == pytest.approx(-200, abs=2)


def test_world_moves_a_note() -> None:
    pytest.importorskip("pyworld", reason="needs retune[world], compiled: tests/versions.py")
    audio, stem, _ = make_stem(LEVELS, BOUNDS, rate_hz=16000)
    made = render_stem(audio, stem=stem, edits=[move(stem, 2, -200)], engine="world").apply(audio)[
        :, 0
    ]
    time_s, hz = praat_hz(made, rate_hz=16000)
    core = (time_s > 0.75) & (time_s < 1.45)
    assert np.median(cents_between(225.0, hz[core])) == pytest.approx(-200, abs=5)


def test_a_missing_program_is_named_with_the_way_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "which", lambda *_: None)
    audio, stem, _ = make_stem(LEVELS, BOUNDS)
    with pytest.raises(EngineError, match="apt install rubberband-cli"):
        render_stem(audio, stem=stem, edits=[move(stem, 2, -200)], engine="rubberband")


@pytest.mark.skipif(
    shutil.which("rubberband") is None, reason="the rubberband program is not installed"
)
@pytest.mark.parametrize("gain", [1.9, 1e-4])
def test_rubberband_neither_clips_nor_loses_what_is_quiet(gain: float) -> None:
    audio, stem, _ = make_stem(LEVELS, BOUNDS)
    level = Audio(gain * audio.samples, RATE_HZ)
    made = render_stem(level, stem=stem, edits=[move(stem, 2, -200)], engine="rubberband").apply(
        level
    )[:, 0]
    part = slice(int(0.8 * RATE_HZ), int(1.4 * RATE_HZ))
    assert 20 * np.log10(np.std(made[part]) / np.std(level.samples[part])) == pytest.approx(
        0, abs=1.5
    )
    time_s, hz = praat_hz(made / gain)
    core = (time_s > 0.8) & (time_s < 1.4)
    assert np.median(cents_between(225.0, hz[core])) == pytest.approx(-200, abs=3)
    fine = np.unique(np.abs(made[part]))
    # pyrubberband hands 16 bits over: most of them are used, however quiet the sound.
    assert len(fine) > 5000


def test_only_what_is_needed_is_read() -> None:
    audio, stem, _ = make_stem(LEVELS, BOUNDS)
    minutes = np.zeros((RATE_HZ * 60, 1), np.float32)
    minutes[: audio.n_samples] = audio.samples

    class Watched(Audio):
        def read(self, start: int = 0, stop: int | None = None):  # type: ignore[no-untyped-def]
            spans.append((start, stop))
            return super().read(start, stop)

    spans: list[tuple[int, int | None]] = []
    render_stem(Watched(minutes, RATE_HZ), stem=stem, edits=[move(stem, 2, -200)])
    assert spans
    assert sum((stop or 0) - start for start, stop in spans) < 3 * RATE_HZ


@pytest.mark.parametrize("gap_s", [0.0, 0.05, 0.14, 0.3])
def test_spans_of_different_shifts_side_by_side(gap_s: float) -> None:
    audio = Audio(chords().astype(np.float32), RATE_HZ)
    stem = StemAnalysis("harp", "backing")
    edits = [Edit("harp", 1.0, 2.0, -200, "r"), Edit("harp", 2.0 + gap_s, 3.0, 300, "r")]
    made = render_stem(audio, stem=stem, edits=edits)
    whole = made.apply(audio)[:, 0]
    for begin, cents in ((1.2, -200), (2.35, 300)):
        part = whole[int(begin * RATE_HZ) : int((begin + 0.55) * RATE_HZ)]
        wanted = 277.18 * 2 ** (cents / 1200)
        assert cents_between(wanted, strongest_hz(part, wanted)) == pytest.approx(0.0, abs=15.0)
    starts = [patch.start for patch in made.patches]
    assert all(a.stop <= b.start for a, b in zip(made.patches[:-1], made.patches[1:], strict=True))
    assert starts == sorted(starts)
    middle = int((2.0 + gap_s / 2) * RATE_HZ)
    if gap_s >= 0.14:
        assert whole[middle] == audio.samples[middle, 0]
    quiet = np.sqrt(np.mean(whole[middle - 441 : middle + 441] ** 2))
    assert quiet > 0.3 * np.sqrt(np.mean(audio.samples[middle - 441 : middle + 441] ** 2))


def test_notes_moved_by_an_engine_that_knows_one_ratio() -> None:
    audio, stem, _ = make_stem(LEVELS, BOUNDS)
    edits = [move(stem, 1, 150), move(stem, 2, -200)]
    made = render_stem(audio, stem=stem, edits=edits, engine="stretch").apply(audio)[:, 0]
    time_s, hz = praat_hz(made)
    for level, cents, at in ((200.0, 150, 0.3), (225.0, -200, 1.1), (180.0, 0, 1.9)):
        near = np.abs(time_s - at) < 0.15
        assert np.median(cents_between(level, hz[near])) == pytest.approx(cents, abs=6)
