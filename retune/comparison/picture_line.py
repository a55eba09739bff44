"""The sung line: from the pitch track and the edits of a stem to what is drawn of each note."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from retune.carriers.changes import Edit
from retune.carriers.heard import FloatArray, Note, PitchTrack, StemAnalysis
from retune.carriers.units import hz_to_midi

_NEAR = 0.35  # semitones from the note's pitch where its steady part begins and ends
_SAME = 0.6  # semitones; closer names are one pitch
_CYCLE_S = 0.19  # a vibrato cycle of 5 to 6 Hz; common practice, no source
_JOINED_S = 0.06  # notes closer than this are sung in one breath
_REACH_S = 0.15  # how far before a note its scoop is looked for


@dataclass(frozen=True, eq=False)
class SungNote:
    """One note as drawn. Curves are arrays (n, 2) of seconds and MIDI numbers, NaN at holes.

    `lead` is the way into the note (glide or scoop), `body` its steady part, `tail` the way out
    where no other note follows at once. A moved note has the same three again as `new_*`.
    """

    note: Note
    pitch: float
    lead: FloatArray
    body: FloatArray
    tail: FloatArray
    shift: float | None = None
    new_lead: FloatArray | None = None
    new_body: FloatArray | None = None
    new_tail: FloatArray | None = None
    edit: Edit | None = None

    @property
    def new_pitch(self) -> float:
        return self.pitch + (self.shift or 0.0)

    @property
    def is_moved(self) -> bool:
        return self.shift is not None

    @property
    def new_span(self) -> tuple[float, float]:
        """From when to when it sounds in the variant."""
        if self.edit is None or not self.edit.moves_in_time:
            return self.note.start_s, self.note.end_s
        return self.edit.span_after


def edit_of_note(note: Note, edits: Iterable[Edit]) -> Edit | None:
    """The edit that moves a note: its own, or one of a span that it starts in."""
    for edit in edits:
        if edit.note == note.index:
            return edit
        if edit.note is None and edit.start_s - 1e-6 <= note.start_s < edit.end_s:
            return edit
    return None


def sung_notes(
    stem: StemAnalysis, edits: Sequence[Edit], *, tuning_hz: float, mean_vibrato: bool
) -> list[SungNote]:
    """What is drawn of each note of `stem`; notes without a pitch track are straight lines.

    `mean_vibrato` draws the mean of the vibrato (a running mean over one cycle) in place of its
    cycles.
    """
    drawn: list[SungNote] = []
    previous: SungNote | None = None
    starts_s = [*(note.start_s for note in stem.notes), np.inf]
    for note, next_s in zip(stem.notes, starts_s[1:], strict=True):
        edit = edit_of_note(note, edits)
        current = _drawn(note, previous, stem.track, tuning_hz, mean_vibrato)
        if next_s - note.end_s < _JOINED_S:
            current = replace(current, tail=current.tail[:0])
        current = _moved(current, previous, edit)
        drawn.append(current)
        previous = current
    return drawn


def _drawn(
    note: Note, previous: SungNote | None, track: PitchTrack | None, tuning_hz: float, mean: bool
) -> SungNote:
    pitch = float(note.midi_name)
    straight = np.array([[note.start_s, note.pitch_midi], [note.end_s, note.pitch_midi]])
    nothing = np.zeros((0, 2))
    if track is None:
        return SungNote(note, pitch, nothing, straight, nothing)
    joined = previous is not None and note.start_s - previous.note.end_s < _JOINED_S
    earliest = note.start_s - _REACH_S
    if previous is not None:
        earliest = float(previous.body[-1, 0]) if joined else max(earliest, previous.note.end_s)
    curve = _curve(track, earliest, note.end_s + 0.03, tuning_hz)
    inside = (curve[:, 0] >= note.start_s) & (curve[:, 0] <= note.end_s)
    if np.count_nonzero(inside & np.isfinite(curve[:, 1])) < 3:
        return SungNote(note, pitch, nothing, straight, nothing)
    smooth = _running_mean(curve[:, 1], round(_CYCLE_S / max(track.hop_s, 1e-4)))
    is_near = inside & (np.abs(smooth - note.pitch_midi) < _NEAR)
    near = np.flatnonzero(is_near & (np.abs(curve[:, 1] - note.pitch_midi) < _SAME))
    first, last = (near[0], near[-1]) if len(near) > 1 else np.flatnonzero(inside)[[0, -1]]
    body = curve[first : last + 1]
    if mean:
        width = round(_CYCLE_S / max(track.hop_s, 1e-4))
        values = _running_mean(_running_mean(body[:, 1], width), width)
        body = np.column_stack([body[:, 0], values])
    lead, tail = curve[: first + 1].copy(), np.concatenate([body[-1:], curve[last + 1 :]])
    if joined and previous is not None and len(lead) > 1:
        lead = _departing(lead, previous, mean=mean)
    return SungNote(note, pitch, _last_run(lead), body, _first_run(tail))


def _departing(lead: FloatArray, previous: SungNote, *, mean: bool) -> FloatArray:
    """A glide that starts where the note before was drawn to end, without what its vibrato still
    does there when only the mean is drawn."""
    on_previous = np.flatnonzero(np.abs(lead[:, 1] - previous.note.pitch_midi) < _SAME)
    start = int(on_previous[-1]) + 1 if mean and len(on_previous) else 1
    return np.concatenate([previous.body[-1:], lead[min(start, len(lead) - 1) :]])


def _curve(track: PitchTrack, start_s: float, end_s: float, tuning_hz: float) -> FloatArray:
    span = slice(*np.searchsorted(track.time_s, [start_s, end_s]))
    midi = hz_to_midi(track.f0_hz[span], tuning_hz=tuning_hz)
    return np.column_stack([track.time_s[span], midi])


def _running_mean(values: FloatArray, width: int) -> FloatArray:
    """Centred mean over up to `width` values, one-sided at the ends; holes (NaN) stay holes and
    count nowhere."""
    known = np.isfinite(values)
    sums = np.concatenate([[0.0], np.cumsum(np.where(known, values, 0.0))])
    counts = np.concatenate([[0], np.cumsum(known)])
    at = np.arange(len(values))
    after = np.minimum(at + width // 2 + 1, len(values))
    before = np.maximum(at - width // 2, 0)
    n = counts[after] - counts[before]
    mean: FloatArray = (sums[after] - sums[before]) / np.maximum(n, 1)
    smooth: FloatArray = np.where(known, mean, np.nan).astype(np.float64)
    return smooth


def _last_run(curve: FloatArray) -> FloatArray:
    """The unbroken part that touches the end."""
    holes = np.flatnonzero(~np.isfinite(curve[:, 1]))
    return curve[holes[-1] + 1 :] if len(holes) else curve


def _first_run(curve: FloatArray) -> FloatArray:
    holes = np.flatnonzero(~np.isfinite(curve[:, 1]))
    return curve[: holes[0]] if len(holes) else curve


def _moved(current: SungNote, previous: SungNote | None, edit: Edit | None) -> SungNote:
    """`current` with its new curves, when it moves or is reached from a note that moves."""
    joined = previous is not None and current.note.start_s - previous.note.end_s < _JOINED_S
    before_moves = joined and previous is not None and previous.is_moved
    shift = edit.shift_cents / 100 if edit is not None else None
    if shift is None and not (before_moves and len(current.lead) > 1):
        return current
    up = np.array([0.0, shift or 0.0])
    lead = current.lead + up
    if joined and previous is not None:
        lead = _reaimed(
            current.lead,
            old=(previous.pitch, current.pitch),
            new=(previous.new_pitch, current.pitch + (shift or 0.0)),
        )
    moved = replace(
        current,
        shift=shift,
        new_lead=lead,
        new_body=current.body + up if shift is not None else None,
        new_tail=current.tail + up if shift is not None else None,
        edit=edit,
    )
    return moved if edit is None or not edit.moves_in_time else _in_time(moved)


def _in_time(moved: SungNote) -> SungNote:
    """The new curves where the note goes in time: the way in with its beginning, the way out with
    its end, the steady part drawn out between them."""
    note, (start_s, end_s) = moved.note, moved.new_span
    head, tail = start_s - note.start_s, end_s - note.end_s
    assert moved.new_lead is not None
    assert moved.new_body is not None
    assert moved.new_tail is not None
    body = moved.new_body.copy()
    first, last = body[0, 0], body[-1, 0]
    share = (body[:, 0] - first) / max(last - first, 1e-9)
    body[:, 0] += head + share * (tail - head)
    later = np.array([1.0, 0.0])
    return replace(
        moved,
        new_lead=moved.new_lead + head * later,
        new_body=body,
        new_tail=moved.new_tail + tail * later,
    )


def _reaimed(lead: FloatArray, *, old: tuple[float, float], new: tuple[float, float]) -> FloatArray:
    """A glide with the same progress between two new pitches; where the old ones coincide the
    progress is that of time."""
    aimed: FloatArray
    if len(lead) < 2:
        aimed = lead + np.array([0.0, new[1] - old[1]])
        return aimed
    if abs(old[1] - old[0]) > _SAME:
        progress = np.clip((lead[:, 1] - old[0]) / (old[1] - old[0]), 0.0, 1.0)
    else:
        progress = np.linspace(0.0, 1.0, len(lead))
    if abs(new[0] - old[0]) < 1e-9 and abs(old[1] - old[0]) <= _SAME:
        aimed = lead + np.column_stack([np.zeros(len(lead)), progress * (new[1] - old[1])])
        return aimed
    residue = lead[:, 1] - (old[0] + progress * (old[1] - old[0]))
    pitch = new[0] + progress * (new[1] - new[0]) + residue
    aimed = np.column_stack([lead[:, 0], pitch])
    return aimed


def simplified(points: FloatArray, tolerance: float) -> FloatArray:
    """Fewer points of a line, none farther than `tolerance` from it (Douglas and Peucker 1973,
    from memory)."""
    if len(points) < 3:
        return points
    keep = np.zeros(len(points), dtype=bool)
    keep[[0, -1]] = True
    spans = [(0, len(points) - 1)]
    while spans:
        a, b = spans.pop()
        if b - a < 2:
            continue
        chord = points[b] - points[a]
        away = points[a + 1 : b] - points[a]
        length = float(np.hypot(*chord)) or 1.0
        distance = np.abs(chord[0] * away[:, 1] - chord[1] * away[:, 0]) / length
        far = int(np.argmax(distance))
        if distance[far] > tolerance:
            middle = a + 1 + far
            keep[middle] = True
            spans += [(a, middle), (middle, b)]
    return points[keep]


def runs(points: FloatArray) -> list[FloatArray]:
    """The pieces of a curve between its holes."""
    known = np.isfinite(points[:, 1])
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(int)))
    return [points[a:b] for a, b in zip(edges[::2], edges[1::2], strict=True)]
