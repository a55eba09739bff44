"""Conversions between hertz, MIDI numbers, cents, ratios and decibels.

f = 440 * 2 ** ((m - 69) / 12) with A4 = 440 Hz (ISO 16:1975, from memory).
"""

from __future__ import annotations

from typing import Any

import numpy as np


def hz_to_midi(frequency_hz: Any, *, tuning_hz: float = 440.0) -> Any:
    """MIDI number (float) of a frequency; A4 = `tuning_hz` is 69."""
    return 69.0 + 12.0 * np.log2(np.asarray(frequency_hz, dtype=np.float64) / tuning_hz)


def midi_to_hz(midi: Any, *, tuning_hz: float = 440.0) -> Any:
    """Frequency in Hz of a MIDI number."""
    return tuning_hz * 2.0 ** ((np.asarray(midi, dtype=np.float64) - 69.0) / 12.0)


def cents_between(from_hz: Any, to_hz: Any) -> Any:
    """Interval in cents from one frequency to another."""
    return 1200.0 * np.log2(np.asarray(to_hz, np.float64) / np.asarray(from_hz, np.float64))


def cents_to_ratio(cents: Any) -> Any:
    """Frequency ratio of an interval in cents."""
    return 2.0 ** (np.asarray(cents, dtype=np.float64) / 1200.0)


def db_to_gain(level_db: Any) -> Any:
    """Amplitude factor of a level in dB."""
    return 10.0 ** (np.asarray(level_db, dtype=np.float64) / 20.0)


def gain_to_db(gain: Any, *, floor_db: float = -200.0) -> Any:
    """Level in dB of an amplitude; silence gives `floor_db`."""
    magnitude = np.maximum(np.abs(np.asarray(gain, dtype=np.float64)), 10.0 ** (floor_db / 20))
    return 20.0 * np.log10(magnitude)
