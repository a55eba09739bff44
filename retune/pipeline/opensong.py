"""The opened song: one object under all faces, which notices when its files change; what only some
requests need is imported by them."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar, Unpack

from retune.carriers.changes import Plan, Rendition
from retune.carriers.errors import StaleError, UsageError
from retune.carriers.heard import Analysis
from retune.carriers.songfacts import Song
from retune.comparison.endings import PhraseEnding, phrase_endings
from retune.pipeline import as_html as as_html
from retune.pipeline.inputs import (
    Look,
    Options,
    Progress,
    Settings,
    SongInputs,
    digests_beside,
    look_at,
    memory_for,
    one_of,
    read_inputs,
    seen_of,
    settings_of,
    silent,
)
from retune.pipeline.passages import WHOLE, Passage
from retune.pipeline.song_analysis import analysis_of
from retune.pipeline.song_plan import plan_of, plans_of
from retune.pipeline.stages import Memory
from retune.sound.audio import AudioFile

if TYPE_CHECKING:
    from retune.comparison.displayed import Picture, Sound
    from retune.comparison.page_input import PageInput
    from retune.pipeline.export_formats import Exported
    from retune.pipeline.export_job import ExportOptions
    from retune.pipeline.records import Manifest
    from retune.pipeline.suggestions import Suggestions

Value = TypeVar("Value")
_TRIES = 3


class OpenSong:
    """A song that is open: what is heard in it, what rules would move, how that sounds.

    Every request looks first whether the song file, its stems, charts and guide are still what
    they were, and works on one state of them from beginning to end. Nothing is worked out twice
    from equal contents.
    """

    def __init__(
        self, source: Path | Song, settings: Settings, *, memory: Memory | None = None
    ) -> None:
        self.settings = settings
        self._source = source
        self._memory = memory_for(settings) if memory is None else memory
        self._lock = threading.RLock()
        self._seen: object = None
        self._inputs = self._read()

    def __repr__(self) -> str:
        song = self._inputs.song
        return f"<OpenSong {song.path.name}: {', '.join(song.stems)}>"

    @property
    def inputs(self) -> SongInputs:
        """What the song is made from, as its files are now.

        Raises
        ------
        InputError
            The song file or a stem cannot be used; names file, field and fix.
        """
        with self._lock:
            if self._seen != self._looks(self._inputs.song):
                self._inputs = self._read()
            return self._inputs

    @property
    def last(self) -> SongInputs:
        """What the song was made from when it was asked for last; looks at no file."""
        return self._inputs

    def _read(self) -> SongInputs:
        for _ in range(_TRIES):
            text = self._text()
            inputs = read_inputs(self._source, self.settings, self._memory)
            self._seen = text, self._stems_look(inputs.song), tuple(inputs.digests.values())
            if self._seen == self._looks(inputs.song):
                return inputs
        raise StaleError(f"{inputs.song.path} or one of its files is being changed; try again")

    def _looks(self, song: Song) -> object:
        others = tuple(digests_beside(song, self.settings).values())
        return self._text(), self._stems_look(song), others

    def _text(self) -> str:
        """The content of the song file (of what is longer than any, how it looks)."""
        if isinstance(self._source, Song):
            return ""
        return seen_of(self._source)

    @staticmethod
    def _stems_look(song: Song) -> tuple[Look, ...]:
        return tuple(look_at(stem.path) for stem in song.stems.values())

    def _work(self, do: Callable[[SongInputs], Value]) -> Value:
        """Do something with one state of the song; anew when a file changes meanwhile."""
        for _ in range(_TRIES - 1):
            try:
                return do(self.inputs)
            except StaleError:
                continue
        return do(self.inputs)

    # --- what there is ---------------------------------------------------------------------------

    @property
    def song(self) -> Song:
        """The song file as read."""
        return self.inputs.song

    @property
    def audio(self) -> Mapping[str, AudioFile]:
        """The stems' sound by name, read on demand."""
        return self.inputs.audio

    @property
    def rate_hz(self) -> int:
        """Samples a second, of all stems."""
        return self.inputs.rate_hz

    @property
    def n_samples(self) -> int:
        """Length of the longest stem."""
        return self.inputs.n_samples

    @property
    def analysis(self) -> Analysis:
        """What is heard in the song: pitch, notes, phrases, key, bars, chords, endings."""
        return self.analyze()

    def analyze(self, *, progress: Progress = silent) -> Analysis:
        """`analysis`, telling how far it is."""
        return self._work(lambda now: analysis_of(now, progress=progress))

    def plan(
        self,
        rules: Sequence[str] | str | None = None,
        *,
        variant: str | None = None,
        progress: Progress = silent,
    ) -> Plan:
        """What rules in plain words, or a variant of the song file, would move.

        Parameters
        ----------
        rules : sequence of str or str
            Sentences, one rule each.
        variant : str
            Name of a variant; exactly one of the two.

        Raises
        ------
        RuleError
            A rule does not read.
        UsageError
            Neither or both, or no variant of that name.
        """
        return self._work(lambda now: plan_of(now, rules=rules, variant=variant, progress=progress))

    def plans(
        self, variants: Sequence[str] | None = None, *, progress: Progress = silent
    ) -> tuple[Plan, ...]:
        """The plans of the named variants, or of every variant of the song file."""
        return self._work(lambda now: plans_of(now, variants, progress=progress))

    def render(
        self,
        plan: Plan | None = None,
        *,
        rules: Sequence[str] | str | None = None,
        variant: str | None = None,
        engine: str = "auto",
        progress: Progress = silent,
    ) -> Rendition:
        """Re-pitch the notes that a plan moves; everything else stays as it is.

        Give exactly one of `plan`, `rules` and `variant`. The result holds the changed spans
        only; `write` writes whole stems and mixes.

        Raises
        ------
        InputError
            A rule or the engine's name cannot be used, or the song was changed since the plan
            was made.
        EngineError
            The engine cannot do this material or is not installed.
        """
        from retune.pipeline.renditions import render_plan

        one_of(plan=plan, rules=rules, variant=variant)

        def do(now: SongInputs) -> Rendition:
            made = plan or plan_of(now, rules=rules, variant=variant, progress=progress)
            return render_plan(now, made, engine=engine, progress=progress)

        return self._work(do)

    def render_control(
        self, plan: Plan, *, engine: str = "auto", progress: Progress = silent
    ) -> Rendition:
        """The matched control of a plan: the same spans moved out and back by the same engine."""
        from retune.pipeline.renditions import CONTROL, render_plan

        return self._work(
            lambda now: render_plan(now, plan, kind=CONTROL, engine=engine, progress=progress)
        )

    def compare(
        self,
        plan: Plan | Sequence[Plan] | None = None,
        *,
        rules: Sequence[str] | str | None = None,
        variant: str | None = None,
        variants: Sequence[str] | str | None = None,
        engine: str = "auto",
        control: bool = True,
        passage: Passage = WHOLE,
        audio_format: str = "opus",
        beside: str | Path | Song | OpenSong | None = None,
        out: str | Path | None = None,
        progress: Progress = silent,
    ) -> PageInput:
        """Original, variants and matched control, encoded at matched level: `retune.compare`."""
        from retune.pipeline.comparison_page import compare_versions, write_page

        other = None if beside is None else open_song(beside)

        def do(now: SongInputs) -> PageInput:
            page = compare_versions(
                now,
                plans=(plan,) if isinstance(plan, Plan) else plan,
                rules=rules,
                variants=_names(variant, variants),
                engine=engine,
                control=control,
                passage=passage,
                audio_format=audio_format,
                beside=other.inputs if other is not None else None,
                progress=progress,
            )
            if out is not None:
                write_page([page], [now], Path(out))
            return page

        return self._work(do)

    def write(
        self,
        plans: Plan | Sequence[Plan],
        *,
        out: str | Path,
        engine: str = "auto",
        subtype: str | None = None,
        control: bool | Sequence[str] = False,
        changed_only: bool = False,
        progress: Progress = silent,
    ) -> dict[str, Manifest]:
        """Render plans and write them as whole stems, mixes and manifests; see `write_versions`."""
        from retune.pipeline.rendition_files import write_versions

        return self._work(
            lambda now: write_versions(
                now,
                plans=(plans,) if isinstance(plans, Plan) else plans,
                out=out,
                engine=engine,
                subtype=subtype,
                control=control,
                changed_only=changed_only,
                progress=progress,
            )
        )

    def export(
        self,
        formats: Sequence[str],
        *,
        out: str | Path,
        variants: Sequence[str] | None = None,
        rules: Sequence[str] | None = None,
        choices: ExportOptions | None = None,
        progress: Progress = silent,
    ) -> Exported:
        """Write take-away files into folder `out`; see `export_files`."""
        from retune.pipeline.export_formats import export_files

        return self._work(
            lambda now: export_files(
                now,
                formats=formats,
                out=out,
                variants=variants,
                rules=rules,
                choices=choices,
                progress=progress,
            )
        )

    def endings(self, plan: Plan | None = None) -> tuple[PhraseEnding, ...]:
        """How each phrase of the melody ends, and what a plan makes of it."""
        return self._work(lambda now: phrase_endings(analysis_of(now), plan))

    def picture(self, plan: Plan | None = None, *, systems: int = 2) -> Picture:
        """The melody on lanes of scale degrees, and what a plan moves; a notebook shows it."""
        from retune.pipeline.displays import picture_of

        return self._work(lambda now: picture_of(analysis_of(now), plan, systems=systems))

    def play(
        self,
        what: Plan | Rendition | None = None,
        *,
        start: str | None = None,
        end: str | None = None,
        phrase: int | str | None = None,
    ) -> Sound:
        """The original, a plan or a rendition as sound, at matched level; a notebook plays it.

        `phrase` ("2" or "2-4"), or `start` and `end` ("12.5s" or "bar:beat"), say which part.
        """
        from retune.pipeline.displays import sound_of
        from retune.pipeline.renditions import render_plan

        span = (start, end, None if phrase is None else str(phrase))

        def do(now: SongInputs) -> Sound:
            made = render_plan(now, what) if isinstance(what, Plan) else what
            return sound_of(now, made, span)

        return self._work(do)

    def suggest(self, *, write: bool = False, progress: Progress = silent) -> Suggestions:
        """Contrasting variants worth hearing, ranked; `write` adds them to the song file."""
        from retune.pipeline.suggestions import suggest_for

        return self._work(lambda now: suggest_for(now, write=write, progress=progress))


Source = str | Path | Song | OpenSong


def open_song(
    source: Source, *, memory: Memory | None = None, **settings: Unpack[Options]
) -> OpenSong:
    """Open a song: a song file, or a bare recording and what is said of it.

    Parameters
    ----------
    source : path, Song or OpenSong
        An `OpenSong` comes back as it is, and takes no further settings.
    memory : Memory, optional
        Where results are kept while this process runs; for programs that open one song often.
    **settings
        tracker ("pyin", "librosa", "swift-f0" or "csv:FILE"), use_cache (True), and of a bare
        recording key, meter, tempo, downbeat, chords, phrases, guide, mix (whether it is a
        finished mix). start and end say which part of any song is worked on.

    Raises
    ------
    UsageError
        A setting that is not known (names the nearest), or that comes too late.
    InputError
        The song file or a stem cannot be used; names file, field and fix.
    """
    found = settings_of(settings)
    if isinstance(source, OpenSong):
        if settings:
            raise UsageError(
                f'"{next(iter(settings))}" comes too late for a song that is open: give it to open'
            )
        return source
    return OpenSong(source if isinstance(source, Song) else Path(source), found, memory=memory)


def _names(one: str | None, several: Sequence[str] | str | None) -> Sequence[str] | None:
    """Names of variants, however they were given."""
    if one is not None and several is not None:
        raise UsageError("give variant or variants, not both")
    given = one if one is not None else several
    return (given,) if isinstance(given, str) else given
