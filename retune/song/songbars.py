"""Meters and tempi as they stand in a song file, and whether they go together."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from retune.carriers.barlines import Bars
from retune.carriers.errors import InputError
from retune.carriers.songfacts import Music
from retune.song.guide import MIDI_SUFFIXES
from retune.song.limits import MAX_METER_CHANGES, MAX_TEMPO_CHANGES
from retune.song.songvalues import (
    TEMPO,
    Where,
    in_order_of_bars,
    is_file,
    is_list,
    is_meter,
    is_placed,
    shown,
)
from retune.song.tempomap import read_tempo_map, written_bars

_GIVES_ALL = ("meter", "meters", "tempo_bpm", "tempos", "downbeats_s")


def _is_meter_text(value: Any, where: Where) -> str:
    return "{}/{}".format(*is_meter(value, where))


def _is_meter_change(value: Any, where: Where) -> tuple[str, str]:
    at, meter = is_placed(_is_meter_text, what="meter", example="4/4")(value, where)
    bar, _, beat = at.partition(":")
    if float(beat) != 1 or int(bar) < 2:
        where.fail(
            f'{shown(at)} cannot change the meter; a meter begins with a bar from 2 on, as "17:1" '
            "(that of bar 1 is meter)"
        )
    return at, meter


is_meter_list = in_order_of_bars(
    is_list(_is_meter_change, of="changes of meter", at_most=MAX_METER_CHANGES),
    what="change of meter",
)


def _is_tempo_change(value: Any, where: Where) -> tuple[str, float]:
    at, bpm = is_placed(TEMPO, what="tempo", example="96")(value, where)
    place = tuple(map(float, at.split(":")))
    if place <= (1.0, 1.0):
        where.fail(f'{shown(at)} is no change; the tempo of "1:1" is tempo_bpm')
    return at, bpm


is_tempo_list = in_order_of_bars(
    is_list(_is_tempo_change, of="changes of tempo", at_most=MAX_TEMPO_CHANGES),
    what="change of tempo",
)


def is_tempo_map(value: Any, where: Where) -> Path:
    """The path of a MIDI file whose tempi and meters are those of the song."""
    path = is_file(value, where)
    if path.suffix.lower() not in MIDI_SUFFIXES:
        where.fail(f"{shown(value)} must be a MIDI file ({' or '.join(MIDI_SUFFIXES)})")
    try:
        read_tempo_map(path)
    except InputError as error:
        where.fail(str(error))
    return path


def check_meters(given: Mapping[str, Any], at: Callable[[str], Where]) -> Bars:
    """The meters of what is given of a song's music, without times.

    Raises SongFileError where facts of bars are given that exclude each other, lack what they
    change, or name a beat that no bar has; `at` is the place of each.
    """
    if given.get("tempo_map") is not None:
        for name in _GIVES_ALL:
            if given.get(name):
                at(name).fail("tempo_map says that too; keep one of the two")
    elif given.get("meters"):
        if "meter" not in given:
            at("meters").fail('needs the meter that it changes; set meter = "3/4"')
        if not given.get("downbeats_s") and given.get("tempo_bpm") is None:
            at("meters").fail(
                "needs tempo_bpm or downbeats_s: where the meter changes, bars are not found by ear"
            )
    if given.get("tempos"):
        if given.get("downbeats_s"):
            at("downbeats_s").fail("tempos is given too; keep one of the two")
        if given.get("tempo_bpm") is None:
            at("tempos").fail("needs the tempo that it changes; set tempo_bpm = 92")
    facts = {name: given[name] for name in ("meter", "meters", "tempo_map") if name in given}
    bars = written_bars(Music(**facts))
    _check_beats(given.get("tempos") or (), bars, at)
    return bars


def _check_beats(
    tempos: tuple[tuple[str, float], ...], bars: Bars, at: Callable[[str], Where]
) -> None:
    for index, (place, _) in enumerate(tempos):
        bar, _, beat = place.partition(":")
        if float(beat) >= bars.beats_in(int(bar)) + 1:
            at("tempos").at(index).fail(
                f"{shown(place)}: bar {bar} has {bars.beats_in(int(bar))} beats"
            )
