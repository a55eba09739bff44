"""The pitch of a note and how far it is to be trusted, with the reason of doubt in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from retune.analysis.contour import Contour
from retune.analysis.note_edges import Span
from retune.analysis.sonority import Levels

DOUBTFUL = 0.5
# A note right in fewer than one of three, and this many semitones from its neighbours, is none.
STRAY_TRUST = 1 / 3
STRAY_AWAY = 7.5
OCTAVE_TRUST = 0.45
# Log odds that a sung note is right, begin within 50 ms and pitch within 50 cents: a constant, then
# for each dB that the vowel band rises by where it begins, for each semitone that its pitch strays
# by, for a rest before it, for each dB that it lies below the loudest. Fitted on made singers, by
# halves tried on the others, and tried on five real ones (tests/bench/bench_trust.py).
RIGHT, WEIGHTS = 0.85, (0.3, -1.25, -1.85, 0.095)
REASONS = (
    "it hardly begins: nothing rises where it seems to start",
    "the pitch does not settle",
    "it comes after a rest, and where it begins is not clear",
    "very soft beside the rest",
)
RISE_S, RISE_NEAR_S, RISE_DB = 0.03, 0.03, (0.0, 12.0)
SPREAD, REST_S, SOFT_DB = (0.1, 1.0), (0.1, 0.3), (-20.0, -8.0)
# A tracker hears voices in noise with odds down to this; what it hears with less is a guess.
SURE_PROB = 0.03
SHORT_S = 0.08
UNSURE = "the tracker is not sure that this is a sung pitch"
LEAPS = "the pitch jumps by about an octave inside the note"
UNPITCHED = "much of it has no pitch"
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
    for k, span in enumerate(spans):
        midi = core_pitch(span, contour)
        below_db = _level(span, levels) - loud
        if by_onset and not is_bass:
            rest_s = span.start_s - spans[k - 1].end_s if k else REST_S[1]
            shown = evidence(span, midi, contour, levels, rest_s=rest_s, below_db=below_db)
            against = _tracked(span, midi, contour)
            trust = told(chance(shown), against, reasons=_lost(shown))
        else:
            trust = told(1.0, _seen(span, midi, contour, below_db))
        joined = span.joined and not span.struck
        heard.append(Heard(span.start_s, span.end_s, midi, *trust, joined))
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


def evidence(
    span: Span,
    midi: float,
    contour: Contour,
    levels: Levels,
    *,
    rest_s: float,
    below_db: float,
) -> tuple[float, float, float, float]:
    """What a sung note shows of being right: dB that the vowel band rises by where it begins,
    semitones that its pitch strays by, how much of a rest comes before it (0 to 1), and by how many
    dB it is too soft."""
    a, b = contour.frame(span.start_s), contour.frame(span.end_s) + 1
    away = np.abs(contour.flat[a:b] - midi)
    away = away[np.isfinite(away)]
    spread = float(np.percentile(away, 75)) if len(away) else SPREAD[1]
    return (
        float(np.clip(_rise_db(span, levels), *RISE_DB)),
        float(np.clip(spread, *SPREAD)),
        float(np.clip((rest_s - REST_S[0]) / (REST_S[1] - REST_S[0]), 0.0, 1.0)),
        float(np.clip(below_db, *SOFT_DB) - SOFT_DB[1]),
    )


def _rise_db(span: Span, levels: Levels) -> float:
    """By how much the vowel band rises at most within RISE_S, near where the note begins."""
    half = round(RISE_S / 2 / levels.step_s)
    near = round(RISE_NEAR_S / levels.step_s)
    first = max(levels.index(span.start_s) - near, 0)
    level = levels.vowel_db[max(first - half, 0) : first + 2 * near + half + 1]
    return float(np.max(level[2 * half :] - level[: -2 * half])) if len(level) > 2 * half else 0.0


def told(
    likely: float, factors: Mapping[str, float], *, reasons: Mapping[str, float] | None = None
) -> tuple[float, str]:
    """Confidence 0 to 1, `likely` times all the factors, and the strongest reason of doubt among
    them and `reasons`, the smaller the stronger."""
    confidence = likely * float(np.prod(list(factors.values())))
    every = {**factors, **(reasons or {})}
    reason = min(every, key=lambda name: every[name])
    return round(confidence, 3), (reason if confidence < DOUBTFUL else "")


def chance(shown: tuple[float, float, float, float]) -> float:
    """How likely a sung note is right, by what it shows (`evidence`)."""
    return _share(RIGHT + float(np.dot(WEIGHTS, shown)))


def _lost(shown: tuple[float, float, float, float]) -> dict[str, float]:
    """How likely it would be right if one thing alone spoke against it."""
    best = (RISE_DB[1], SPREAD[0], 0.0, 0.0)
    whole = RIGHT + float(np.dot(WEIGHTS, best))
    parts = zip(REASONS, WEIGHTS, shown, best, strict=True)
    return {reason: _share(whole + w * (value - most)) for reason, w, value, most in parts}


def _share(odds: float) -> float:
    return float(1 / (1 + np.exp(-odds)))


def _tracked(span: Span, midi: float, contour: Contour) -> dict[str, float]:
    """What the track says against a note, too seldom to be counted among the odds."""
    a, b = contour.frame(span.start_s), contour.frame(span.end_s) + 1
    line = contour.midi[a:b]
    voiced = np.isfinite(line)
    if not voiced.any():
        return {"no clear pitch": 0.1}
    prob = float(np.mean(contour.prob[a:b][voiced]))
    return {
        UNSURE: float(np.clip(prob / SURE_PROB, 0.3, 1)),
        LEAPS: float(np.clip(1 - 2.5 * np.mean(np.abs(line[voiced] - midi) > 6.0), 0.1, 1)),
        UNPITCHED: float(np.clip(0.3 + np.mean(voiced), 0, 1)),
        "very short": float(np.clip((span.end_s - span.start_s) / SHORT_S, 0.4, 1)),
    }


def _seen(span: Span, midi: float, contour: Contour, below_db: float) -> dict[str, float]:
    """The factors of a note of which the track alone is at hand, or of a bass."""
    a, b = contour.frame(span.start_s), contour.frame(span.end_s) + 1
    line, prob = contour.midi[a:b], contour.prob[a:b]
    voiced = np.isfinite(line)
    if not voiced.any():
        return {"no clear pitch": 0.1}
    away = np.abs(line[voiced] - midi)
    steady = contour.flat[a:b][voiced]
    spread = float(np.percentile(np.abs(steady - midi), 75))
    return {
        UNSURE: float(np.clip(0.25 + 1.1 * np.mean(prob[voiced]), 0, 1)),
        LEAPS: float(np.clip(1 - 2.5 * np.mean(away > 6.0), 0.1, 1)),
        UNPITCHED: float(np.clip(0.3 + np.mean(voiced), 0, 1)),
        "the pitch does not settle": float(np.clip(1.25 - spread / 1.2, 0.2, 1)),
        "very short": float(np.clip((span.end_s - span.start_s) / 0.12, 0.4, 1)),
        "very soft beside the rest": float(np.clip(1.9 + below_db / 25.0, 0.3, 1)),
    }
