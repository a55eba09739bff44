"""Take-away files that sound: stems for a DAW, and films."""

from __future__ import annotations

import functools
import itertools
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np

from retune import __version__
from retune.carriers.changes import Plan, Rendition, StemRendition
from retune.carriers.errors import UsageError
from retune.carriers.heard import AudioLike, Samples
from retune.comparison.encode import mp3_bytes
from retune.comparison.exports.film import Scene, write_film
from retune.comparison.exports.material import ORIGINAL, label
from retune.comparison.mix import Mix, passage
from retune.pipeline.export_job import Job
from retune.pipeline.mix_levels import levelled_together
from retune.pipeline.passages import find_passage
from retune.pipeline.renditions import render_plan
from retune.song.limits import MAX_FILM_VERSIONS, check_count
from retune.sound.audio import blocks_of, default_subtype, write_wav
from retune.sound.audiohead import common_time_reference
from retune.sound.folders import make_folder
from retune.sound.made_files import made_file, refuse_other_file
from retune.sound.remembered import remember

_BLOCK = 1 << 18
_FADE_S = 0.03
_LONGEST_CLIP_S = 600.0


def rendition_of(job: Job, plan: Plan) -> Rendition:
    """The rendition of a plan, made once a job."""
    if plan.name not in job.made:
        job.made[plan.name] = render_plan(job.opened, plan, engine=job.options.engine)
    return job.made[plan.name]


# --- stems -----------------------------------------------------------------------------------


def stem_files(job: Job) -> Iterator[Path]:
    """Every stem as sung and as each variant has it: 24 bits, one start, one length, names that
    sort by stem and then by version. A stem that a variant leaves alone is not written again.
    """
    folder = job.place("-stems")
    make_folder(folder)
    width = max(len(str(len(job.opened.song.stems))), 2)
    for number, name in enumerate(job.opened.song.stems, 1):
        for place, (version, plan) in enumerate(job.material.versions):
            changed = rendition_of(job, plan).stems.get(name) if plan is not None else None
            if plan is not None and (changed is None or not changed.patches):
                continue
            path = folder / f"{number:0{width}}-{name}-{place}-{version}.wav"
            refuse_other_file(path, song=job.opened.song.path)
            _write_stem(job, name, path, plan, changed)
            remember(path, song=job.opened.song.path)
            yield path


def _write_stem(
    job: Job, name: str, path: Path, plan: Plan | None, changed: StemRendition | None
) -> None:
    audio, song = job.opened.audio[name], job.opened.song
    words = f"{label(plan)} (stem {name})"
    own = default_subtype(audio)
    subtype = own if own != "FLOAT" else "PCM_24"
    n_over = write_wav(
        path,
        _padded(audio, changed, job.opened.n_samples),
        rate_hz=audio.rate_hz,
        n_channels=audio.n_channels,
        subtype=subtype,
        description=words,
        info={
            "INAM": f"{song.title}: {name}",
            "ICOP": song.rights,
            "ICMT": words,
            "ISFT": f"retune {__version__}",
        },
        time_reference=common_time_reference(stem.path for stem in song.stems.values()),
        protect=job.opened.files,
        look_again=lambda: refuse_other_file(path, song=song.path),
    )
    if n_over:
        job.warnings.append(
            f"{path.name}: {n_over} samples were over full scale and are clipped in {subtype[4:]} "
            "bits; render keeps them as FLOAT"
        )


def _padded(audio: AudioLike, changed: StemRendition | None, n_samples: int) -> Iterator[Samples]:
    """A stem in blocks, changed spans in place, with silence up to the longest stem's end."""
    if changed is None:
        yield from blocks_of(audio)
    else:
        for start in range(0, audio.n_samples, _BLOCK):
            yield changed.apply(audio, start, min(start + _BLOCK, audio.n_samples))
    left = n_samples - audio.n_samples
    while left > 0:
        size = min(left, _BLOCK)
        yield np.zeros((size, audio.n_channels), np.float32)
        left -= size


def _mixes(job: Job, names: Sequence[str]) -> dict[str, Mix]:
    """The versions of those names, of one loudness."""
    plans = dict(job.material.versions)
    wanted = {name: plans[name] for name in dict.fromkeys(names)}
    return levelled_together(
        job.opened, {name: rendition_of(job, p) if p else None for name, p in wanted.items()}
    )


# --- slides ----------------------------------------------------------------------------------


def clips(job: Job) -> Callable[[str, tuple[float, float] | None], bytes | None]:
    """The sound for slides: spans of each version at the loudness of the original, as MP3; the
    whole of a song only where it is not long."""
    mixes = _mixes(job, [name for name, _ in job.material.versions])

    @functools.cache  # the whole of a version stands on several slides
    def clip(name: str, span_s: tuple[float, float] | None) -> bytes | None:
        mix = mixes[name]
        first_s, last_s = span_s or (0.0, mix.n_samples / mix.rate_hz)
        if last_s - first_s > _LONGEST_CLIP_S:
            return None
        sound = passage(mix, start_s=first_s, end_s=last_s, fade_s=_FADE_S)
        return mp3_bytes(sound, mix.rate_hz)

    return clip


# --- films -----------------------------------------------------------------------------------


def film_files(job: Job) -> Iterator[Path]:
    """One film of the versions named in the options; by default one a variant: original,
    variant, original."""
    if job.options.film:
        orders = [job.options.film]
    elif job.material.plans:
        orders = [(ORIGINAL, plan.name, ORIGINAL) for plan in job.material.plans]
    else:
        orders = [(ORIGINAL,)]
    span_s = find_passage(job.material.analysis, *job.options.passage)
    for order in orders:
        path = job.place(f"-{'-'.join(_short(order))}.mp4")
        refuse_other_file(path, song=job.opened.song.path)
        scenes = _scenes(job, order, span_s)
        with made_file(path, song=job.opened.song.path) as stream:
            write_film(
                stream,
                material=job.material,
                scenes=scenes,
                span_s=span_s,
                rate_hz=job.opened.rate_hz,
                progress=job.progress,
            )
        yield path


def _short(order: Sequence[str]) -> list[str]:
    """A version that comes back is not named twice in the file's name."""
    return list(dict.fromkeys(order)) if len(order) > 1 else list(order)


def check_film(job: Job) -> None:
    """Refuse a film of versions or of a passage that are not there, or of too many. Raises
    UsageError."""
    versions = dict(job.material.versions)
    count = len(job.options.film)
    check_count(count, MAX_FILM_VERSIONS, "versions", where="--film", error=UsageError)
    for name in job.options.film:
        if name not in versions:
            raise UsageError(f'--film: no version "{name}"; there are {", ".join(versions)}')
    find_passage(job.material.analysis, *job.options.passage)


def _scenes(job: Job, order: Sequence[str], span_s: tuple[float, float]) -> list[Scene]:
    versions = dict(job.material.versions)
    sounds = {
        name: passage(mix, start_s=span_s[0], end_s=span_s[1], fade_s=_FADE_S)
        for name, mix in _mixes(job, order).items()
    }
    counted = itertools.count(1)
    return [
        Scene(
            name=name,
            plan=versions[name],
            sound=sounds[name],
            place=f"{next(counted)} of {len(order)}" if len(order) > 1 else "",
        )
        for name in order
    ]
