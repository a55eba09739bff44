"""What a comparison page is made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from retune.carriers.changes import Plan, Verdict
from retune.carriers.errors import UsageError
from retune.carriers.heard import Analysis
from retune.comparison.blind import Design
from retune.comparison.changed_sound import ChangedSpan
from retune.comparison.difference import Difference
from retune.comparison.displayed import Picture, Sound
from retune.comparison.picture_rows import TensionPoint

VersionKind = Literal["original", "variant", "matched-control"]


@dataclass(frozen=True, eq=False)
class Version:
    """One version of a song as a page carries it.

    `audio_bytes` is a whole file (`encode_audio`) of the type `mime`, already at matched level;
    it is empty where `spans` say what differs from the original, whose sound at this version's
    level is all the rest. `gain_db` is what level matching did to it, `short_by_db` what its
    peaks kept it from: a page plays all of them lower by the most of these. `plan` is what a
    variant moves; a matched control may carry the plan of its variant, `verdicts` judge its edits
    of a mix. Loudness in LUFS and true peak in dBTP, None if unknown.
    """

    name: str
    kind: VersionKind
    audio_bytes: bytes
    mime: str
    gain_db: float = 0.0
    short_by_db: float = 0.0
    plan: Plan | None = None
    about: str = ""
    loudness_lufs: float | None = None
    true_peak_db: float | None = None
    verdicts: tuple[Verdict, ...] = ()
    spans: tuple[ChangedSpan, ...] | None = None

    @property
    def files(self) -> tuple[bytes, ...]:
        """Its sound as a page carries it: one whole file, or one for each changed span."""
        if self.spans is None:
            return (self.audio_bytes,)
        return tuple(span.audio_bytes for span in self.spans)

    @property
    def size_bytes(self) -> int:
        return sum(map(len, self.files))

    def __repr__(self) -> str:
        return f"<Version {self.name} ({self.kind}): {len(self.audio_bytes) / 1000:.0f} kB>"


@dataclass(frozen=True, eq=False)
class PageInput:
    """One song and its versions, the original first.

    Parameters
    ----------
    title, rights : str
        As in the song file; shown and escaped.
    analysis : Analysis
        Of the whole song.
    versions : tuple of Version
        The original first, then variants and matched controls, all of one length.
    rate_hz : int
        Sample rate of the files in `versions`.
    passage_s : (start_s, end_s), optional
        What part of the song the files hold; the whole song by default.
    headline : str
        A sentence over the page; the title by default.
    made : tuple of str
        Sentences on how the versions were made: engines, stems, measures.
    warnings : tuple of str
        Shown under the changes.
    tension : mapping of variant name to points
        Curves beneath the picture (see `lane_svg`).
    tests : tuple of Design
        Blind tests of two of the versions, one a sheet; none by default.
    differences : tuple of Difference
        How far the edits of a version lie from the same edits made from stems.
    """

    title: str
    rights: str
    analysis: Analysis
    versions: tuple[Version, ...]
    rate_hz: int
    passage_s: tuple[float, float] | None = None
    headline: str = ""
    made: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    tension: Mapping[str, tuple[TensionPoint, ...]] = field(default_factory=dict)
    tests: tuple[Design, ...] = ()
    differences: tuple[Difference, ...] = ()

    def __post_init__(self) -> None:
        if not self.versions or self.versions[0].kind != "original":
            raise UsageError(f"{self.title}: give the original as the first version of a page")
        if self.versions[0].spans is not None:
            raise UsageError(f"{self.title}: give the original's sound whole")
        names = [version.name for version in self.versions]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise UsageError(f'{self.title}: two versions are named "{twice[0]}"; rename one')
        for test in self.tests:
            missing = [name for name in test.versions if name not in names]
            if missing:
                raise UsageError(
                    f'{self.title}: a blind test needs "{missing[0]}", which is not on the page; '
                    f"there are {', '.join(names)}"
                )

    def __repr__(self) -> str:
        names = ", ".join(version.name for version in self.versions)
        size_mb = self.audio_size_bytes / 1e6
        return f'<PageInput "{self.title}": {names}; {size_mb:.1f} MB of sound>'

    def version(self, name: str = "original") -> Version:
        """One of the versions. Raises UsageError naming those that there are."""
        for version in self.versions:
            if version.name == name:
                return version
        names = ", ".join(version.name for version in self.versions)
        raise UsageError(f'no version "{name}": there are {names}')

    def play(self, name: str = "original") -> Sound:
        """A version as it sounds on the page; a notebook plays it."""
        version = self.version(name)
        return Sound(version.audio_bytes, version.mime, version.name)

    def picture(self, name: str | None = None) -> Picture:
        """The melody and what a version moves, by default the first variant; for a notebook."""
        from retune.comparison.picture import View, lane_svg

        variants = self.variants
        shown = self.version(name) if name is not None else (variants or self.versions)[0]
        svg = lane_svg(self.analysis, shown.plan, View(font=16, systems=2))
        return Picture(svg, f"{self.title}, {shown.name}")

    @property
    def span_s(self) -> tuple[float, float]:
        """What part of the song is heard."""
        return self.passage_s or (0.0, self.analysis.duration_s)

    @property
    def is_whole(self) -> bool:
        """Whether the whole song is heard."""
        first, last = self.span_s
        return first <= 1e-3 and last >= self.analysis.duration_s - 1e-3

    @property
    def lower_db(self) -> float:
        """By how much all versions are played lower than the original, so that each, its peaks
        under -1 dBTP, is as loud as the others."""
        return max(version.short_by_db for version in self.versions)

    def heard_db(self, version: Version) -> float:
        """What is added to the level of a version's file when it is played."""
        return version.short_by_db - self.lower_db

    @property
    def variants(self) -> tuple[Version, ...]:
        return tuple(v for v in self.versions if v.kind == "variant")

    @property
    def audio_size_bytes(self) -> int:
        return sum(version.size_bytes for version in self.versions)
