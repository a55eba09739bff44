"""Analyses and plans as plain JSON values: the contract of `--json`, null where unknown."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict

from retune import __version__
from retune.carriers.changes import Edit, Plan, Verdict
from retune.carriers.heard import Analysis, BarRival, Bars, Note, Over, Phrase, StemAnalysis
from retune.carriers.songfacts import MUSIC_FILES, Song
from retune.pipeline.records import EditFacts, PlanFacts, Table, VerdictFacts
from retune.song.bartime import seconds_at


def number(value: float | None, digits: int = 4) -> float | None:
    """A finite number rounded for reading, or None; never NaN."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits)


def analysis_facts(analysis: Analysis, *, song: str) -> Table:
    """What was found in a song; `song` is the file name to show."""
    key = analysis.key
    return {
        "retune": __version__,
        "song": song,
        "title": analysis.title,
        "rate_hz": analysis.rate_hz,
        "duration_s": number(analysis.duration_s),
        "passage": None if analysis.passage is None else list(map(number, analysis.passage)),
        "tuning_hz": number(analysis.tuning_hz, 2),
        "key": {
            "tonic": key.tonic if key else None,
            "mode": key.mode if key else None,
            "source": analysis.key_source,
            "confidence": number(analysis.key_confidence, 3),
            "rivals": [{"tonic": k.tonic, "mode": k.mode} for k in analysis.key_rivals],
        },
        "bars": _bars(analysis.bars),
        "chords": [
            {
                "start_s": number(chord.start_s),
                "end_s": number(chord.end_s),
                "label": chord.label,
                "roman": chord.roman or None,
                "source": "estimated" if chord.estimated else "given",
                "confidence": number(chord.confidence, 3),
            }
            for chord in analysis.chords
        ],
        "sections": [
            {
                "start_s": number(section.start_s),
                "end_s": number(section.end_s),
                "name": section.name,
                "source": section.source,
            }
            for section in analysis.sections
        ],
        "stems": {name: _stem(stem) for name, stem in analysis.stems.items()},
        "warnings": list(analysis.warnings),
    }


def _bars(bars: Bars) -> Table:
    return {
        "meter": "{}/{}".format(*bars.meter),
        "meters": [{"bar": c.bar, "meter": "{}/{}".format(*c.meter)} for c in bars.meters],
        "tempo_bpm": number(bars.tempo_bpm, 3),
        "tempos": [
            {"bar": t.bar, "beat": number(t.beat, 3), "tempo_bpm": number(t.tempo_bpm, 3)}
            for t in bars.tempi
        ],
        "downbeats_s": [number(time_s) for time_s in bars.downbeats_s],
        "beats_s": [number(seconds_at(k, bars)) for k in range(bars.first_beats[-1] + 1)]
        if len(bars.downbeats_s) > 1
        else [],
        "source": bars.source,
        "confidence": number(bars.confidence, 3),
        "rivals": [_bar_rival(rival) for rival in bars.rivals],
    }


def _bar_rival(rival: BarRival) -> Table:
    return {
        "name": rival.name,
        "meter": "{}/{}".format(*rival.meter),
        "tempo_bpm": number(rival.tempo_bpm, 3),
        "downbeats_s": [number(time_s) for time_s in rival.downbeats_s],
        "confidence": number(rival.confidence, 3),
    }


def _stem(stem: StemAnalysis) -> Table:
    return {
        "role": stem.role,
        **({"inside": stem.inside} if stem.inside else {}),
        **({} if stem.sung is None else {"sung": [list(span) for span in stem.sung]}),
        "notes": [_note(note) for note in stem.notes],
        "phrases": [_phrase(phrase) for phrase in stem.phrases],
    }


def _note(note: Note) -> Table:
    return {
        "index": note.index,
        "start_s": number(note.start_s),
        "end_s": number(note.end_s),
        "midi": number(note.pitch_midi, 3),
        "name": note.name,
        "cents": number(note.cents_from_name, 1),
        "degree": note.degree,
        "bar": note.bar,
        "beat": number(note.beat, 3),
        "phrase": note.phrase,
        "phrase_ending": note.is_phrase_ending,
        "chord": note.chord.label if note.chord else None,
        "chord_role": note.chord_role,
        "stability": number(note.stability, 3),
        "confidence": number(note.confidence, 3),
        "singer": number(note.singer, 3),
        "doubt": note.doubt_words or None,
        "lyric": note.lyric,
        "over": None if note.over is None else [_over(over) for over in note.over],
    }


def _over(over: Over) -> Table:
    return {
        "start_s": number(over.start_s),
        "end_s": number(over.end_s),
        "chord": over.chord.label,
        "roman": over.chord.roman or None,
        "role": over.role,
        "tension": over.tension,
    }


def _phrase(phrase: Phrase) -> Table:
    return {
        "index": phrase.index,
        "start_s": number(phrase.start_s),
        "end_s": number(phrase.end_s),
        "ending_note": phrase.ending_note,
        "ending_degree": phrase.ending_degree,
        "ending_chord_role": phrase.ending_chord_role,
        "ending": phrase.ending,
        "ending_melodic": phrase.ending_melodic,
        "cadence": phrase.cadence,
        "section": phrase.section,
        "alike": phrase.alike or None,
    }


def plan_facts(plan: Plan) -> PlanFacts:
    """A plan: its edits in order of time, what follows from them, and warnings."""
    return {
        "edits": [_edit(edit) for edit in plan.edits],
        "consequences": [
            {"kind": item.kind, "at_s": number(item.at_s), "text": item.text}
            for item in plan.consequences
        ],
        "warnings": list(plan.warnings),
    }


def _edit(edit: Edit) -> EditFacts:
    facts: EditFacts = {
        "stem": edit.stem,
        "note": edit.note,
        "start_s": number(edit.start_s),
        "end_s": number(edit.end_s),
        "from": edit.from_name,
        "to": edit.to_name,
        "from_degree": edit.from_degree,
        "to_degree": edit.to_degree,
        "shift_cents": number(edit.shift_cents, 2),
        "rule": edit.rule,
        "bar": edit.bar,
        "phrase": edit.phrase,
        "chord": edit.chord,
        "role_before": edit.role_before,
        "role_after": edit.role_after,
        "stability_before": number(edit.stability_before, 3),
        "stability_after": number(edit.stability_after, 3),
    }
    if edit.moves_in_time:
        start_s, end_s = edit.span_after
        facts |= {"start_to_s": number(start_s), "end_to_s": number(end_s)}
    if edit.glide:
        facts["glide"] = edit.glide
    if edit.vibrato != 1:
        facts["vibrato"] = edit.vibrato
    if edit.formants:
        facts["formants"] = edit.formants
    if edit.tail:
        facts["tail"] = edit.tail
    return facts


def verdict_facts(verdicts: Sequence[Verdict]) -> list[VerdictFacts]:
    """How each edit of a finished mix came out."""
    return [
        {
            "stem": verdict.stem,
            "start_s": number(verdict.start_s),
            "end_s": number(verdict.end_s),
            "word": verdict.word,
            "text": verdict.text,
        }
        for verdict in verdicts
    ]


def song_facts(song: Song) -> Table:
    """All that a rendering depends on, file names without their folders."""
    music = asdict(song.music)
    for name in MUSIC_FILES:
        music[name] = music[name].name if music[name] else None
    return {
        "file": song.path.name,
        "title": song.title,
        "rights": song.rights,
        **({"passage": "-".join(song.passage)} if song.passage else {}),
        "stems": {
            name: {
                "file": stem.path.name,
                "role": stem.role,
                "gain_db": stem.gain_db,
                "when_melody_moves": stem.follow,
                **({"voice": stem.voice.name} if stem.voice else {}),
            }
            for name, stem in song.stems.items()
        },
        "music": music,
        "corrections": [
            {name: value for name, value in asdict(correction).items() if value != ""}
            for correction in song.corrections
        ],
    }
