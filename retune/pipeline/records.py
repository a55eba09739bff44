"""What the program writes as JSON and reads again: the plan of a variant, its manifest, and the
record of a job. Times in seconds, levels in dB; null where nothing is known."""

from __future__ import annotations

from typing import Any, Literal, NotRequired, TypedDict

Table = dict[str, object]
"""A JSON object of mixed values, made to be shown and not to be worked with."""

EditFacts = TypedDict(
    "EditFacts",
    {
        "stem": str,
        "note": int | None,
        "start_s": float | None,
        "end_s": float | None,
        "start_to_s": NotRequired[float | None],
        "end_to_s": NotRequired[float | None],
        "from": str | None,
        "to": str | None,
        "from_degree": str | None,
        "to_degree": str | None,
        "shift_cents": float | None,
        "glide": NotRequired[str],
        "vibrato": NotRequired[float],
        "formants": NotRequired[str],
        "tail": NotRequired[str],
        "rule": str,
        "bar": int | None,
        "phrase": int | None,
        "chord": str | None,
        "role_before": str | None,
        "role_after": str | None,
        "stability_before": float | None,
        "stability_after": float | None,
    },
)
"""One moved note (`Edit`); "from" is no name in Python, hence this form."""


class ConsequenceFacts(TypedDict):
    """What an edit does to the music (`Consequence`)."""

    kind: str
    at_s: float | None
    text: str


class PlanFacts(TypedDict):
    """What rules would move, and what follows."""

    edits: list[EditFacts]
    consequences: list[ConsequenceFacts]
    warnings: list[str]


class VerdictFacts(TypedDict):
    """How an edit of a finished mix came out (`Verdict`)."""

    stem: str
    start_s: float | None
    end_s: float | None
    word: str
    text: str


class LevelFacts(TypedDict):
    """What level matching did to a version (`MixLevels`)."""

    loudness_before: float | None
    loudness_after: float | None
    gain_db: float | None
    true_peak_db: float | None
    short_by_db: float | None


class InputFacts(TypedDict):
    """A stem as it was read."""

    file: str
    sha256: str


class EngineFacts(TypedDict):
    """What moved a stem, and why that."""

    engine: str
    reason: str


class ToVerify(TypedDict):
    """What of a manifest a rendering is made from again."""

    format: int
    retune: str
    variant: str
    song: object
    inputs: dict[str, InputFacts]
    outputs: dict[str, str]
    unwritten: NotRequired[dict[str, str]]
    edits: list[EditFacts]
    rules: list[str]
    engine: str
    subtype: str | None
    tracker: str


class Manifest(ToVerify):
    """What a variant's folder holds, and all that it was made from."""

    label: str
    address: str
    libraries: dict[str, str]
    title: str
    rights: str
    stem_gains_db: dict[str, float]
    engines: dict[str, EngineFacts]
    consequences: list[ConsequenceFacts]
    caveat: str | None
    verdicts: list[VerdictFacts]
    levels: dict[str, LevelFacts]
    warnings: list[str]


State = Literal["done", "skipped", "failed"]


class Record(TypedDict):
    """How the job of one variant, or of a song's unaltered files, went; for a variant also what
    its manifest holds, in short."""

    song: str
    variant: str
    state: State
    error: str | None
    seconds: float
    traceback: NotRequired[str]
    """For `--debug` alone; never written to a file."""
    ended_s: NotRequired[float]
    address: NotRequired[str]
    edits: NotRequired[int]
    largest_shift_cents: NotRequired[float | None]
    loudness_lufs: NotRequired[float | None]
    gain_db: NotRequired[float | None]
    true_peak_db: NotRequired[float | None]
    verdicts: NotRequired[list[str]]
    warnings: NotRequired[list[str]]
    inputs: NotRequired[dict[str, str]]
    outputs: NotRequired[dict[str, str]]
    rows: NotRequired[list[dict[str, Any]]]
    """Of a study: a row a phrase; their columns depend on the variants."""


class EndingRow(TypedDict):
    """One phrase ending of the melody, and what a plan does to it."""

    phrase: int
    at_s: float | None
    note: str | None
    key: str | None
    degree: str | None
    chord: str | None
    chord_role: str | None
    ending: str | None
    ending_melodic: str | None
    moved: int
    to_degree: str | None
    to_chord_role: str | None
    to_ending: NotRequired[str | None]
    """How it ends by the plan; None where it ends as sung. Not in what older versions wrote."""
