"""What the export formats share: the song, the choices, and where files may go."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from retune.carriers.changes import Rendition
from retune.comparison.exports.material import Material
from retune.pipeline.inputs import Progress, SongInputs, silent
from retune.sound.files import refuse_inputs
from retune.sound.folders import make_folder


@dataclass(frozen=True)
class ExportOptions:
    """What a user may choose about single formats.

    `resolution` is the grid of the score to a whole note; `bend` adds pitch bend to MIDI;
    `film` names the versions that a film plays in turn (by default original, variant,
    original); `passage` cuts the film: from, to, phrase.
    """

    resolution: int = 16
    bend: bool = False
    film: tuple[str, ...] = ()
    passage: tuple[str | None, str | None, str | None] = (None, None, None)
    engine: str = "auto"


@dataclass(frozen=True, eq=False)
class Job:
    """Everything a format needs to make its files in `folder`."""

    opened: SongInputs
    material: Material
    options: ExportOptions
    folder: Path
    progress: Progress = silent
    warnings: list[str] = field(default_factory=list)
    made: dict[str, Rendition] = field(default_factory=dict)

    def place(self, end: str) -> Path:
        """Where a file goes whose name ends so.

        Raises
        ------
        UsageError
            It would fall on an input.
        OutputError
            The folder cannot be made.
        """
        path = self.folder / f"{self.material.stem_of_files}{end}"
        refuse_inputs(path, self.opened.files)
        make_folder(self.folder)
        return path
