"""The pitch of a note and how far it is to be trusted, with the reason of doubt in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from retune.analysis.contour import Contour
from retune.analysis.note_edges import Span
from retune.analysis.sonority import Levels

DOUBTFUL = 0.5
# A note trusted less than this, and this many semitones from its neighbours, is none.
STRAY_TRUST = 0.3
STRAY_AWAY = 7.5
OCTAVE_TRUST = 0.45
# How often singers' notes begin within 50 ms of where people put them, by how far the vowel band
# rises there: of forty singers' notes 54 % below 4 dB, 95 % above 10 dB.
RISE_S, RISE_NEAR_S, RISE_DB = 0.03, 0.03, (1.0, 11.0)
RISE_ODDS, RISE_ODDS_PER_DB = 0.16, 0.28
OCTAVE_DOUBT = "it lies about an octave from the notes around it"


@dataclass(frozen=True)
class Heard:
    """A note as heard: seconds, MIDI number at A4 = 440 Hz, `confidence` 0 to 1 with the reason
    of doubt in words ("" when there is none); `joined` when the note before runs into it on one
    breath and one vowel; `singer` how likely it is sung at all, in a mix."""

    start_s: float
    end_s: float
    midi: float
    confidence: float = 1.0
    doubt: str = ""
    joined: bool = False
    singer: float | None = None


def core_pitch(span: Span, contour: Contour) -> float:
    """The pitch of a note: the median of its line, the edges left out, vibrato ironed out."""
    length = span.end_s - span.start_s
    head, tail = min(0.08, 0.25 * length), min(0.05, 0.15 * length)
    for a_s, b_s in ((span.start_s + head, span.end_s - tail), (span.start_s, span.end_s)):
        line = contour.flat[contour.frame(a_s) : contour.frame(b_s) + 1]
        line = line[np.isfinite(line)]
        if len(line):
            return float(np.median(line))
    return span.midi


def judged(
    spans: Sequence[Span],
    contour: Contour,
    levels: Levels,
    *,
    is_bass: bool = False,
    by_onset: bool = False,
) -> tuple[Heard, ...]:
    """Each note with its pitch and how far it is to be trusted. A bass may leap by octaves; in a
    voice, one note an octave from all around it is doubted. `by_onset` where `levels` are fine
    enough to tell how clearly a note begins."""
    heard: list[Heard] = []
    loud = max((_level(s, levels) for s in spans), default=0.0)
    for span in spans:
        midi = core_pitch(span, contour)
        begins = _begins(span, levels) if by_onset else 1.0
        confidence, doubt = _trust(span, midi, contour, _level(span, levels) - loud, begins)
        heard.append(
            Heard(
                span.start_s, span.end_s, midi, confidence, doubt, span.joined and not span.struck
            )
        )
    if is_bass:
        return tuple(heard)
    heard = [note for k, note in enumerate(heard) if not _is_stray(heard, k)]
    alone = octaves_alone([note.midi for note in heard])
    return tuple(
        replace(note, confidence=min(note.confidence, OCTAVE_TRUST), doubt=OCTAVE_DOUBT)
        if k in alone
        else note
        for k, note in enumerate(heard)
    )


def _is_stray(heard: Sequence[Heard], k: int) -> bool:
    """True for what is both hardly to be trusted and far from everything around it: breath, room
    or a subharmonic, no note."""
    if heard[k].confidence >= STRAY_TRUST:
        return False
    around = [n.midi for n in (*heard[max(0, k - 3) : k], *heard[k + 1 : k + 4])]
    return len(around) >= 2 and min(abs(heard[k].midi - m) for m in around) > STRAY_AWAY


def octaves_alone(midi: Sequence[float]) -> set[int]:
    """Positions of notes about an octave away from the three before and after, which keep close
    together themselves: such leaps there and back are more often heard than sung."""
    found = set()
    for k, pitch in enumerate(midi):
        around = np.array([*midi[max(0, k - 3) : k], *midi[k + 1 : k + 4]])
        if 0 < k < len(midi) - 1 and len(around) >= 4 and np.ptp(around) <= 7.0:
            away = abs(pitch - float(np.median(around)))
            if 10.5 <= away <= 13.5 and np.min(np.abs(around - pitch)) > 8.5:
                found.add(k)
    return found


def _level(span: Span, levels: Levels) -> float:
    body = levels.full_db[levels.index(span.start_s) : levels.index(span.end_s) + 1]
    return float(np.percentile(body, 75)) if len(body) else -100.0


def _begins(span: Span, levels: Levels) -> float:
    """How likely the note begins where it is said to: the more the level rises there the rather."""
    half = round(RISE_S / 2 / levels.step_s)
    near = round(RISE_NEAR_S / levels.step_s)
    first = max(levels.index(span.start_s) - near, 0)
    level = levels.vowel_db[max(first - half, 0) : first + 2 * near + half + 1]
    rise_db = float(np.max(level[2 * half :] - level[: -2 * half])) if len(level) > 2 * half else 0
    odds = RISE_ODDS + RISE_ODDS_PER_DB * (np.clip(rise_db, *RISE_DB) - RISE_DB[0])
    return float(1 / (1 + np.exp(-odds)))


def _trust(
    span: Span, midi: float, contour: Contour, below_db: float, begins: float
) -> tuple[float, str]:
    """Confidence 0 to 1 and the strongest reason of doubt."""
    a, b = contour.frame(span.start_s), contour.frame(span.end_s) + 1
    line, prob = contour.midi[a:b], contour.prob[a:b]
    voiced = np.isfinite(line)
    if not voiced.any():
        return 0.1, "no clear pitch"
    away = np.abs(line[voiced] - midi)
    steady = contour.flat[a:b][voiced]
    spread = float(np.percentile(np.abs(steady - midi), 75))
    factors = {
        "the tracker is not sure that this is a sung pitch": float(
            np.clip(0.25 + 1.1 * np.mean(prob[voiced]), 0, 1)
        ),
        "the pitch jumps by about an octave inside the note": float(
            np.clip(1 - 2.5 * np.mean(away > 6.0), 0.1, 1)
        ),
        "much of it has no pitch": float(np.clip(0.3 + np.mean(voiced), 0, 1)),
        "the pitch does not settle": float(np.clip(1.25 - spread / 1.2, 0.2, 1)),
        "very short": float(np.clip((span.end_s - span.start_s) / 0.12, 0.4, 1)),
        "it hardly begins: nothing rises where it seems to start": begins,
        "very soft beside the rest": float(np.clip(1.9 + below_db / 25.0, 0.3, 1)),
    }
    reason = min(factors, key=lambda name: factors[name])
    confidence = float(np.prod(list(factors.values())))
    return round(confidence, 3), (reason if confidence < DOUBTFUL else "")
