"""Changes of meter and tempo: by arithmetic, and in MIDI files that mido wrote."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from retune.analysis.bars import bar_and_beat, bars_from_downbeats, given_bars
from retune.carriers.barlines import Bars, MeterChange, meter_words, tempo_words
from retune.carriers.errors import InputError, SongFileError, UsageError
from retune.carriers.songfacts import Music
from retune.song.bartime import bar_time, beat_length_s, beats_at, seconds_at
from retune.song.songfile import parse_song, read_song
from retune.song.tempomap import read_tempo_map

CHANGING = Music(
    meter=(3, 4),
    meters=(("3:1", "4/4"), ("5:1", "6/8")),
    tempo_bpm=60.0,
    first_downbeat_s=1.0,
)


def bars_of(music: Music, duration_s: float = 30.0) -> Bars:
    bars = given_bars(music, duration_s=duration_s)
    assert bars is not None
    return bars


def test_a_bar_lasts_as_long_as_its_own_meter_says() -> None:
    bars = bars_of(CHANGING)
    # Two bars of three quarters, two of four, then six eighths: a quarter is a second throughout.
    assert bars.downbeats_s[:7] == (1.0, 4.0, 7.0, 11.0, 15.0, 18.0, 21.0)
    assert [bars.beats_in(bar) for bar in (0, 1, 2, 3, 4, 5, 9)] == [3, 3, 3, 4, 4, 2, 2]


@pytest.mark.parametrize(
    ("time_s", "place"),
    [
        (0.0, (0, 3.0)),
        (6.0, (2, 3.0)),
        (7.0, (3, 1.0)),
        (10.0, (3, 4.0)),
        (16.5, (5, 2.0)),  # a dotted quarter
        (17.25, (5, 2.5)),
        (18.0, (6, 1.0)),
    ],
)
def test_places_count_the_beats_of_their_own_bar(time_s: float, place: tuple[int, float]) -> None:
    bars = bars_of(CHANGING)
    assert bar_and_beat(time_s, bars) == place
    if place[0]:
        assert bar_time(bars, *place) == pytest.approx(time_s)


def test_a_beat_that_the_bar_has_not_is_refused_with_its_own_count() -> None:
    bars = bars_of(CHANGING)
    assert bar_time(bars, 3, 4.0) == 10.0
    with pytest.raises(UsageError, match=r"2:4 is not in the song: .* beats 1 to 3 in bar 2"):
        bar_time(bars, 2, 4.0)


def test_a_tempo_counts_the_beats_of_the_meter_it_stands_in() -> None:
    tempos = (("2:3", 120.0), ("5:1", 60.0))
    bars = bars_of(Music(**{**CHANGING.__dict__, "tempos": tempos}))
    # Bar 2: two beats of a second, one of half; bars 3 and 4: eight halves; then dotted quarters
    # of a second.
    assert bars.downbeats_s[:6] == pytest.approx((1.0, 4.0, 6.5, 8.5, 10.5, 12.5))
    assert bars.beats_s[3:6] == pytest.approx((4.0, 5.0, 6.0))
    assert beat_length_s(6.2, bars) == pytest.approx(0.5)
    assert [(t.bar, t.beat, t.tempo_bpm) for t in bars.tempi] == [
        (1, 1.0, 60.0),
        (2, 3.0, 120.0),
        (5, 1.0, 60.0),
    ]
    assert tempo_words(bars) == "60 beats a minute, from bar 2 120, from bar 5 60"
    assert meter_words(bars) == "3/4, from bar 3 4/4, from bar 5 6/8"


def test_downbeats_go_on_at_their_last_tempo_in_the_meter_of_each_bar() -> None:
    changes = [MeterChange(3, (4, 4)), MeterChange(5, (2, 4))]
    bars = bars_from_downbeats(
        [1.0, 4.0, 7.0, 11.0], meter=(3, 4), duration_s=18.0, changes=changes
    )
    assert bars.downbeats_s == (1.0, 4.0, 7.0, 11.0, 15.0, 17.0, 19.0)
    assert bars.tempo_bpm == 60.0


METERS = st.sampled_from([(3, 4), (4, 4), (2, 2), (5, 8), (6, 8), (12, 8), (7, 8)])


def test_downbeats_do_not_go_on_in_bars_that_nobody_hears() -> None:
    changes = (MeterChange(2, (1, 16)),)
    with pytest.raises(SongFileError, match="bar 2, after the last of downbeats_s, would"):
        bars_from_downbeats((0.0, 0.1), meter=(16, 2), duration_s=9.0, changes=changes)


@st.composite
def bars_drawn(draw: st.DrawFn) -> Bars:
    count = draw(st.integers(1, 12))
    firsts = sorted(draw(st.sets(st.integers(2, count + 1), max_size=4)))
    changes = tuple(MeterChange(bar, draw(METERS)) for bar in firsts)
    steps = draw(st.lists(st.floats(0.2, 4.0), min_size=count, max_size=count))
    downs = [draw(st.floats(0.0, 3.0))]
    for step in steps:
        downs.append(downs[-1] + step)
    return Bars(tuple(downs), draw(METERS), 90.0, changes=changes)


@given(bars_drawn(), st.floats(-9, 80))
def test_beats_seconds_and_bars_are_one_ruler(bars: Bars, beat: float) -> None:
    assert float(beats_at(seconds_at(beat, bars), bars)) == pytest.approx(beat, abs=1e-6)
    bar = bars.bar_of(beat)
    assert bars.first_beat(bar) <= beat < bars.first_beat(bar + 1)
    assert bars.first_beat(bar + 1) - bars.first_beat(bar) == bars.beats_in(bar)


# --- MIDI files ------------------------------------------------------------------------------


def midi(*events: tuple[int, str, Any], ticks: int = 480) -> bytes:
    """The bytes of a MIDI file that mido writes: (tick, kind, value), in order of time."""
    file, track, at = mido.MidiFile(ticks_per_beat=ticks), mido.MidiTrack(), 0
    for tick, kind, value in events:
        if kind == "meter":
            top, bottom = value
            message = mido.MetaMessage("time_signature", numerator=top, denominator=bottom)
        else:
            message = mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(value))
        track.append(message.copy(time=tick - at))
        at = tick
    file.tracks.append(track)
    stream = io.BytesIO()
    file.save(file=stream)
    return stream.getvalue()


def map_of(tmp_path: Path, data: bytes, **options: Any) -> Bars:
    (tmp_path / "band.mid").write_bytes(data)
    return read_tempo_map(tmp_path / "band.mid").bars(**{"duration_s": 20.0, **options})


def test_meters_and_tempi_of_a_midi_file_are_those_of_the_song(tmp_path: Path) -> None:
    bar_3, bar_5 = 2 * 3 * 480, 2 * 3 * 480 + 2 * 4 * 480
    bars = map_of(
        tmp_path,
        midi(
            (0, "meter", (3, 4)),
            (0, "tempo", 60),
            (bar_3, "meter", (4, 4)),
            (bar_3 + 480, "tempo", 120),  # on the second beat of bar 3
            (bar_5, "meter", (6, 8)),
        ),
    )
    assert [(c.bar, c.meter) for c in bars.meters] == [(1, (3, 4)), (3, (4, 4)), (5, (6, 8))]
    assert bars.downbeats_s[:6] == pytest.approx((0.0, 3.0, 6.0, 8.5, 10.5, 12.0))
    assert bar_time(bars, 3, 2.0) == pytest.approx(7.0)
    assert bar_time(bars, 3, 3.0) == pytest.approx(7.5)
    assert bars.tempi[-1].tempo_bpm == 80.0  # dotted quarters


def test_every_beat_sounds_when_mido_says_it_does(tmp_path: Path) -> None:
    tempi = [(0, 100), (700, 88), (1500, 131.5), (2400, 60), (5000, 97)]
    events = [(0, "meter", (4, 4)), *((tick, "tempo", bpm) for tick, bpm in tempi)]
    bars = map_of(tmp_path, midi(*events))
    for beat, time_s in enumerate(bars.beats_s):
        reached = [(tick, bpm) for tick, bpm in tempi if tick <= beat * 480]
        ends = [tick for tick, _ in reached[1:]] + [beat * 480]
        want = sum(
            mido.tick2second(end - tick, 480, mido.bpm2tempo(bpm))
            for (tick, bpm), end in zip(reached, ends, strict=True)
        )
        assert time_s == pytest.approx(want, abs=1e-9)


def test_a_short_first_bar_is_the_pickup(tmp_path: Path) -> None:
    data = midi((0, "meter", (1, 4)), (0, "tempo", 60), (480, "meter", (3, 4)))
    bars = map_of(tmp_path, data)
    assert (bars.meter, bars.changes, bars.downbeats_s[:2]) == ((3, 4), (), (1.0, 4.0))
    moved = map_of(tmp_path, data, first_downbeat_s=2.5)
    assert moved.downbeats_s[:2] == (2.5, 5.5)


def test_a_bar_that_a_change_cuts_short_has_a_meter_of_its_own(tmp_path: Path) -> None:
    bars = map_of(tmp_path, midi((0, "meter", (4, 4)), (3 * 960, "meter", (3, 4))))
    assert [(c.bar, c.meter) for c in bars.meters] == [(1, (4, 4)), (2, (2, 4)), (3, (3, 4))]
    assert bars.tempo_bpm == 120.0  # where a file says none (Standard MIDI Files 1.0)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"RIFF", "band.mid: it is no MIDI file"),
        (midi(), "says neither tempo nor meter; export it with its tempo track"),
        (midi((0, "meter", (3, 32))), "bar 1 has the meter 3/32; a meter here is 1 to 16 over"),
        (
            midi((0, "meter", (4, 4)), (1000, "meter", (3, 4))),
            "changes inside bar 1, off every 1/4 note",
        ),
        (midi((0, "tempo", 60))[:-6], "ends in the middle"),
        (midi((0, "tempo", 60), ticks=0x9828 - 0x10000), "frames of film"),
        (midi((0, "tempo", 6_000)), "bar 1 lasts 0.04 s, less than 0.05 s"),
    ],
)
def test_a_midi_file_that_gives_no_bars_says_why(tmp_path: Path, data: bytes, said: str) -> None:
    with pytest.raises(InputError, match=said):
        map_of(tmp_path, data)


# --- song files ------------------------------------------------------------------------------

HEAD = 'format = 1\n[stems.vocal]\nfile = "vocal.wav"\nrole = "melody"\n[music]\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "vocal.wav").touch()
    (tmp_path / "band.mid").write_bytes(midi((0, "meter", (3, 4)), (0, "tempo", 60)))
    (tmp_path / "empty.mid").write_bytes(midi())
    return tmp_path


@pytest.mark.parametrize(
    ("music", "said"),
    [
        ('meters = [["17:1", "4/4"]]', r"music.meters: needs the meter that it changes; set meter"),
        ('meter = "3/4"\nmeters = [["17:1", "4/4"]]', "needs tempo_bpm or downbeats_s"),
        (
            'meter = "3/4"\ntempo_bpm = 92\nmeters = [["17:2", "4/4"]]',
            'line 8: music.meters entry 1: "17:2" cannot change the meter',
        ),
        ('meter = "3/4"\ntempo_bpm = 92\nmeters = [["1:1", "4/4"]]', "that of bar 1 is meter"),
        ('meter = "3/4"\ntempo_bpm = 92\nmeters = [["9:1", "4/5"]]', '"4/5" is not a meter'),
        ('meter = "3/4"\ntempo_bpm = 92\nmeters = ["9: 4/4"]', r'as \["17:1", "4/4"\]'),
        (
            'meter = "3/4"\ntempo_bpm = 92\nmeters = [["9:1", "4/4"], ["9:1", "3/4"]]',
            "at or before the change of meter above it",
        ),
        ('tempos = [["9:1", 90]]', "needs the tempo that it changes; set tempo_bpm"),
        ('tempo_bpm = 92\ntempos = [["9:1", "slow"]]', "must be a number from 20 to 400"),
        ('tempo_bpm = 92\ntempos = [["1:1", 90]]', 'the tempo of "1:1" is tempo_bpm'),
        (
            'meter = "3/4"\ntempo_bpm = 92\ntempos = [["9:4", 90]]',
            'tempos entry 1: "9:4": bar 9 has 3 beats',
        ),
        ('tempo_bpm = 92\ndownbeats_s = [1, 2]\ntempos = [["9:1", 90]]', "tempos is given too"),
        ('tempo_map = "band.mid"\nmeter = "3/4"', "music.meter: tempo_map says that too"),
        ('tempo_map = "band.mid"\ntempo_bpm = 92', "music.tempo_bpm: tempo_map says that too"),
        ('tempo_map = "empty.mid"', "music.tempo_map: empty.mid: it says neither tempo nor meter"),
        ('tempo_map = "vocal.wav"', "must be a MIDI file"),
        ('tempo_map = "none.mid"', "does not exist"),
        (
            'meter = "3/4"\ntempo_bpm = 92\nmeters = [["2:1", "4/4"]]\nchords = "C . G | C . G"',
            "bar 2 .* 3 entries do not divide 4 beats",
        ),
        ('tempo_map = "band.mid"\nchords = "C . . G"', "bar 1 .* 4 entries for 3 beats"),
    ],
)
def test_what_does_not_go_together_names_field_and_fix(folder: Path, music: str, said: str) -> None:
    with pytest.raises(SongFileError, match=said):
        parse_song(HEAD + music, path=folder / "song.toml")


def test_a_chart_fills_the_bars_of_each_meter(folder: Path) -> None:
    music = 'meter = "3/4"\ntempo_bpm = 60\nmeters = [["2:1", "4/4"]]\nchords = "C . G | C . . G"'
    parse_song(HEAD + music, path=folder / "song.toml")


def test_the_map_is_an_input_of_the_song(folder: Path) -> None:
    (folder / "song.toml").write_text(HEAD + 'tempo_map = "band.mid"')
    song = read_song(folder / "song.toml")
    assert folder / "band.mid" in song.inputs
    assert song.music.has_bars
