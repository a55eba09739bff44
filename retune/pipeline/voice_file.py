"""The voice of a finished mix as a sound file, to be heard and to stand for it in a song file."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from retune import __version__
from retune.carriers.errors import UsageError
from retune.carriers.heard import Samples
from retune.pipeline.inputs import Progress, SongInputs, silent
from retune.pipeline.mix_voice import estimated_voice
from retune.sound.audio import blocks_of, write_wav
from retune.sound.audiohead import common_time_reference
from retune.sound.folders import named_file
from retune.sound.made_files import refuse_other_file


@dataclass(frozen=True)
class BySeparator:
    """A separator that the user installed; see `retune.separate.separator.demucs_part`."""

    model: str
    models: Path | None = None


@dataclass(frozen=True)
class VoiceFile:
    """Where the voice of the stem `stem` was written."""

    path: Path
    stem: str


def write_voice(
    opened: SongInputs,
    *,
    out: str | Path,
    by: BySeparator | None = None,
    progress: Progress = silent,
) -> VoiceFile:
    """Write the voice of the song's finished mix, as long as the mix and on its clock.

    Parameters
    ----------
    opened : SongInputs
        An open song with one stem of role "mix".
    out : path
        The WAV file (32-bit float) to write; never over a file that retune did not make.
    by : BySeparator, optional
        Without it, the networks that come with retune.

    Raises
    ------
    UsageError
        There is no mix or more than one, or the separator cannot be used.
    OutputError
        The file cannot be written.
    """
    name = _mix_of(opened)
    path = named_file(out)
    refuse_other_file(path)
    mix, song = opened.audio[name].entire, opened.song
    words = (
        f"voice estimated from a finished mix ({name}) by {by.model if by else 'retune'}; "
        "not a recording of its own"
    )
    write_wav(
        path,
        _told(_blocks(opened, name, by), mix.n_samples, progress),
        rate_hz=mix.rate_hz,
        n_channels=mix.n_channels,
        subtype="FLOAT",
        description=words[:256],
        info={
            "INAM": f"{song.title}: voice",
            "ICOP": song.rights,
            "ICMT": words,
            "ISFT": f"retune {__version__}",
        },
        time_reference=common_time_reference([song.stems[name].path]),
        protect=song.inputs,
        look_again=lambda: refuse_other_file(path),
    )
    return VoiceFile(path, name)


def _mix_of(opened: SongInputs) -> str:
    mixes = [name for name, stem in opened.song.stems.items() if stem.role == "mix"]
    if len(mixes) != 1:
        found = f"{len(mixes)} stems" if mixes else "no stem"
        raise UsageError(
            f'{opened.song.path.name} has {found} of role "mix"; '
            "the voice is that of one finished mix"
        )
    return mixes[0]


def _blocks(opened: SongInputs, name: str, by: BySeparator | None) -> Iterable[Samples]:
    if by is None:
        return blocks_of(estimated_voice(opened, name))
    from retune.separate.separator import demucs_part, parted

    return parted(opened.audio[name].entire, demucs_part(by.model, models=by.models))


def _told(blocks: Iterable[Samples], n_samples: int, progress: Progress) -> Iterator[Samples]:
    done = 0
    progress("parting the voice", 0.0)
    for block in blocks:
        yield block
        done += len(block)
        progress("parting the voice", min(done / max(n_samples, 1), 1.0))
