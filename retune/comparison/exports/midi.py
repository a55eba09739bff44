"""Standard MIDI File (format 1): a track for each stem and version, at the times as sung.

Tempo follows the bars, one tempo event a bar where it changes (a beat, where the song tells its
beats), so that barlines fall on the sequencer's grid and every note still sounds when it was
sung. What precedes bar 1 becomes a lead-in of whole beats.
"""

from __future__ import annotations

import bisect
import io
import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import accumulate
from typing import Any

import numpy as np

from retune.carriers.barlines import Meter, written_beats
from retune.carriers.changes import Plan
from retune.carriers.errors import UsageError
from retune.carriers.heard import Bars, StemAnalysis
from retune.comparison.exports.material import (
    Material,
    VersionNote,
    need,
    provenance,
    version_notes,
)
from retune.song.bartime import beat_length_s
from retune.theory.chordnames import chord_name
from retune.theory.signature import key_fifths

TICKS_PER_QUARTER = 960
_CHANNELS = (*range(9), *range(10, 16))  # the tenth is for drums (General MIDI, from memory)
_BEND_CENTS = 200.0
_VELOCITY = 80
_KEY_NAMES = ("Cb", "Gb", "Db", "Ab", "Eb", "Bb", "F", "C", "G", "D", "A", "E", "B", "F#", "C#")


@dataclass(frozen=True)
class TickMap:
    """Seconds to ticks: straight lines between `times_s` and `ticks`; `meters` holds
    (tick, meter) of every change of meter, that of the lead-in first."""

    times_s: tuple[float, ...]
    ticks: tuple[int, ...]
    meters: tuple[tuple[int, Meter], ...]

    def tick(self, time_s: float) -> int:
        k = min(max(bisect.bisect_right(self.times_s, time_s) - 1, 0), len(self.ticks) - 2)
        span_s = self.times_s[k + 1] - self.times_s[k]
        per_s = (self.ticks[k + 1] - self.ticks[k]) / span_s
        return max(round(self.ticks[k] + (time_s - self.times_s[k]) * per_s), 0)


def tick_map(bars: Bars, duration_s: float) -> TickMap:
    """How seconds become ticks, and where which meter begins."""
    per_beat = _beat_ticks(bars.meter)
    if len(bars.downbeats_s) < 2:
        beat_s = 60.0 / (bars.tempo_bpm or 120.0)
        n_beats = max(math.ceil(duration_s / beat_s), 1)
        return TickMap((0.0, n_beats * beat_s), (0, n_beats * per_beat), ((0, bars.meter),))
    numbers = range(1, len(bars.downbeats_s))
    lengths = (bars.beats_in(bar) * _beat_ticks(bars.meter_of(bar)) for bar in numbers)
    starts, times, beats = [0, *accumulate(lengths)], *bars.ruler

    def tick(beat: float) -> int:
        bar = bars.bar_of(beat)
        inside = beat - bars.first_beat(bar)
        return starts[bar - 1] + round(inside * _beat_ticks(bars.meter_of(bar)))

    lead_s, per_bar = times[0], bars.beats_in(1)
    lead = max(round(lead_s / beat_length_s(lead_s, bars)), 1) if lead_s >= 1e-4 else 0
    ticks = [lead * per_beat + tick(beat) for beat in beats]
    meters = [(0, bars.meter)]
    if lead % per_bar:
        short = (lead % per_bar * bars.meter[0] // per_bar, bars.meter[1])
        meters = [(0, short), (lead % per_bar * per_beat, bars.meter)]
    meters += [(lead * per_beat + starts[c.bar - 1], c.meter) for c in bars.changes]
    if lead:
        return TickMap((0.0, *times), (0, *ticks), tuple(meters))
    return TickMap((0.0, *times[1:]), tuple(ticks), tuple(meters))


def _beat_ticks(meter: Meter) -> int:
    return round(TICKS_PER_QUARTER * 4 / meter[1] * meter[0] / written_beats(meter))


def midi_bytes(material: Material, *, bend: bool = False) -> bytes:
    """The file's bytes: tempo and meter, then every stem as sung and as each variant has it.

    `bend` adds pitch bend (range two semitones) for the song's tuning and each note's cents;
    then every track has a channel of its own, so at most 15 tracks fit.

    Raises
    ------
    UsageError
        mido is not installed, or there are more tracks than channels with `bend`.
    """
    mido = need("mido", extra="exports")
    places = tick_map(material.analysis.bars, material.analysis.duration_s)
    voices = list(_voices(material))
    if bend and len(voices) > len(_CHANNELS):
        raise UsageError(
            f"{len(voices)} tracks with pitch bend need as many channels and MIDI has "
            f"{len(_CHANNELS)}: choose fewer variants, or leave the bend out"
        )
    midi = mido.MidiFile(type=1, ticks_per_beat=TICKS_PER_QUARTER, charset="utf-8")
    midi.tracks.append(_conductor(mido, material, places))
    for number, (name, stem, plan) in enumerate(voices):
        channel = _CHANNELS[number % len(_CHANNELS)]
        tuning_hz = material.analysis.tuning_hz if bend else None
        midi.tracks.append(
            _track(
                mido, name, version_notes(stem, plan, material.analysis), places, channel, tuning_hz
            )
        )
    stream = io.BytesIO()
    midi.save(file=stream)
    return stream.getvalue()


def _voices(material: Material) -> Iterable[tuple[str, StemAnalysis, Plan | None]]:
    """Every stem with notes as sung, and by each variant that moves some of it."""
    for stem in material.analysis.stems.values():
        if not stem.notes:
            continue
        for version, plan in material.versions:
            if plan is None or plan.of_stem(stem.name):
                yield f"{stem.name} ({version})", stem, plan


Event = tuple[int, int, Any]
"""Tick, rank among events of one tick, message."""


def _in_order(mido: Any, events: Iterable[Event]) -> Any:
    """A track of events with the distances that the format wants."""
    track, at = mido.MidiTrack(), 0
    for tick, _, message in sorted(events, key=lambda event: event[:2]):
        track.append(message.copy(time=tick - at))
        at = tick
    track.append(mido.MetaMessage("end_of_track"))
    return track


def _conductor(mido: Any, material: Material, places: TickMap) -> Any:
    analysis, meta = material.analysis, mido.MetaMessage
    events: list[Event] = [
        (0, 0, meta("track_name", name=material.title)),
        (0, 1, meta("text", text=provenance(material, None, *material.plans))),
    ]
    if material.rights:
        events.append((0, 1, meta("copyright", text=material.rights)))
    events += [(tick, 2, message) for tick, message in _meters(mido, places)]
    events += [(tick, 3, message) for tick, message in _tempi(mido, places)]
    for span in analysis.keys:
        name = _KEY_NAMES[key_fifths(span.key) + 7]
        events.append((places.tick(span.start_s), 4, meta("key_signature", key=name)))
    melody = analysis.melody
    for phrase in melody.phrases if melody else ():
        words = f"phrase {phrase.index}"
        events.append((places.tick(phrase.start_s), 5, meta("marker", text=words)))
    for chord in analysis.chords:
        words = chord_name(chord)
        events.append((places.tick(chord.start_s), 6, meta("text", text=words)))
    return _in_order(mido, events)


def _meters(mido: Any, places: TickMap) -> Iterable[tuple[int, Any]]:
    for tick, meter in places.meters:
        top, bottom = meter
        clocks = round(24 * _beat_ticks(meter) / TICKS_PER_QUARTER)
        sign = mido.MetaMessage(
            "time_signature", numerator=top, denominator=bottom, clocks_per_click=clocks
        )
        yield tick, sign


def _tempi(mido: Any, places: TickMap) -> Iterable[tuple[int, Any]]:
    spans_s, spans = np.diff(places.times_s), np.diff(places.ticks)
    told = None
    for tick, seconds, ticks in zip(places.ticks, spans_s, spans, strict=False):
        # Three bytes hold the tempo: at most 16.8 s a quarter (Standard MIDI Files 1.0).
        tempo = min(max(round(1e6 * seconds * TICKS_PER_QUARTER / ticks), 1), 0xFFFFFF)
        if tempo != told:
            yield tick, mido.MetaMessage("set_tempo", tempo=tempo)
        told = tempo


def _track(
    mido: Any,
    name: str,
    notes: tuple[VersionNote, ...],
    places: TickMap,
    channel: int,
    tuning_hz: float | None,
) -> Any:
    events: list[Event] = [(0, 0, mido.MetaMessage("track_name", name=name))]
    if tuning_hz is not None:
        # Registered parameter 0: the range of the bend in semitones (MIDI 1.0, from memory).
        for control, value in ((101, 0), (100, 0), (6, 2), (38, 0)):
            message = mido.Message("control_change", control=control, value=value)
            events.append((0, 1, message.copy(channel=channel)))
    for played in notes:
        start = places.tick(played.note.start_s)
        end = max(places.tick(played.note.end_s), start + 1)
        said = {"note": min(max(played.midi, 0), 127), "channel": channel}
        if tuning_hz is not None:
            cents = 100 * (played.pitch_midi - played.midi) + 1200 * math.log2(tuning_hz / 440)
            value = min(max(round(8192 * cents / _BEND_CENTS), -8192), 8191)
            message = mido.Message("pitchwheel", pitch=value, channel=channel)
            events.append((start, 3, message))
        events.append((start, 4, mido.Message("note_on", velocity=_VELOCITY, **said)))
        events.append((end, 2, mido.Message("note_off", velocity=0, **said)))
    return _in_order(mido, events)
