"""Invented songs built from carriers, for the tests of pictures and pages."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from retune.carriers.changes import Consequence, Edit, Plan
from retune.carriers.heard import (
    Analysis,
    Audio,
    Bars,
    Chord,
    Key,
    KeySpan,
    Note,
    Phrase,
    PitchTrack,
    StemAnalysis,
)
from retune.carriers.units import midi_to_hz
from retune.comparison.blind import pair_design
from retune.comparison.encode import MIMES, encode_audio
from retune.comparison.page_input import PageInput, Version, VersionKind

SCALE = {"1": 0, "2": 2, "3": 4, "4": 5, "5": 7, "6": 9, "7": 11, "#4": 6, "b7": 10}
NAMES = ("Bb", "B", "C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A")
CHORDS = {
    "I": ("Bb", "Bb:maj", 10, ((10, "root"), (2, "third"), (5, "fifth"))),
    "vi": ("Gm", "G:min", 7, ((7, "root"), (10, "third"), (2, "fifth"))),
    "IV": ("Eb", "Eb:maj", 3, ((3, "root"), (7, "third"), (10, "fifth"))),
    "V": ("F", "F:maj", 5, ((5, "root"), (9, "third"), (0, "fifth"))),
    "V7": ("F7", "F:7", 5, ((5, "root"), (9, "third"), (0, "fifth"), (3, "seventh"))),
    "ii": ("Cm", "C:min", 0, ((0, "root"), (3, "third"), (7, "fifth"))),
    "iii": ("Dm", "D:min", 2, ((2, "root"), (5, "third"), (9, "fifth"))),
}
# One phrase a line: a pickup of one beat, then degree:beats; "," an octave down, r a rest.
PHRASES = (
    "5,:1 | 1:2 2:1 | 3:2 1:1 | 6,:2 1:1 | 5,:2",
    "1:1 | 1:1 3:2 | 4:2 3:1 | 2:2 7,:1 | 2:2",
    "3:1 | 4:2 5:1 | 5:2 3:1 | 2:1 3:1 4:1 | 3:2",
    "3:1 | 4:2 2:1 | 3:2 1:1 | 1:1 3:2 | 2:2",
    "2:1 | 3:1 #4:1 5:1 | 5:2 3:1 | 6:2 5:1 | 4:2",
    "4:1 | 3:2 1:1 | 1:2 6,:1 | 2:2 7,:1 | 1:3",
)
ENDS = ("partly at rest", "open", "partly at rest", "open", "open", "at rest")
BARS = (
    ("I", "vi", "IV", "I"),
    ("I", "IV", "V7", "I"),
    ("IV", "I", "V", "vi"),
    ("ii", "vi", "IV", "V"),
    ("I", "iii", "vi", "V7"),
    ("I", "IV", "V7", "I"),
)
BEAT_S = 60 / 92
HOP_S = 256 / 22_050


def lantern(*, n_phrases: int = 6) -> Analysis:
    """Six phrases of four bars in B flat major, 3/4, 92 beats a minute, a pickup to each."""
    first_downbeat = 0.9
    n_bars = 4 * n_phrases
    downbeats = tuple(first_downbeat + 3 * BEAT_S * bar for bar in range(n_bars + 1))
    romans = [roman for phrase in BARS[:n_phrases] for roman in phrase]
    chords = tuple(_chord(roman, bar, downbeats) for bar, roman in enumerate(romans))
    notes, phrases = [], []
    for number, text in enumerate(PHRASES[:n_phrases], 1):
        beat = 12.0 * (number - 1) - 1
        own = [cell for cell in text.split() if cell != "|"]
        for place, cell in enumerate(own):
            degree, beats = cell.split(":")
            last = place == len(own) - 1
            notes.append(
                _note(
                    len(notes) + 1, degree, beat, float(beats), number, last, first_downbeat, chords
                )
            )
            beat += float(beats)
        end = notes[-1]
        phrases.append(
            Phrase(
                number,
                notes[-len(own)].start_s,
                end.end_s,
                end.index,
                end.degree,
                end.chord_role,
                ENDS[number - 1],
                "open",
            )
        )
    stem = StemAnalysis("vocal", "melody", tuple(notes), tuple(phrases), _track(notes))
    return Analysis(
        title="Lantern Song",
        rate_hz=48_000,
        duration_s=downbeats[-1] + 1.0,
        tuning_hz=440.0,
        keys=(KeySpan(0.0, Key("Bb", "major")),),
        key_source="given",
        key_confidence=1.0,
        bars=Bars(downbeats, (3, 4), 92.0),
        chords=chords,
        stems={"vocal": stem, "bass": StemAnalysis("bass", "bass")},
    )


def home_early(analysis: Analysis) -> Plan:
    """Every phrase that ends on 2 comes home to 1, as the rule room would plan it."""
    stem = analysis.melody
    assert stem is not None
    edits = tuple(
        Edit(
            stem="vocal",
            start_s=note.start_s,
            end_s=note.end_s,
            shift_cents=-200.0,
            rule="move phrase-ending degree 2 to degree 1",
            note=note.index,
            from_name="C5",
            to_name="Bb4",
            from_degree="2",
            to_degree="1",
            bar=note.bar,
            phrase=note.phrase,
            chord=note.chord.label if note.chord else None,
            role_before=note.chord_role,
            role_after="root" if note.chord and note.chord.roman == "I" else "passing",
        )
        for note in stem.notes
        if note.is_phrase_ending and note.degree == "2"
    )
    consequences = (
        Consequence("clash", edits[-1].start_s, "Bb4 sounds a semitone from A, the third of F"),
        Consequence("early-rest", edits[0].start_s, "Bar 8: the tonic ends phrase 2 over I"),
    )
    return Plan(edits, consequences, (), ("move phrase-ending degree 2 to degree 1",), "home-early")


def tension_of(analysis: Analysis, plan: Plan) -> list[tuple[float, float, float | None]]:
    """Invented figures, one a note."""
    stem = analysis.melody
    assert stem is not None
    table = {"1": 1.0, "2": 5.0, "3": 3.0, "4": 5.5, "5": 4.0, "6": 6.0, "7": 8.0}
    moved = {edit.note for edit in plan.edits}
    return [
        (
            (note.start_s + note.end_s) / 2,
            table.get(str(note.degree), 7.0),
            1.5 if note.index in moved else None,
        )
        for note in stem.notes
    ]


def _chord(roman: str, bar: int, downbeats: tuple[float, ...]) -> Chord:
    typed, label, root, tones = CHORDS[roman]
    return Chord(downbeats[bar], downbeats[bar + 1], label, typed, roman, root, root, tones)


def _note(
    index: int,
    degree: str,
    beat: float,
    beats: float,
    phrase: int,
    last: bool,
    origin_s: float,
    chords: tuple[Chord, ...],
) -> Note:
    octave = -1 if degree.endswith(",") else 0
    degree = degree.rstrip(",")
    midi = 70 + SCALE[degree] + 12 * octave
    start = origin_s + beat * BEAT_S
    end = start + beats * BEAT_S - (0.25 if last else 0.0)
    bar = int(np.floor(beat / 3)) + 1
    chord = chords[bar - 1] if 1 <= bar <= len(chords) else None
    return Note(
        index=index,
        start_s=start,
        end_s=end,
        pitch_midi=midi + 0.05,
        name=f"{NAMES[(midi - 70) % 12]}{midi // 12 - 1}",
        cents_from_name=5.0,
        degree=degree,
        bar=max(bar, 0),
        beat=beat % 3 + 1,
        phrase=phrase,
        is_phrase_ending=last,
        chord=chord,
        chord_at_onset=chord,
        chord_at_end=chord,
        chord_role=chord.role_of(midi) if chord else None,
    )


def _track(notes: list[Note]) -> PitchTrack:
    """A sung line: glides of 90 ms between joined notes, scoops, vibrato on long notes."""
    n_frames = int(notes[-1].end_s / HOP_S) + 80
    time = np.arange(n_frames) * HOP_S
    midi = np.full(n_frames, np.nan)
    for place, note in enumerate(notes):
        inside = (time >= note.start_s) & (time < note.end_s)
        since = time[inside] - note.start_s
        line = np.full(since.shape, note.pitch_midi)
        before = notes[place - 1] if place else None
        joined = before is not None and note.start_s - before.end_s < 0.02
        gap = before.pitch_midi - note.pitch_midi if joined and before else -0.9
        line += gap * (1 - np.clip(since / 0.09, 0, 1)) ** 2
        if note.end_s - note.start_s > 0.9:
            line += 0.35 * np.clip((since - 0.35) / 0.3, 0, 1) * np.sin(2 * np.pi * 5.5 * since)
        midi[inside] = line
    f0 = midi_to_hz(midi)
    voiced = np.isfinite(midi).astype(float)
    return PitchTrack(time, f0, voiced, np.where(voiced > 0, -20.0, -80.0), "made")


def without_theory(analysis: Analysis) -> Analysis:
    """The same singing with no key, chords or bars known."""
    stem = analysis.melody
    assert stem is not None
    notes = tuple(
        replace(
            note,
            degree=None,
            bar=None,
            beat=None,
            chord=None,
            chord_at_onset=None,
            chord_at_end=None,
            chord_role=None,
        )
        for note in stem.notes
    )
    phrases = tuple(
        replace(p, ending=None, ending_melodic=None, ending_degree=None, ending_chord_role=None)
        for p in stem.phrases
    )
    bare = StemAnalysis("vocal", "melody", notes, phrases, stem.track)
    return replace(analysis, keys=(), chords=(), bars=Bars((), (4, 4), 0.0), stems={"vocal": bare})


def tones(seed: int, *, seconds: float = 2.0, rate_hz: int = 48_000, hz: float = 300.0) -> Audio:
    """A quiet stereo tone with a little noise, for pages that need sound."""
    time = np.arange(round(seconds * rate_hz)) / rate_hz
    noise = np.random.default_rng(seed).normal(0, 0.002, (len(time), 2))
    wave = 0.2 * np.sin(2 * np.pi * hz * time)[:, None]
    return Audio((wave + noise).astype(np.float32), rate_hz)


def lantern_page(
    *, n_phrases: int = 6, seconds: float | None = None, fmt: str = "flac"
) -> PageInput:
    """A page of the Lantern Song: original, variant and control are tones of 300, 400, 500 Hz."""
    analysis = lantern(n_phrases=n_phrases)
    plan = home_early(analysis)
    length = seconds or analysis.duration_s
    kinds: tuple[tuple[str, VersionKind, float, Plan | None], ...] = (
        ("original", "original", 0.0, None),
        ("home-early", "variant", -0.3, plan),
        ("home-early matched-control", "matched-control", -0.1, plan),
    )
    versions = tuple(
        Version(
            name,
            kind,
            encode_audio(tones(k, seconds=length, hz=300.0 + 100 * k).samples, 48_000, fmt),
            MIMES[fmt],
            gain_db=gain,
            plan=moved,
            about="every waiting ending comes home" if kind == "variant" else "",
            loudness_lufs=-20.0,
            true_peak_db=-9.3,
        )
        for k, (name, kind, gain, moved) in enumerate(kinds)
    )
    return PageInput(
        title="Lantern Song",
        rights="invented, CC0",
        analysis=analysis,
        versions=versions,
        rate_hz=48_000,
        headline="Lantern Song: what if the waiting endings came home?",
        made=("engine psola on the stem vocal, 2 spans",),
        tension={"home-early": tuple(tension_of(analysis, plan))},
        tests=tuple(
            pair_design(("original", "home-early"), passages=("phrase 2",), n_pairs=6, sheet=sheet)
            for sheet in (1, 2)
        ),
    )
