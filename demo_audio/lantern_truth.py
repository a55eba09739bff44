"""The tables of truth that lie beside the audio, as text: file name to content."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

import numpy as np
from lantern_band import TimedNote
from lantern_performance import Performance, SungNote, sung_cents
from lantern_score import (
    BEATS_PER_BAR,
    DURATION_S,
    FIRST_DOWNBEAT_S,
    HARTE,
    N_BARS,
    ROMAN,
    bar_and_beat,
    chord_spans,
    degree_of,
    seconds,
)

# How each phrase ends, by degree and chord: "at rest" is the tonic over its root-position
# chord; "partly at rest" the third or fifth over the tonic chord, or a chord tone of vi.
_ENDINGS = {
    ("5", "I"): "partly at rest",
    ("2", "I"): "open",
    ("3", "vi"): "partly at rest",
    ("2", "V"): "open",
    ("4", "V7"): "open",
    ("1", "I"): "at rest",
}
_FEATURES = {3: "feminine", 4: "anticipation", 5: "tail"}


def _table(header: str, rows: Iterable[Sequence[object]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header.split(","))
    writer.writerows(rows)
    return out.getvalue()


def _chord_at(beats: float) -> str:
    return next(c.name for c in chord_spans() if c.start_beats <= beats < c.end_beats)


def _ending_chord(note: SungNote) -> str:
    """The chord under the end of an ending: the last one it sounds into."""
    written = note.written
    return ROMAN[_chord_at(written.at_beats + written.beats - 0.05)]


def _f0_table(performance: Performance) -> str:
    rows = zip(performance.time_s, performance.f0_hz, strict=True)
    return _table("time_s,f0_hz", ((f"{t:.3f}", f"{f:.2f}" if f else "0") for t, f in rows))


def _note_rows(performance: Performance) -> Iterable[Sequence[object]]:
    word = ""
    for index, note in enumerate(performance.notes, start=1):
        written = note.written
        word = written.word or word
        bar, beat = bar_and_beat(written.at_beats)
        times = (note.start_s, note.vowel_on_s, note.vowel_off_s, note.end_s)
        start, vowel_on, vowel_off, end = (f"{t:.4f}" for t in times)
        cents = sung_cents(performance, note)
        yield (
            index, start, end, vowel_on, vowel_off, note.midi, written.name,
            degree_of(note.midi), written.phrase, bar, f"{beat:g}", f"{written.beats:g}",
            int(written.part == "ending"), written.part, word.lower(),
            f"{np.mean(cents):.1f}", f"{np.median(cents):.1f}", f"{note.detune_cents:.1f}",
            f"{note.glide_s:.3f}", f"{note.scoop_cents:.0f}", f"{note.fall_cents:.0f}",
            f"{note.vibrato_hz:.2f}", f"{note.vibrato_cents:.1f}", int(written.detached),
        )  # fmt: skip


_NOTE_HEADER = (
    "index,start_s,end_s,vowel_on_s,vowel_off_s,midi,name,degree,phrase,bar,beat,beats,"
    "phrase_ending,part,word,mean_cents,median_cents,detune_cents,glide_s,scoop_cents,"
    "fall_cents,vibrato_hz,vibrato_cents,detached"
)
_PHRASE_HEADER = (
    "index,start_s,end_s,first_note,last_note,ending_note,ending_name,ending_degree,"
    "ending_chord,ending,ending_melodic,ending_start_s,ending_end_s,feature"
)


def _melodic(degree: str) -> str:
    return {"1": "at rest", "3": "partly at rest", "5": "partly at rest"}.get(degree, "open")


def _phrase_rows(performance: Performance) -> Iterable[Sequence[object]]:
    notes = performance.notes
    for phrase in range(1, notes[-1].written.phrase + 1):
        own = [k for k, n in enumerate(notes) if n.written.phrase == phrase]
        at = next(k for k in own if notes[k].written.part == "ending")
        ending = notes[at]
        held = [notes[k] for k in own if notes[k].written.part in ("ending", "restruck")]
        degree, chord = str(degree_of(ending.midi)), _ending_chord(ending)
        yield (
            phrase, f"{notes[own[0]].start_s:.4f}", f"{notes[own[-1]].end_s:.4f}",
            own[0] + 1, own[-1] + 1, at + 1, ending.written.name, degree, chord,
            _ENDINGS[degree, chord], _melodic(degree), f"{ending.vowel_on_s:.4f}",
            f"{held[-1].vowel_off_s:.4f}", _FEATURES.get(phrase, ""),
        )  # fmt: skip


def _chords_lab() -> str:
    lines = [f"0.0000\t{FIRST_DOWNBEAT_S:.4f}\tN"]
    for chord in chord_spans():
        times = f"{seconds(chord.start_beats):.4f}\t{seconds(chord.end_beats):.4f}"
        lines.append(f"{times}\t{HARTE[chord.name]}")
    lines.append(f"{seconds(N_BARS * BEATS_PER_BAR):.4f}\t{DURATION_S:.4f}\tN")
    return "\n".join(lines) + "\n"


def _beat_rows() -> Iterable[Sequence[object]]:
    for beat in range(-1, N_BARS * BEATS_PER_BAR):
        bar, within = bar_and_beat(beat)
        yield f"{seconds(beat):.4f}", bar, f"{within:g}"


def _bass_rows(bass: Sequence[TimedNote]) -> Iterable[Sequence[object]]:
    for note in bass:
        yield f"{note.start_s:.4f}", f"{note.end_s:.4f}", note.midi


def truth_tables(performance: Performance, *, bass: Sequence[TimedNote]) -> dict[str, str]:
    """All tables, ready to be written: file name to text."""
    return {
        "truth_f0.csv": _f0_table(performance),
        "truth_notes.csv": _table(_NOTE_HEADER, _note_rows(performance)),
        "truth_phrases.csv": _table(_PHRASE_HEADER, _phrase_rows(performance)),
        "truth_chords.lab": _chords_lab(),
        "truth_beats.csv": _table("time_s,bar,beat", _beat_rows()),
        "truth_bass.csv": _table("start_s,end_s,midi", _bass_rows(bass)),
    }
