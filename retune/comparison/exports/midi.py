"""Standard MIDI File (format 1): a track for each stem and version, at the times as sung.

Tempo follows the bars, one tempo event a bar where it changes, so that barlines fall on the
sequencer's grid and every note still sounds when it was sung. What precedes bar 1 becomes a
lead-in of whole beats.
"""

from __future__ import annotations

import bisect
import io
import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from retune.carriers.changes import Plan
from retune.carriers.errors import UsageError
from retune.carriers.heard import Analysis, Bars, StemAnalysis
from retune.comparison.exports.material import (
    Material,
    VersionNote,
    need,
    provenance,
    version_notes,
)
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
    (tick, beats, written beats a bar) of every change of meter."""

    times_s: tuple[float, ...]
    ticks: tuple[int, ...]
    meters: tuple[tuple[int, int], ...]

    def tick(self, time_s: float) -> int:
        k = min(max(bisect.bisect_right(self.times_s, time_s) - 1, 0), len(self.ticks) - 2)
        span_s = self.times_s[k + 1] - self.times_s[k]
        per_s = (self.ticks[k + 1] - self.ticks[k]) / span_s
        return max(round(self.ticks[k] + (time_s - self.times_s[k]) * per_s), 0)


def tick_map(bars: Bars, duration_s: float) -> TickMap:
    """How seconds become ticks, and where which number of beats makes a bar."""
    per_beat = _beat_ticks(bars)
    beats = bars.beats_per_bar
    downbeats = bars.downbeats_s
    if len(downbeats) < 2:
        beat_s = 60.0 / (bars.tempo_bpm or 120.0)
        n_beats = max(math.ceil(duration_s / beat_s), 1)
        return TickMap((0.0, n_beats * beat_s), (0, n_beats * per_beat), ((0, beats),))
    lead_s, beat_s = downbeats[0], (downbeats[1] - downbeats[0]) / beats
    if lead_s < 1e-4:
        ticks = tuple(k * beats * per_beat for k in range(len(downbeats)))
        return TickMap((0.0, *downbeats[1:]), ticks, ((0, beats),))
    lead = max(round(lead_s / beat_s), 1)
    ticks = tuple((lead + k * beats) * per_beat for k in range(len(downbeats)))
    first = lead % beats
    meters = [(0, first), (first * per_beat, beats)] if first else [(0, beats)]
    return TickMap((0.0, *downbeats), (0, *ticks), tuple(meters))


def _beat_ticks(bars: Bars) -> int:
    quarters = 4 / bars.meter[1] * bars.meter[0] / bars.beats_per_bar
    return round(TICKS_PER_QUARTER * quarters)


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
    events += [(tick, 2, message) for tick, message in _meters(mido, analysis, places)]
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


def _meters(mido: Any, analysis: Analysis, places: TickMap) -> Iterable[tuple[int, Any]]:
    top, bottom = analysis.bars.meter
    per_beat = top // analysis.bars.beats_per_bar
    for tick, beats in places.meters:
        yield (
            tick,
            mido.MetaMessage(
                "time_signature",
                numerator=beats * per_beat,
                denominator=bottom,
                clocks_per_click=round(24 * 4 / bottom * per_beat),
            ),
        )


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
