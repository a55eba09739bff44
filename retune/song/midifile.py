"""The notes, tempi and meters of a Standard MIDI File, read with nothing but its bytes.

Format after the Standard MIDI Files 1.0 specification (MIDI Association, RP-001; from memory):
chunks, delta times as variable-length quantities, running status, tempo as meta event 0x51,
meter as 0x58 (its note value a power of two).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass

from retune.carriers.errors import InputError
from retune.song.limits import MAX_MIDI_EVENTS, check_count

DEFAULT_TEMPO_US = 500_000  # a quarter note, until a tempo is set
PERCUSSION = 9  # channel 10 of the General MIDI percussion map, counted from 0
_LENGTHS = {0x8: 2, 0x9: 2, 0xA: 2, 0xB: 2, 0xC: 1, 0xD: 1, 0xE: 2}


@dataclass(frozen=True)
class MidiNote:
    """A note of a MIDI file: seconds from its start, MIDI number, track counted from 1."""

    start_s: float
    end_s: float
    midi: int
    track: int


@dataclass(frozen=True)
class MidiTempos:
    """What a MIDI file says of time: `per_quarter` ticks to a quarter note; (tick, microseconds a
    quarter) and (tick, meter) in order of time, of two at one tick the last said."""

    per_quarter: int
    tempos: tuple[tuple[int, int], ...]
    meters: tuple[tuple[int, tuple[int, int]], ...]


@dataclass(frozen=True)
class _Event:
    tick: int
    kind: str  # "on", "off", "tempo" or "meter"
    value: int
    channel: int = 0


def read_midi(data: bytes) -> tuple[MidiNote, ...]:
    """The notes of a MIDI file in order of time, percussion left out.

    Raises
    ------
    InputError
        The bytes are no MIDI file, or end too early.
    """
    division, tracks = _read(data)
    seconds = _Clock(division, _of_kind(tracks, "tempo"))
    notes = [note for k, events in enumerate(tracks, 1) for note in _notes(events, seconds, k)]
    return tuple(sorted(notes, key=lambda note: (note.start_s, note.midi)))


def read_tempos(data: bytes) -> MidiTempos:
    """The tempi and meters of a MIDI file.

    Raises
    ------
    InputError
        The bytes are no MIDI file, end too early, or count frames of film instead of notes.
    """
    division, tracks = _read(data)
    if division & 0x8000:
        raise InputError(
            "it counts frames of film and has no beats; export it with ticks a quarter note"
        )
    tempos = {event.tick: event.value for event in _of_kind(tracks, "tempo") if event.value}
    meters = {
        event.tick: (event.value >> 8, 1 << min(event.value & 0xFF, 16))
        for event in _of_kind(tracks, "meter")
    }
    return MidiTempos(max(division, 1), tuple(tempos.items()), tuple(meters.items()))


def _of_kind(tracks: list[list[_Event]], kind: str) -> list[_Event]:
    found = (event for events in tracks for event in events if event.kind == kind)
    return sorted(found, key=lambda event: event.tick)


def _read(data: bytes) -> tuple[int, list[list[_Event]]]:
    """How the file counts time, and the events of its tracks."""
    if data[:4] != b"MThd" or len(data) < 14:
        raise InputError("it is no MIDI file (it does not begin with MThd)")
    division = int.from_bytes(data[12:14], "big")
    try:
        found = (list(_events(chunk)) for chunk in _chunks(data))
        tracks = list(_counted(found))
    except IndexError:
        raise InputError("the MIDI file ends in the middle of an event; export it again") from None
    return division, tracks


def _counted(tracks: Iterator[list[_Event]]) -> Iterator[list[_Event]]:
    """The tracks, until they hold too many events."""
    count = 0
    for events in tracks:
        count += len(events)
        check_count(count, MAX_MIDI_EVENTS, "events", where="the MIDI file")
        yield events


def _chunks(data: bytes) -> Iterator[bytes]:
    at = 8 + int.from_bytes(data[4:8], "big")
    while at + 8 <= len(data):
        size = int.from_bytes(data[at + 4 : at + 8], "big")
        if data[at : at + 4] == b"MTrk":
            if at + 8 + size > len(data):
                raise IndexError
            yield data[at + 8 : at + 8 + size]
        at += 8 + size


def _quantity(data: bytes, at: int) -> tuple[int, int]:
    """A variable-length quantity and the place after it."""
    value = 0
    for _ in range(4):
        byte = data[at]
        value, at = (value << 7) | (byte & 0x7F), at + 1
        if byte < 0x80:
            return value, at
    raise InputError("the MIDI file holds a time that does not end; export it again")


def _events(data: bytes) -> Iterator[_Event]:
    at, tick, status = 0, 0, 0
    while at < len(data):
        delta, at = _quantity(data, at)
        tick += delta
        if data[at] >= 0x80:
            status, at = data[at], at + 1
        if status in (0xFF, 0xF0, 0xF7):
            kind = data[at] if status == 0xFF else -1
            size, at = _quantity(data, at + (status == 0xFF))
            if kind == 0x51 and size == 3:
                yield _Event(tick, "tempo", int.from_bytes(data[at : at + 3], "big"))
            if kind == 0x58 and size >= 2:
                yield _Event(tick, "meter", int.from_bytes(data[at : at + 2], "big"))
            at += size
            continue
        size = _LENGTHS.get(status >> 4, 0)
        first, second = data[at], data[at + size - 1]
        if not size or first > 0x7F or second > 0x7F:
            raise InputError("the MIDI file holds bytes that are no events; export it again")
        if status >> 4 in (0x8, 0x9):
            on = status >> 4 == 0x9 and second > 0
            yield _Event(tick, "on" if on else "off", first, status & 0xF)
        at += size


class _Clock:
    """Seconds of a tick under the tempo changes of the file."""

    def __init__(self, division: int, tempos: list[_Event]) -> None:
        self.smpte_s = 0.0
        if division & 0x8000:
            frames = 256 - (division >> 8)
            self.smpte_s = 1 / (max(frames, 1) * max(division & 0xFF, 1))
        self.division = max(division, 1)
        self.ticks = [0]
        self.changes = [(0, 0.0, DEFAULT_TEMPO_US)]
        for event in tempos:
            self.changes.append((event.tick, self(event.tick), event.value))
            self.ticks.append(event.tick)

    def __call__(self, tick: int) -> float:
        if self.smpte_s:
            return tick * self.smpte_s
        since, at_s, tempo = self.changes[bisect_right(self.ticks, tick) - 1]
        return at_s + (tick - since) * tempo / 1e6 / self.division


def _notes(events: list[_Event], seconds: _Clock, track: int) -> Iterator[MidiNote]:
    open_at: dict[tuple[int, int], int] = {}
    last = max((event.tick for event in events), default=0)
    for event in [*events, *(_Event(last, "end", 0),)]:
        key = (event.channel, event.value)
        ending = [key] if event.kind in ("on", "off") else list(open_at)
        for which in ending if event.kind in ("on", "off", "end") else []:
            since = open_at.pop(which, None)
            if since is not None and event.tick > since and which[0] != PERCUSSION:
                yield MidiNote(seconds(since), seconds(event.tick), which[1], track)
        if event.kind == "on":
            open_at[key] = event.tick
