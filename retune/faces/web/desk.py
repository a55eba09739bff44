"""The song on the desk: opened, heard, changed, saved, and every change taken back again.

One desk serves all windows, so it is the one place that knows which text of the song file is the
newest. A change names the revision it was made on; when the file has moved on since, by another
window or another program, nothing is written and the caller is told.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Collection, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from threading import Lock, RLock, Thread

from retune.carriers.changes import Plan, Rendition
from retune.carriers.errors import ChangedError, InputError, RetuneError, UsageError
from retune.carriers.heard import Analysis
from retune.carriers.songfacts import Song, Variant
from retune.comparison.levels import MixLevels
from retune.faces.web.kept import MOST_DRAFTS, Drawer, Kept, drawers
from retune.pipeline.inputs import SongInputs, is_as_opened
from retune.pipeline.mix_levels import levels_of
from retune.pipeline.opensong import OpenSong, open_song
from retune.pipeline.pieces import Piece, pieces_of
from retune.pipeline.rule_lines import RuleLine, read_lines
from retune.pipeline.song_analysis import analysis_of, hear_again
from retune.pipeline.song_plan import plan_of
from retune.pipeline.stages import Memory
from retune.song.songfile import read_song
from retune.song.songsave import SongEditor, edit_song, revision_on_disk
from retune.sound.audio import AUDIO_SUFFIXES
from retune.sound.cache import Cache, default_folder

MAX_STEPS = 200  # changes that can be taken back
QUIET_S = 2.0
"""So long after the last correction its hearing is kept for the next run."""


class Desk:
    """A song file and what was heard in it. `path` None: nothing is open yet in `folder`. `part` is
    where the part begins and ends that is worked on.

    Whoever tells more than one thing of it (a revision and what it holds) does so `with desk.held`,
    so that no other window's change comes between.
    """

    def __init__(
        self,
        path: Path | None,
        *,
        folder: Path,
        use_cache: bool = True,
        part: tuple[str | None, str | None] = (None, None),
    ) -> None:
        self.path = path
        self.part = part
        self.folder = folder
        self.use_cache = use_cache
        self.progress: tuple[str, float] = ("", 0.0)
        self._lock = self.held = RLock()
        self._opened: OpenSong | None = None
        disk = Cache(default_folder()) if use_cache else None
        self._memory = Memory(disk, quiet_s=QUIET_S)
        self.rendering = Lock()
        self._past: deque[str] = deque(maxlen=MAX_STEPS)
        self._future: deque[str] = deque(maxlen=MAX_STEPS)
        self._revision = ""
        self._drafts: tuple[Variant, ...] = ()
        self._lost_since = ""
        self._drawer = self._drawer_of(path)

    def _drawer_of(self, path: Path | None) -> Drawer:
        is_kept = self.use_cache and path is not None
        return Drawer(path or Path(), folder=drawers() if is_kept else None)

    # --- what is open ------------------------------------------------------------------------

    def open(self, path: Path) -> None:
        """Put another song on the desk; its history begins anew."""
        with self._lock:
            self.path, self.folder = path, path.parent
            self._drawer, self._drafts, self._revision = self._drawer_of(path), (), ""
            self._past.clear()
            self._future.clear()
            self._forget()

    def shut(self) -> None:
        """Take the song off the desk again; nothing is open in its folder."""
        with self._lock:
            self.path = None
            self._drawer, self._revision = self._drawer_of(None), ""
            self._forget()

    def close(self) -> None:
        """Keep for the next run what waits to be kept."""
        self._memory.settle()

    def _forget(self) -> None:
        self._opened = None

    @property
    def opened(self) -> SongInputs:
        """The song, read when first asked for; stems and charts as they are now.

        Raises UsageError when no song is named.
        """
        with self._lock:
            if self.path is None:
                raise UsageError("no song is open: name the stems first")
            if self._opened is None:
                revision = revision_on_disk(self.path) if self.is_song_file else ""
                # The text on the desk stays until it is loaded anew, whatever becomes of the file.
                self._opened = self._open(read_song(self.path))
                self._take_up(revision)
            # Another take of a stem is not heard unasked: see `other_takes`.
            return self._opened.last if self._altered() else self._opened.inputs

    def _take_up(self, revision: str) -> None:
        """Go on from a text of the song file, with what was kept of it by an earlier run."""
        is_new = not self._revision
        self._revision = revision
        if not is_new:
            return
        kept = self._drawer.read() or Kept()
        self._drafts = kept.drafts
        if kept.revision == revision and self.is_song_file:
            self._past.extend(kept.past)
            self._future.extend(kept.future)

    def _keep(
        self, drafts: Sequence[Variant] = (), *, gone: Collection[str] = (), is_step: bool = True
    ) -> str:
        """Keep what is not saved and, after a step, what can be taken back: of another server that
        went on with the song meanwhile these stay."""

        def made(there: Kept | None) -> Kept:
            there = None if self._lost_since else there
            self._drafts = _drafts(there.drafts if there else self._drafts, drafts, gone)
            if there and there.revision and not is_step:
                return replace(there, drafts=self._drafts)
            return Kept(self._revision, tuple(self._past), tuple(self._future), self._drafts)

        self._lost_since = self._drawer.change(made)
        return self._lost_since

    @property
    def ident(self) -> str:
        """What a browser keeps of this song is kept under."""
        return self._drawer.ident

    @property
    def drafts(self) -> tuple[Variant, ...]:
        """Variants as they stood on the page when it told last, not saved."""
        return self._drafts

    def keep_drafts(self, drafts: Sequence[Variant], *, gone: Collection[str] = ()) -> str:
        """Keep rules that are not saved, for a page or a server that comes after this one, and no
        longer those that are `gone`; what another window has not saved stays. Returns why only as
        long as this server runs, "" where nothing hinders."""
        with self._lock:
            return self._keep(drafts, gone=gone, is_step=False)

    @property
    def other_takes(self) -> tuple[str, ...]:
        """File names of stems that are not the ones that were opened any more. Does not wait for
        the lock."""
        return tuple(path.name for path in self._altered() if path.exists())

    @property
    def missing_stems(self) -> tuple[str, ...]:
        """File names of stems that are not where they were opened. Does not wait for the lock."""
        return tuple(path.name for path in self._altered() if not path.exists())

    def _altered(self) -> tuple[Path, ...]:
        opened = self._opened
        if opened is None:
            return ()
        audio = opened.last.audio.values()
        return tuple(dict.fromkeys(a.path for a in audio if not is_as_opened(a)))

    @property
    def handle(self) -> OpenSong:
        """The opened song, for work that goes on while other windows change the desk."""
        with self._lock:
            _ = self.opened
            assert self._opened is not None
            return self._opened

    def _open(self, song: Song) -> OpenSong:
        start, end = self.part
        return open_song(song, use_cache=self.use_cache, memory=self._memory, start=start, end=end)

    @property
    def analysis(self) -> Analysis:
        """What was heard; heard when first asked for."""
        with self._lock:
            return analysis_of(self.opened, progress=self._tell)

    def _tell(self, stage: str, fraction: float) -> None:
        self.progress = (stage, fraction)

    @property
    def revision(self) -> str:
        """Names the text of the song file that is on the desk."""
        return self._revision

    @property
    def is_song_file(self) -> bool:
        """Whether there is a file to save to (a bare recording has none)."""
        opened = self._opened
        if opened is not None:
            song = opened.last.song
            return all(stem.path != song.path for stem in song.stems.values())
        return self.path is not None and self.path.suffix.lower() not in AUDIO_SUFFIXES

    @property
    def changed_outside(self) -> bool:
        """Whether the file on disk is no longer the one on the desk. Does not wait for the lock,
        so that it can be asked while the song is being heard."""
        path, seen = self.path, self._revision
        is_read = self._opened is not None and path is not None and self.is_song_file
        return is_read and path is not None and revision_on_disk(path) != seen

    @property
    def steps(self) -> tuple[int, int]:
        """How many changes can be undone and redone."""
        return len(self._past), len(self._future)

    # --- rules -------------------------------------------------------------------------------

    def take_of(self, stem: str) -> str:
        """SHA-256 of the file that a stem, or a part inside a mix, is heard in; "" for none."""
        inputs = self.opened
        return inputs.sha256(inputs.home_of(stem)) if stem in inputs.parts else ""

    def read(self, rules: Sequence[str]) -> tuple[RuleLine, ...]:
        return read_lines(rules, roles={n: s.role for n, s in self.opened.parts.items()})

    def plan(self, rules: Sequence[str], *, name: str = "rules") -> Plan:
        """The plan of the lines that read; the others are left out."""
        readable = tuple(rule for line in self.read(rules) for rule in line.rules)
        with self._lock:
            return replace(plan_of(self.opened, rules=readable), name=name)

    def pieces(
        self,
        plan: Plan,
        *,
        kind: str = "variant",
        from_s: float = 0.0,
        budget_s: float = math.inf,
    ) -> tuple[tuple[Piece, ...], bool]:
        """Changed sound of a plan, and whether it is all of it; see `pieces_of`."""
        return pieces_of(self.opened, plan, kind=kind, from_s=from_s, budget_s=budget_s)

    def levels(self, rendition: Rendition | None = None) -> MixLevels:
        """The level of the original mix or of a version; the original is measured once."""
        return levels_of(self.opened, rendition)

    def warm(self) -> None:
        """Do once, in a thread of its own, what would make the first rule or correction wait."""
        Thread(target=self._warm, daemon=True).start()

    def _warm(self) -> None:
        with suppress(RetuneError):
            melody = self.analysis.melody
            if melody is not None and melody.notes:
                first = f"shift note at {melody.notes[0].start_s + 0.01:.2f}s up 1 semitone"
                self.pieces(self.plan([first]))
            self.levels()
            hear_again(self.opened)

    # --- changes -----------------------------------------------------------------------------

    def change(self, do: Callable[[SongEditor], None], *, seen: str) -> None:
        """Change the song file and save it whole.

        Parameters
        ----------
        do : callable
            Makes the change on an editor.
        seen : str
            The revision the change was made on.

        Raises
        ------
        ChangedError
            The file is not at `seen` any more; nothing is written.
        InputError
            The change makes no valid song file, or one that cannot be heard; nothing is written.
        """
        with self._lock:
            before = self._save(do, seen=seen)
            self._past.append(before)
            self._future.clear()
            self._keep()

    def _save(self, do: Callable[[SongEditor], None], *, seen: str) -> str:
        if not self.is_song_file or self.path is None:
            raise UsageError("a bare recording has no song file: make one under New song")
        _ = self.opened
        if self.missing_stems:
            raise InputError(f"{self.missing_stems[0]} is missing; put it back into its folder")
        if self.other_takes:
            raise ChangedError(f"{self.other_takes[0]} is another take now: load it first")
        if seen != self._revision:
            raise ChangedError(f"{self.path.name} was changed in another window: load it first")
        if revision_on_disk(self.path) != self._revision:
            raise self._changed()
        editor = edit_song(self.path)
        if editor.revision != self._revision:
            raise self._changed()
        before = editor.text()
        do(editor)
        opened = self._heard(editor.checked())
        try:
            editor.save()
        except ChangedError as error:
            raise self._changed() from error
        self._revision = editor.revision
        self._opened = opened
        return before

    def _changed(self) -> ChangedError:
        assert self.path is not None
        return ChangedError(f"{self.path.name} was changed by another program: load it first")

    def _heard(self, song: Song) -> OpenSong:
        """The changed song, opened and heard: one that cannot be heard is not to be saved."""
        opened = self._open(song)
        opened.analyze(progress=self._tell)
        return opened

    def undo(self, *, seen: str) -> None:
        """Take the last change back. Raises UsageError when there is none."""
        self._step(self._past, self._future, "undo", seen)

    def redo(self, *, seen: str) -> None:
        """Make the change again that was taken back last."""
        self._step(self._future, self._past, "redo", seen)

    def _step(self, source: deque[str], other: deque[str], word: str, seen: str) -> None:
        with self._lock:
            if not source:
                raise UsageError(f"there is nothing to {word}")
            text = source[-1]
            other.append(self._save(lambda e: e.set_text(text), seen=seen))
            source.pop()
            self._keep()

    def reload(self) -> None:
        """Take the song file as it is on disk now. Changes from before it was changed elsewhere
        can no longer be taken back: that would take back the other's too."""
        with self._lock:
            if self.changed_outside:
                self._past.clear()
                self._future.clear()
            self._forget()
            _ = self.opened


def _drafts(
    there: Sequence[Variant], drafts: Sequence[Variant], gone: Collection[str]
) -> tuple[Variant, ...]:
    """What is not saved, another window's and another server's of the same song too, with `drafts`
    in the place of those of their names and without those `gone`."""
    others = {*gone, *(draft.name for draft in drafts)}
    found = (*(draft for draft in there if draft.name not in others), *drafts)
    if len(found) > MOST_DRAFTS:
        raise UsageError(f"{len(found)} variants are not saved; at most {MOST_DRAFTS} are kept")
    return found
