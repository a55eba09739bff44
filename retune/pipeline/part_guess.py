"""The role of each stem before a song file says it: by its name where that speaks, else by its
sound, which is a guess and says why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from retune.carriers.errors import InputError
from retune.carriers.heard import FloatArray, Role
from retune.song.rolenames import leads_by_name, named_role
from retune.sound.audio import AudioFile
from retune.track.part_sound import PartSound, sound_of_part

# What tells parts apart; chosen on the demo's stems, eight real voices and four drum loops, on all
# of which they are right with room to spare.
ONE_VOICE = 0.5  # share of places with one pitch: voices .54 and more, a harp .38
LIKE_NOISE = 0.05  # flatness: voices up to .006, drums .16 and more
LOW_MIDI = 44.0  # under A flat 2 (104 Hz) half of a bass's notes lie, and few a singer's
FEWEST_PITCHES = 3  # a kick drum has one or two
FEWEST_PLACES = 12  # at which two stems have a pitch, before they are compared
SAME_SEMITONES = 0.6
ALONG_SHARE = 0.6
NEAR_SEMITONES = 1.6  # a third is major or minor, a fourth now and then
LEAST_APART = 2.4


@dataclass(frozen=True)
class PartGuess:
    """A role; where the sound told it, `reason` says by what, else it is empty."""

    role: Role
    reason: str = ""


def guessed_parts(files: Mapping[str, AudioFile]) -> dict[str, PartGuess]:
    """The likeliest role of each stem of one song.

    Parameters
    ----------
    files : mapping of file name to AudioFile
        The stems, on one clock.

    Returns
    -------
    dict of file name to PartGuess
        Names win. Where a name says nothing, or several say no more than that somebody sings, the
        sound tells; it cannot tell which of two unlike lines leads, so both are melodies then.
    """
    parts = {name: named_role(Path(name).stem) for name in files}
    guessed = {name: PartGuess(role) for name, role in parts.items() if role is not None}
    sung = [name for name, role in parts.items() if role == "melody"]
    unsaid = [name for name, role in parts.items() if role is None]
    vague = [n for n in sung if not leads_by_name(Path(n).stem)] if len(sung) > 1 else []
    if not unsaid and not vague:
        return guessed
    heard = _sounds({name: files[name] for name in (*unsaid, *sung)})
    guessed |= {n: _alone(heard[n]) if n in heard else PartGuess("backing") for n in unsaid}
    lines = [name for name in heard if guessed[name].role == "melody"]
    lead = _lead(lines, sung, vague, heard)
    for name in lines:
        if lead and name != lead and (name in unsaid or name in vague):
            guessed[name] = _beside(guessed[name], heard[name], heard[lead], lead, bool(sung))
    return guessed


def _sounds(files: Mapping[str, AudioFile]) -> dict[str, PartSound]:
    """What is heard of each, but of one that is damaged on the way: whoever opens the song is
    told of that."""
    length_s = max(audio.duration_s for audio in files.values())
    heard = {}
    for name, audio in files.items():
        with suppress(InputError):
            heard[name] = _sound(audio, length_s)
    return heard


@lru_cache(maxsize=256)
def _sound(audio: AudioFile, length_s: float) -> PartSound:
    return sound_of_part(audio, duration_s=length_s)


def _lead(
    lines: Sequence[str],
    sung: Sequence[str],
    vague: Sequence[str],
    heard: Mapping[str, PartSound],
) -> str | None:
    """The line that leads: one whose name says so, else one that is sung by name, else any; of
    several the one that sings most, then the loudest."""
    named = [name for name in lines if name in sung]
    first = [name for name in named if name not in vague]
    return max(first or named or lines, key=lambda name: _weight(heard[name]), default=None)


def _weight(sound: PartSound) -> tuple[float, float]:
    return round(sound.sounding, 1), float(np.percentile(sound.level_db, 90))


def _alone(sound: PartSound) -> PartGuess:
    """What one stem is by itself."""
    if sound.sounding == 0:
        return PartGuess("backing", "it is silent")
    pitches = sound.midi[np.isfinite(sound.midi)]
    is_one = sound.pitched >= ONE_VOICE
    is_low = is_one and float(np.median(pitches)) < LOW_MIDI
    if float(np.nanmedian(sound.flatness)) > LIKE_NOISE and (is_low or not is_one):
        return PartGuess("unpitched", "it sounds like noise, without a pitch")
    if is_low and len(set(np.round(pitches))) < FEWEST_PITCHES:
        return PartGuess("unpitched", "one low pitch and no line, like a drum")
    if is_low:
        return PartGuess("bass", "one note at a time, most of them below A♭2")
    if is_one:
        return PartGuess("melody", "one note at a time")
    return PartGuess("backing", "several notes at once")


def _beside(
    alone: PartGuess, sound: PartSound, lead: PartSound, name: str, has_named_lead: bool
) -> PartGuess:
    """What a line of single notes is beside the one that leads."""
    apart = sound.midi - lead.midi
    apart = apart[np.isfinite(apart)]
    if len(apart) >= FEWEST_PLACES:
        same = _share(apart - 12 * np.round(apart / 12), 0.0, SAME_SEMITONES)
        if same >= ALONG_SHARE:
            return PartGuess("double", f"it sings what {name} sings, {_percent(same)} of the time")
        middle = float(np.median(apart))
        along = _share(apart, middle, NEAR_SEMITONES)
        if along >= ALONG_SHARE and abs(middle) >= LEAST_APART and _moves(lead):
            side = "above" if middle > 0 else "below"
            return PartGuess(
                "harmony", f"it moves along with {name}, {_interval(middle)} {side} it"
            )
    if alone.reason and has_named_lead:
        return PartGuess("backing", f"one note at a time, but not along with {name}")
    return alone


def _share(values: FloatArray, middle: float, within: float) -> float:
    return float(np.mean(np.abs(values - middle) <= within))


def _moves(sound: PartSound) -> bool:
    """Whether a line moves so much that going along with it is no accident."""
    pitches = sound.midi[np.isfinite(sound.midi)]
    return _share(pitches, float(np.median(pitches)), NEAR_SEMITONES) < ALONG_SHARE


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _interval(semitones: float) -> str:
    """An interval of so many semitones, by the scale steps it spans."""
    names = ("second", "third", "third", "fourth", "fifth", "fifth", "sixth", "sixth")
    size = abs(round(semitones))
    return f"a {names[size - 2]}" if size < 10 else f"{size} semitones"
