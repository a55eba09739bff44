"""Invented songs without sound in other keys, modes and meters."""

from __future__ import annotations

from dataclasses import replace

from retune.carriers.heard import Analysis, Bars, Key, KeySpan, Note, Phrase, StemAnalysis
from retune.theory.chords import parse_chord
from retune.theory.keys import degree_of, parse_key
from retune.theory.pitchnames import parse_pitch_name
from retune.theory.roles import how_it_ends


def sketch(
    keys: list[tuple[int, str]],
    melody: str,
    chart: str,
    *,
    meter: tuple[int, int] = (4, 4),
    tempo_bpm: float = 100.0,
    bars_a_phrase: int = 4,
    title: str = "Sketch",
) -> Analysis:
    """A song from `keys` (bar, name), a melody of "name:beats" with bar lines ignored, and one
    chord a bar; phrases of `bars_a_phrase` bars, no pitch track."""
    beats = meter[0] // 3 if meter[1] == 8 else meter[0]
    bar_s = beats * 60 / tempo_bpm
    cells = [cell.split(":") for cell in melody.replace("|", " ").split()]
    n_bars = round(sum(float(length) for _, length in cells) / beats)
    downbeats = tuple(bar * bar_s for bar in range(n_bars + 1))
    spans = tuple(KeySpan((bar - 1) * bar_s, parse_key(name)) for bar, name in keys)

    def key_at(time_s: float) -> Key:
        return [span.key for span in spans if span.start_s <= time_s + 1e-9][-1]

    chords = tuple(
        replace(
            parse_chord(text, key_at(bar * bar_s)), start_s=downbeats[bar], end_s=downbeats[bar + 1]
        )
        for bar, text in enumerate(chart.split("|"))
    )
    notes: list[Note] = []
    beat = 0.0
    for name, length in cells:
        start = beat / beats * bar_s
        beat += float(length)
        if name == "r":
            continue
        midi, bar = parse_pitch_name(name), int(start / bar_s + 1e-6)
        last = int((beat - 1e-6) / beats / bars_a_phrase)
        chord = chords[bar]
        notes.append(
            Note(
                len(notes) + 1,
                start,
                beat / beats * bar_s,
                float(midi),
                name,
                0.0,
                degree=degree_of(midi, key_at(start)),
                bar=bar + 1,
                phrase=last + 1,
                chord=chord,
                chord_at_onset=chord,
                chord_at_end=chord,
                chord_role=chord.role_of(midi % 12),
            )
        )
    phrases = []
    for number in sorted({note.phrase for note in notes if note.phrase}):
        own = [note for note in notes if note.phrase == number]
        end = own[-1]
        notes[end.index - 1] = end = replace(end, is_phrase_ending=True)
        state = how_it_ends(end.midi_name, end.chord, key_at(end.start_s))
        phrases.append(
            Phrase(number, own[0].start_s, end.end_s, end.index, end.degree, end.chord_role, state)
        )
    return Analysis(
        title=title,
        rate_hz=44_100,
        duration_s=downbeats[-1],
        tuning_hz=440.0,
        keys=spans,
        key_source="given",
        key_confidence=1.0,
        bars=Bars(downbeats, meter, tempo_bpm),
        chords=chords,
        stems={
            "vocal": StemAnalysis("vocal", "melody", tuple(notes), tuple(phrases)),
            "bass": StemAnalysis("bass", "bass"),
            "harp": StemAnalysis("harp", "backing"),
        },
    )


def five_sketches() -> dict[str, Analysis]:
    """Invented songs: minor, modal, one that modulates, 6/8, and a wide chromatic range."""
    return {
        "minor": sketch(
            [(1, "A minor")],
            "A4:1 C5:1 B4:1 A4:1 | G#4:2 B4:2 | C5:1 D5:1 E5:2 | B4:4 |"
            " A4:1 C5:1 E5:2 | F5:2 E5:1 D5:1 | C5:1 B4:1 A4:1 G#4:1 | A4:4",
            "Am|E7|Am/C|E|Am|Dm|E7|Am",
            title="Quiet Mill",
        ),
        "modal": sketch(
            [(1, "D dorian")],
            "D4:1 E4:1 F4:1 | G4:2 A4:1 | B4:2 A4:1 | G4:3 | F4:1 E4:1 C4:1 | D4:3",
            "Dm|G|Em|G|C|Dm",
            meter=(3, 4),
            bars_a_phrase=2,
            title="Reed Boat",
        ),
        "modulation": sketch(
            [(1, "C major"), (5, "G major")],
            "C5:2 D5:2 | E5:4 | D5:2 B4:2 | C5:4 | D5:2 F#5:2 | G5:4 | A5:2 F#5:2 | G5:4",
            "C|C|G7|C|D7|G|D7|G",
            title="Two Rooms",
        ),
        "6/8": sketch(
            [(1, "F major")],
            "F4:1 A4:1 | C5:2 | Bb4:1 G4:1 | A4:2 | G4:1 Bb4:1 | A4:1 F4:1 | E4:1 G4:1 | F4:2",
            "F|F/C|Gm|Am|C7|F|C|F",
            meter=(6, 8),
            bars_a_phrase=4,
            title="Oar Song",
        ),
        "wide": sketch(
            [(1, "Eb major")],
            "Eb3:1 F#3:1 A3:1 C4:1 | Eb4:1 Gb4:1 B4:1 Bb4:1 | Eb5:2 Ab5:2 | G5:4",
            "Eb|Cbmaj7|Ab/C|Eb",
            bars_a_phrase=2,
            title="Far Stairs",
        ),
    }
