"""What is heard in a song, as it travels between the rooms: frozen, with read-only arrays.

Times are seconds from the start of the song (`_s`), levels decibels (`_db`), pitch intervals
cents (`_cents`), frequencies hertz (`_hz`). Pitch as a number is MIDI with A4 = 69, the song's
tuning removed. Degrees are strings in the key's own scale ("2", "b7", "#4"). What rules make of it
is in `changes`, the song file as it was read in `songfacts`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, Protocol, get_args, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from retune.carriers.barlines import BarRival as BarRival
from retune.carriers.barlines import Bars as Bars
from retune.carriers.displayed import Displayed

FloatArray = NDArray[np.float64]
Samples = NDArray[np.float32]

Role = Literal["melody", "bass", "harmony", "double", "backing", "unpitched", "mix"]
ROLES: tuple[Role, ...] = ("melody", "bass", "harmony", "double", "backing", "unpitched", "mix")
MONOPHONIC_ROLES: tuple[Role, ...] = ("melody", "bass", "harmony", "double")
DOUBTFUL = 0.5
"""A note less sure than this is doubtful."""
SECOND_VOICE = "a second voice sings here"
"""The doubt that there is where the note itself may be right."""
Ending = Literal["at rest", "partly at rest", "open"]
Cadence = Literal[
    "perfect authentic",
    "imperfect authentic",
    "half",
    "phrygian half",
    "plagal",
    "deceptive",
    "none",
]
CADENCES: tuple[Cadence, ...] = get_args(Cadence)


def frozen_array(values: Any, dtype: Any) -> NDArray[Any]:
    """A read-only copy of `values`, so that neither side can change the other's numbers."""
    array: NDArray[Any] = np.array(values, dtype=dtype, copy=True)
    array.setflags(write=False)
    return array


# --- sound -----------------------------------------------------------------------------------


@runtime_checkable
class AudioLike(Protocol):
    """Sound that can be read in pieces: in memory (`Audio`) or from its file (`AudioFile`)."""

    @property
    def rate_hz(self) -> int: ...
    @property
    def n_samples(self) -> int: ...
    @property
    def n_channels(self) -> int: ...
    def read(self, start: int = 0, stop: int | None = None) -> Samples:
        """Samples [start, stop) as float32 (n, n_channels); clipped to what exists."""
        ...


@dataclass(frozen=True, eq=False)
class Audio:
    """Sound in memory: `samples` float32 (n_samples, n_channels), full scale 1."""

    samples: Samples
    rate_hz: int

    def __post_init__(self) -> None:
        shaped = np.asarray(self.samples, dtype=np.float32)
        if shaped.ndim == 1:
            shaped = shaped[:, None]
        object.__setattr__(self, "samples", frozen_array(shaped, np.float32))

    def __reduce__(self) -> tuple[Any, ...]:
        return Audio, (np.asarray(self.samples), self.rate_hz)

    @property
    def n_samples(self) -> int:
        return int(self.samples.shape[0])

    @property
    def n_channels(self) -> int:
        return int(self.samples.shape[1])

    @property
    def duration_s(self) -> float:
        return self.n_samples / self.rate_hz

    def read(self, start: int = 0, stop: int | None = None) -> Samples:
        stop = self.n_samples if stop is None else stop
        return self.samples[max(start, 0) : max(stop, 0)]


@dataclass(frozen=True, eq=False)
class PitchTrack:
    """f0 over time: `time_s` (frame centres), `f0_hz` (NaN where unvoiced), `voiced_prob`, and
    `energy_db` (frame level re full scale); all float64 (n_frames,), evenly spaced."""

    time_s: FloatArray
    f0_hz: FloatArray
    voiced_prob: FloatArray
    energy_db: FloatArray
    tracker: str = "pyin"

    def __post_init__(self) -> None:
        for name in ("time_s", "f0_hz", "voiced_prob", "energy_db"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), np.float64))

    def __repr__(self) -> str:
        return f"<PitchTrack {self.tracker}: {len(self.time_s)} frames of {self.hop_s:.4f} s>"

    def __reduce__(self) -> tuple[Any, ...]:
        arrays = (self.time_s, self.f0_hz, self.voiced_prob, self.energy_db)
        return PitchTrack, (*(np.asarray(a) for a in arrays), self.tracker)

    @property
    def hop_s(self) -> float:
        return float(self.time_s[1] - self.time_s[0]) if len(self.time_s) > 1 else 0.0


@dataclass(frozen=True, eq=False)
class Singing:
    """Where somebody sings in a mix: `spans` in seconds, and every `hop_s` from 0 on the level of
    the estimated voice re the mix, `share_db`, float64 (n_frames,). `second` are the spans in
    which another voice sings beside the one that is followed, where that was asked."""

    hop_s: float
    share_db: FloatArray
    spans: tuple[tuple[float, float], ...]
    second: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "share_db", frozen_array(self.share_db, np.float64))

    def __reduce__(self) -> tuple[Any, ...]:
        return Singing, (self.hop_s, np.asarray(self.share_db), self.spans, self.second)


# --- music -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Key:
    """A key: `tonic` as a pitch-class name ("Bb"), `mode` one of the modes of `theory.keys`."""

    tonic: str
    mode: str

    def __str__(self) -> str:
        return f"{self.tonic} {self.mode}"


@dataclass(frozen=True)
class KeySpan:
    """A key from `start_s` on, until the next span."""

    start_s: float
    key: Key


@dataclass(frozen=True)
class Chord:
    """A chord sounding from `start_s` to `end_s`.

    `label` is Harte syntax ("Bb:maj/3", "N"); `typed` what the chart said; `roman` its numeral
    in the key then ("V7", "" for none); `root_pc`, `bass_pc` pitch classes (C = 0), -1 for
    "N"; `tones` maps each pitch class to "root", "third", "fifth", "seventh" or "extension".
    `confidence` (0 to 1) is below 1 only where it is `estimated`.
    """

    start_s: float
    end_s: float
    label: str
    typed: str = ""
    roman: str = ""
    root_pc: int = -1
    bass_pc: int = -1
    tones: tuple[tuple[int, str], ...] = ()
    estimated: bool = False
    confidence: float = 1.0

    def role_of(self, pitch_class: int) -> str | None:
        """ "root", "third" ... for a chord tone, None for any other pitch class."""
        return dict(self.tones).get(pitch_class % 12)


@dataclass(frozen=True)
class Over:
    """A note over one of the chords that sound under it, from `start_s` to `end_s`.

    `tension` is that of `theory.tensionmodels` (chord distance and surface dissonance), None
    without a key; `terms` are what it is the sum of, in words. A suspension or retardation has its
    `figure` ("4-3") and the index of the note that it resolves to.
    """

    start_s: float
    end_s: float
    chord: Chord
    role: str | None
    tension: int | None = None
    figure: str = ""
    resolves_to: int | None = None
    terms: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True)
class Note:
    """One sung or played note. None where unknown.

    `chord` is the one the note is judged by (at the end for a phrase ending, else at onset),
    `chord_role` its role over it; `over` holds every chord that sounds under it.
    `doubt` says in words why `confidence` is low ("" when it is not). `tail_of` is the index of
    the phrase-ending note that this short tail follows; `ending_of` likewise for a re-struck
    same pitch that belongs to an ending. `singer` is how likely a note of a mix is sung at all, by
    the voice that is followed; None in a stem of one voice. `lyric` is the syllable it sings
    ("lan-" where the word goes on), "_" where it holds the one before, None without words.
    """

    index: int
    start_s: float
    end_s: float
    pitch_midi: float
    name: str
    cents_from_name: float
    degree: str | None = None
    bar: int | None = None
    beat: float | None = None
    phrase: int | None = None
    is_phrase_ending: bool = False
    chord: Chord | None = None
    chord_at_onset: Chord | None = None
    chord_at_end: Chord | None = None
    chord_role: str | None = None
    stability: float | None = None
    confidence: float = 1.0
    doubt: str = ""
    ending_of: int | None = None
    tail_of: int | None = None
    singer: float | None = None
    over: tuple[Over, ...] | None = None
    lyric: str | None = None

    @property
    def is_doubtful(self) -> bool:
        """Whether it is little sure that this is the note, that anybody sings it, or that nobody
        else sings too."""
        if self.doubt == SECOND_VOICE or self.confidence < DOUBTFUL:
            return True
        return self.singer is not None and self.singer < DOUBTFUL

    @property
    def doubt_words(self) -> str:
        """Why the note is in doubt, "" where it is not."""
        return self.doubt or ("several small doubts" if self.is_doubtful else "")

    @property
    def midi_name(self) -> int:
        """MIDI number of the nearest named pitch."""
        return round(self.pitch_midi - self.cents_from_name / 100)


@dataclass(frozen=True)
class Phrase:
    """A phrase and how it ends; `ending_note` is the index of its structural last note, `cadence`
    None without chords. `section` names the section it lies in, None without sections; `alike` is
    its letter of form: "a", "a'" where it varies a phrase before it, "" for a phrase without notes.
    """

    index: int
    start_s: float
    end_s: float
    ending_note: int | None = None
    ending_degree: str | None = None
    ending_chord_role: str | None = None
    ending: Ending | None = None
    ending_melodic: Ending | None = None
    cadence: Cadence | None = None
    section: str | None = None
    alike: str = ""


@dataclass(frozen=True)
class Section:
    """A part of the song with a name, until the next one. `source` says where it comes from:
    "given", "lyrics" (a heading above their lines) or "found by repetition"."""

    start_s: float
    end_s: float
    name: str
    source: str = "given"


@dataclass(frozen=True, eq=False)
class StemAnalysis:
    """What was heard in one stem. Notes are in order of time, `index` counting from 1. `inside`
    names the mix that holds this part, "" for a stem with a sound of its own; `follow` says how a
    harmony goes with a moved melody; `sung` are the spans of a mix in which somebody sings."""

    name: str
    role: Role
    notes: tuple[Note, ...] = ()
    phrases: tuple[Phrase, ...] = ()
    track: PitchTrack | None = None
    inside: str = ""
    follow: str = "keep"
    sung: tuple[tuple[float, float], ...] | None = None

    def __repr__(self) -> str:
        return f"<StemAnalysis {self.name}: {len(self.notes)} notes, {len(self.phrases)} phrases>"

    def note(self, index: int) -> Note:
        return self.notes[index - 1]


@dataclass(frozen=True, eq=False)
class Analysis(Displayed):
    """Everything that was found in a song, before any rule; where only a `passage` of it is worked
    on, in that, and `duration_s` is where that ends."""

    title: str
    rate_hz: int
    duration_s: float
    tuning_hz: float
    keys: tuple[KeySpan, ...]
    key_source: str
    key_confidence: float
    bars: Bars
    chords: tuple[Chord, ...]
    stems: Mapping[str, StemAnalysis]
    warnings: tuple[str, ...] = ()
    key_rivals: tuple[Key, ...] = ()
    sections: tuple[Section, ...] = ()
    passage: tuple[float, float] | None = None

    def __repr__(self) -> str:
        n_notes = sum(len(stem.notes) for stem in self.stems.values())
        return f'<Analysis "{self.title}": {self.key}, {len(self.stems)} stems, {n_notes} notes>'

    @property
    def key(self) -> Key | None:
        return self.keys[0].key if self.keys else None

    def key_at(self, time_s: float) -> Key | None:
        """The key in force at a time, or None when none was found."""
        reached = [span.key for span in self.keys if span.start_s <= time_s + 1e-9]
        return reached[-1] if reached else self.key

    def chord_at(self, time_s: float) -> Chord | None:
        """The chord sounding at a time, or None."""
        sounding = (c for c in self.chords if c.start_s - 1e-9 <= time_s < c.end_s - 1e-9)
        return next(sounding, None)

    @property
    def melody(self) -> StemAnalysis | None:
        """The stem that rules mean when they name none."""
        for wanted in ("melody", "mix"):
            for stem in self.stems.values():
                if stem.role == wanted:
                    return stem
        return None
