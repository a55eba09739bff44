"""JAMS (JSON annotated music): one file a version, validated by the jams package's own schema.

Namespaces: note_midi for each stem's notes, pitch_contour for f0, segment_open for phrases and
sections, lyrics, chord_harte, beat, key_mode.
"""

from __future__ import annotations

import math
import re
import warnings
from typing import Any

from retune.carriers.changes import Plan
from retune.carriers.heard import StemAnalysis
from retune.comparison.exports.labels import beat_times
from retune.comparison.exports.material import (
    Material,
    label,
    need,
    origin,
    software,
    version_notes,
)
from retune.theory.chordparts import read_harte

_NAMED = re.compile(
    "(maj|min|dim|aug|maj7|min7|7|dim7|hdim7|minmaj7|maj6|min6|9|maj9|min9|sus4)?(\\(.*\\))?"
)
"""Qualities that the schema of chord_harte knows by name (jams 0.3.5)."""


def jams_text(material: Material, plan: Plan | None) -> str:
    """The annotations of one version as JSON text.

    Raises
    ------
    UsageError
        The jams package is not installed.
    """
    with warnings.catch_warnings():
        # jams imports a module that setuptools has deprecated; nothing a user can mend.
        warnings.simplefilter("ignore")
        jams = need("jams", extra="exports")
    analysis = material.analysis
    file = jams.JAMS()
    file.file_metadata.title = material.title
    file.file_metadata.duration = analysis.duration_s
    file.sandbox.update(
        source=material.source,
        inputs=dict(material.inputs),
        rights=material.rights,
        altered=label(plan),
        tuning_hz=round(analysis.tuning_hz, 3),
    )
    for stem in analysis.stems.values():
        _stem(jams, file, material, stem, plan)
    _song(jams, file, material)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        file.validate(strict=True)
    return str(file.dumps(indent=1, sort_keys=True)) + "\n"


def _annotation(jams: Any, file: Any, material: Material, namespace: str, what: str) -> Any:
    meta = jams.AnnotationMetadata(
        annotation_tools=software(), data_source=what, corpus="", version=""
    )
    made = jams.Annotation(namespace=namespace, annotation_metadata=meta)
    made.duration = material.analysis.duration_s
    made.time = 0
    made.sandbox.update(origin=origin(material))
    file.annotations.append(made)
    return made


def _stem(jams: Any, file: Any, material: Material, stem: StemAnalysis, plan: Plan | None) -> None:
    if stem.notes:
        notes = _annotation(jams, file, material, "note_midi", f"notes of {stem.name}")
        for played in version_notes(stem, plan, material.analysis):
            note = played.note
            notes.append(
                time=note.start_s,
                duration=note.end_s - note.start_s,
                value=played.pitch_midi,
                confidence=note.confidence,
            )
    track = stem.track
    if track is not None:
        contour = _annotation(jams, file, material, "pitch_contour", f"f0 of {stem.name} as sung")
        for time_s, f0_hz, sure in zip(track.time_s, track.f0_hz, track.voiced_prob, strict=True):
            voiced = math.isfinite(f0_hz)
            contour.append(
                time=float(time_s),
                duration=0.0,
                value={
                    "index": 0,
                    "frequency": float(f0_hz) if voiced else 0.0,
                    "voiced": voiced,
                },
                confidence=float(sure) if math.isfinite(sure) else None,
            )
    if any(note.lyric for note in stem.notes):
        words = _annotation(jams, file, material, "lyrics", f"syllables of {stem.name}")
        for note in stem.notes:
            if note.lyric:
                length_s = note.end_s - note.start_s
                words.append(
                    time=note.start_s, duration=length_s, value=note.lyric, confidence=None
                )
    if stem.phrases:
        phrases = _annotation(jams, file, material, "segment_open", f"phrases of {stem.name}")
        for phrase in stem.phrases:
            phrases.append(
                time=phrase.start_s,
                duration=phrase.end_s - phrase.start_s,
                value=f"phrase {phrase.index} {phrase.alike}".rstrip(),
                confidence=None,
            )


def _song(jams: Any, file: Any, material: Material) -> None:
    analysis = material.analysis
    if analysis.chords:
        chords = _annotation(jams, file, material, "chord_harte", "chords")
        for chord in analysis.chords:
            value = schema_label(chord.label)
            if value is not None:
                length_s = chord.end_s - chord.start_s
                chords.append(
                    time=chord.start_s, duration=length_s, value=value, confidence=chord.confidence
                )
    if analysis.sections:
        sections = _annotation(jams, file, material, "segment_open", "sections")
        for section in analysis.sections:
            length_s = section.end_s - section.start_s
            sections.append(
                time=section.start_s, duration=length_s, value=section.name, confidence=None
            )
    beats = _annotation(jams, file, material, "beat", "beats")
    sure = analysis.bars.confidence
    for time_s, number in beat_times(analysis):
        beats.append(time=time_s, duration=0.0, value=number, confidence=sure)
    keys = _annotation(jams, file, material, "key_mode", "keys")
    ends_s = [*(span.start_s for span in analysis.keys[1:]), analysis.duration_s]
    for span, end_s in zip(analysis.keys, ends_s, strict=False):
        name = f"{span.key.tonic}:{span.key.mode}"
        length_s = max(end_s - span.start_s, 0.0)
        keys.append(
            time=span.start_s, duration=length_s, value=name, confidence=analysis.key_confidence
        )


def schema_label(label: str) -> str | None:
    """A Harte label in the words of the schema: its degrees spelled out where the schema has no
    name for them; None for "X", a chord that is not known.

    >>> schema_label("F:7/3"), schema_label("C:sus2"), schema_label("X")
    ('F:7/3', 'C:(1,2,5)', None)
    """
    parts = read_harte(label)
    if not parts.degrees:
        return "N" if parts.root == "N" else None
    root, _, rest = parts.label.partition(":")
    quality, slash, bass = rest.partition("/")
    if not _NAMED.fullmatch(quality):
        quality = f"({','.join(parts.degrees)})"
    return f"{root}:{quality}{slash}{bass}"
