"""The voice in a finished mix, estimated: what is sung, and what plays without it."""

from __future__ import annotations

from retune.separate.estimate import (
    VoiceEstimate,
    Without,
    estimate_voice,
    shares_in,
    usual_gain,
)

__all__ = ["VoiceEstimate", "Without", "estimate_voice", "shares_in", "usual_gain"]
