"""The seam: names, bounds, tables of f0, other trackers behind the same door."""

from __future__ import annotations

import sys
import tracemalloc

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from signals import audio_of, errors_cents, tone

from retune.carriers.errors import InputError, UsageError
from retune.carriers.heard import PitchTrack
from retune.track import TRACKERS, Tracker, find_tracker, table, track_pitch
from retune.track.table import F0Table, read_table

RATE = 16000
SOUND = audio_of(tone(220.0, seconds=1.0, rate_hz=RATE), RATE)


class OnePitch:
    """The double: hears 440 Hz whatever it is given."""

    name = "one-pitch"

    def track(self, audio, *, fmin_hz, fmax_hz):
        n = 1 + round(100 * audio.n_samples / audio.rate_hz)
        return PitchTrack(np.arange(n) / 100, np.full(n, 440.0), np.ones(n), np.zeros(n), self.name)


def test_a_tracker_of_ones_own_takes_part(monkeypatch):
    monkeypatch.setitem(TRACKERS, "one-pitch", OnePitch)
    assert isinstance(OnePitch(), Tracker)
    track = track_pitch(SOUND, fmin_hz=65, fmax_hz=1000, tracker="one-pitch")
    assert track.tracker == "one-pitch"
    assert (track.f0_hz == 440.0).all()


def test_an_unknown_tracker_names_the_known_ones():
    with pytest.raises(UsageError, match=r'called "pyn".*pyin, librosa.*did you mean "pyin"'):
        track_pitch(SOUND, fmin_hz=65, fmax_hz=1000, tracker="pyn")


@pytest.mark.parametrize(("low", "high"), [(0, 500), (500, 500), (600, 500), (65, 9000)])
def test_bounds_that_make_no_sense_are_refused(low, high):
    with pytest.raises(UsageError, match="20 to 4000"):
        track_pitch(SOUND, fmin_hz=low, fmax_hz=high)


def test_a_missing_extra_is_named(monkeypatch):
    monkeypatch.setitem(sys.modules, "swift_f0", None)
    with pytest.raises(UsageError, match=r"retune\[neural\]"):
        find_tracker("swift-f0")


@pytest.mark.parametrize(
    "name", ["pyin", pytest.param("librosa", marks=pytest.mark.slow), "swift-f0"]
)
def test_every_tracker_keeps_to_the_seam(name):
    if name == "swift-f0":
        pytest.importorskip("swift_f0", reason="needs the extra retune[neural]")
    tracker = find_tracker(name)
    track = tracker.track(SOUND, fmin_hz=65.0, fmax_hz=1000.0)
    assert track.tracker == tracker.name == name
    assert np.abs(np.median(errors_cents(track, 220.0))) < 10
    assert track.time_s[0] == 0.0
    assert np.diff(track.time_s) == pytest.approx(track.hop_s)
    assert np.isfinite(track.voiced_prob).all()
    assert ((track.voiced_prob >= 0) & (track.voiced_prob <= 1)).all()
    assert np.isfinite(track.energy_db).all()
    level_db = 10 * np.log10(np.mean(SOUND.samples**2))
    assert np.median(track.energy_db) == pytest.approx(level_db, abs=0.5)


def test_the_neural_tracker_is_not_early_or_late():
    pytest.importorskip("swift_f0", reason="needs the extra retune[neural]")
    time_s = np.arange(40 * RATE) / RATE

    def triangle(t):
        return 1 - np.abs(t % 2 - 1)

    sound = audio_of(tone(200 * 2 ** triangle(time_s), seconds=40.0, rate_hz=RATE), RATE)
    track = find_tracker("swift-f0").track(sound, fmin_hz=65.0, fmax_hz=1000.0)
    cents = 1200 * np.log2(track.f0_hz / (200 * 2 ** triangle(track.time_s)))
    place = track.time_s % 2
    rising, falling = (place > 0.2) & (place < 0.8), (place > 1.2) & (place < 1.8)
    late_s = (np.nanmedian(cents[falling]) - np.nanmedian(cents[rising])) / 2 / 1200
    assert abs(late_s) < 0.0005


def written(tmp_path, text):
    path = tmp_path / "f0.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_table_is_read_with_and_without_a_header(tmp_path):
    rows = "".join(f"{i / 50},{0 if 20 <= i < 30 else 220 + i}\n" for i in range(51))
    for text in (rows, "time_s,f0_hz\n" + rows, "# made by hand\ntime,f0\n" + rows):
        path = written(tmp_path, text)
        track = track_pitch(SOUND, fmin_hz=65, fmax_hz=1000, tracker=f"csv:{path}")
        assert track.tracker == "csv:f0.csv"
        assert track.hop_s == pytest.approx(0.01)
        assert track.f0_hz[20] == pytest.approx(230.0)
        assert track.f0_hz[21] == pytest.approx(np.sqrt(230.0 * 231.0))
        assert np.isnan(track.f0_hz[45:55]).all()
        assert np.isfinite(track.f0_hz[:38]).all()
        assert track.voiced_prob[50] == 0


def test_a_gap_in_a_table_is_unvoiced(tmp_path):
    rows = [(i / 100, 220.0) for i in range(20)] + [(i / 100, 330.0) for i in range(60, 100)]
    path = written(tmp_path, "".join(f"{t},{f}\n" for t, f in rows))
    track = F0Table(path).track(SOUND, fmin_hz=65, fmax_hz=1000)
    voiced = np.isfinite(track.f0_hz)
    assert voiced[:20].all()
    assert not voiced[21:59].any()
    assert voiced[60:100].all()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "no rows"),
        ("time_s,f0_hz\n", "no rows"),
        ("0,220\n0.1,high\n", r"line 2: not two numbers"),
        ("time_s,f0_hz\n0,220\n0.1\n", r"line 3: not two numbers"),
        ("0,220\n0.1,220\n0.1,230\n", r"line 3: time 0.1 s does not come after 0.1 s"),
        ("-1,220\n", r"line 1: time -1 s"),
        ("0,-220\n", r"line 1: f0 -220 Hz"),
        ("0,inf\n", r"line 1: f0 inf Hz"),
    ],
)
def test_a_bad_table_is_refused_with_its_line(tmp_path, text, message):
    with pytest.raises(InputError, match=message):
        read_table(written(tmp_path, text))


def test_a_missing_table_is_refused(tmp_path):
    with pytest.raises(InputError, match="does not exist; check the name"):
        read_table(tmp_path / "none.csv")


@pytest.mark.parametrize("text", ["0,1\n1,1\n2,1\n3,1\n", "\n\n\n\n"])
def test_a_table_of_more_rows_than_any_song_has_is_refused(tmp_path, monkeypatch, text):
    monkeypatch.setattr(table, "MAX_F0_ROWS", 3)
    assert len(read_table(written(tmp_path, "0,1\n1,1\n2,1\n"))[0]) == 3
    with pytest.raises(InputError, match="more than 3 rows; leave some out"):
        read_table(written(tmp_path, text))


def test_a_row_of_a_table_needs_little_memory(tmp_path):
    n_rows = 20_000
    text = "".join(f"{k / 100:.2f},{220 + k % 7}.125\n" for k in range(n_rows))
    path = written(tmp_path, text)
    read_table(path)
    tracemalloc.start()
    times, _ = read_table(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(times) == n_rows
    assert peak < 2 * len(text) + 50 * n_rows + 1_000_000  # the text, its bytes, numbers twice


@pytest.mark.parametrize(
    "text",
    [
        pytest.param("0,220\n1,220" + ",1" * 60_000, id="row of many cells"),
        pytest.param('0,220\n1,"' + '\n",1,"' * 60_000, id="quotes over lines"),
    ],
)
def test_a_row_without_an_end_is_refused(tmp_path, text):
    with pytest.raises(InputError, match=r"line [0-9]+: too long for a row, or a quote before it"):
        read_table(written(tmp_path, text))


@given(st.text("ab \r\n\x0b\x0c\x1c\x85\u2028", max_size=40))
def test_lines_are_those_of_the_whole_text(text):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(table, "CUT_CHARS", 3)
        assert list(table.lines_of(text)) == text.splitlines()
