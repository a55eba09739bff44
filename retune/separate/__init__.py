"""The voice in a finished mix, estimated: what is sung, where, and what plays without it."""

from __future__ import annotations

from retune.separate.estimate import (
    VoiceEstimate,
    Without,
    estimate_voice,
    shares_in,
    usual_gain,
)
from retune.separate.second import second_voice
from retune.separate.sung import find_singing, spans_of

__all__ = [
    "VoiceEstimate",
    "Without",
    "estimate_voice",
    "find_singing",
    "second_voice",
    "shares_in",
    "spans_of",
    "usual_gain",
]
