"""The tension curve of a variant, and the words that say what it shows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from retune.carriers.changes import Plan
from retune.carriers.heard import Analysis

Curve = tuple[tuple[float, float, float | None], ...]
"""(seconds, value as sung, value in the variant or None where it is the same) of each note."""

_SHOWN: Mapping[str, str] = MappingProxyType(
    {
        "harmonic": "distance of each note's chord from the tonic chord (Lerdahl's tonal pitch "
        "space) plus the note's surface dissonance over it",
        "instability": "1 minus the probe-tone stability of each note in its key (Krumhansl and "
        "Kessler), chords left out",
    }
)


def tension_curves(analysis: Analysis, plans: Sequence[Plan]) -> dict[str, Curve]:
    """For each plan by name the melody's tension, as sung and in the variant; the one term that
    `retune.rules.tension.curve_term` chooses. Empty curves where no key or melody is known."""
    from retune.rules.tension import plan_tension, tension_curve

    return {plan.name: tension_curve(plan_tension(analysis, plan)) for plan in plans}


def tension_words(analysis: Analysis, plans: Sequence[Plan]) -> list[str]:
    """What the curves of plans show, in words; nothing where they show nothing."""
    from retune.rules.tension import curve_term, plan_tension

    weighed = [plan_tension(analysis, plan) for plan in plans]
    terms = dict.fromkeys(curve_term(notes) for notes in weighed if notes)
    return [
        f"tension, as drawn: {_SHOWN[term]}; a figure of a published model, no measurement of "
        "listeners"
        for term in terms
    ]
