"""The song file as it was read and checked: frozen.

Units and conventions are those of `carriers`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from retune.carriers.heard import Role


@dataclass(frozen=True)
class Stem:
    """A stem: its sound file (absolute path), role, gain in dB, and what it does when a rule moves
    the melody (`follow`; `when_melody_moves` of a song file, `follow` before 1.0)."""

    name: str
    path: Path
    role: Role
    gain_db: float = 0.0
    follow: str = "keep"
    voice: Path | None = None
    """Of a mix: the voice in it, separated elsewhere, on the mix's clock."""
    old_words: tuple[str, ...] = ()
    """Keys of the song file that have another name now."""
    inside: str = ""
    """Name of the mix that holds this part; "" for a stem with a file of its own."""


@dataclass(frozen=True)
class Music:
    """Musical facts as given; None or "auto" where retune is to find them.

    `phrases` is "auto", "every N bars[, pickup N beat]" or ((start_s, end_s), ...);
    `keys` holds ("bar:beat", "G major") pairs, `sections` ("bar:beat", "verse") pairs, `meters`
    and `tempos` pairs likewise of what follows the first meter and tempo; `tempo_map` is a MIDI
    file that gives both;
    `tempo_bpm` None means auto.
    """

    key: str = "auto"
    keys: tuple[tuple[str, str], ...] = ()
    meter: tuple[int, int] = (4, 4)
    tempo_bpm: float | None = None
    first_downbeat_s: float | None = None
    downbeats_s: tuple[float, ...] | None = None
    tuning_hz: float | None = None
    chords: str | None = None
    chords_file: Path | None = None
    guide: Path | None = None
    phrases: str | tuple[tuple[float, float], ...] = "auto"
    meter_given: bool = True
    lyrics: str | None = None
    lyrics_file: Path | None = None
    sections: tuple[tuple[str, str], ...] = ()
    meters: tuple[tuple[str, str], ...] = ()
    tempos: tuple[tuple[str, float], ...] = ()
    tempo_map: Path | None = None

    @property
    def has_bars(self) -> bool:
        """Whether bars are given, and need not be heard."""
        has_map = self.tempo_map is not None
        return bool(self.downbeats_s) or self.tempo_bpm is not None or has_map


MUSIC_FILES = ("chords_file", "guide", "lyrics_file", "tempo_map")
"""The facts of `Music` that are files."""


@dataclass(frozen=True)
class Variant:
    """A named list of rules, in the order in which they are applied."""

    name: str
    rules: tuple[str, ...]
    about: str = ""


@dataclass(frozen=True)
class Correction:
    """A correction by hand: `set` says what is so of the note of `stem` that sounds at `at_s`
    seconds; `stem_sha256` names the take of the stem that it was made on ("" where not known)."""

    stem: str
    at_s: float
    set: str
    stem_sha256: str = ""


@dataclass(frozen=True)
class Song:
    """A song file that has been read and checked. `path` is the song file (or the bare audio
    file); stem paths are absolute. `passage` is the part that is worked on, two times as typed."""

    path: Path
    title: str
    rights: str
    stems: Mapping[str, Stem]
    music: Music = field(default_factory=Music)
    variants: Mapping[str, Variant] = field(default_factory=dict)
    corrections: tuple[Correction, ...] = ()
    passage: tuple[str, str] | None = None
    heard_with: str = ""
    """The version of retune that the corrections were made with; "" where it is not told."""

    def __repr__(self) -> str:
        return f'<Song "{self.title}": {", ".join(self.stems)}>'

    @property
    def inputs(self) -> tuple[Path, ...]:
        """Every file that the song is read from, none of which is ever written over."""
        others = (getattr(self.music, name) for name in MUSIC_FILES)
        stems = (stem.path for stem in self.stems.values())
        voices = (stem.voice for stem in self.stems.values() if stem.voice is not None)
        return (self.path, *stems, *voices, *(path for path in others if path is not None))
