"""A long span moved block by block: memory follows the block, not the span.

An engine that moves a whole passage by one number starts anew in each block. Blocks overlap, and
where they are most alike the one goes over into the next (`joins`). The result lies in a nameless
temporary file, which is gone when nobody holds the patch any more.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable, Iterator

import numpy as np

from retune.carriers.changes import Edit, Patch
from retune.carriers.errors import OutputError
from retune.carriers.heard import AudioLike, FloatArray, Samples
from retune.repitch.glide import smooth_step
from retune.repitch.joins import LEAST, gone_over, most_alike
from retune.repitch.passages import CUT_FADE_S, Group, span_bounds
from retune.repitch.pitch import frame_count
from retune.repitch.seam import Engine, Passage

BLOCK_S, OVERLAP_S, JOIN_S = 12.0, 3.0, 1.0

Shift = Callable[[Engine, Passage], Samples]


def is_long(group: Group, *, engine: Engine, rate_hz: int) -> bool:
    """True for one span of more than two blocks that an engine moves by one number."""
    moves_whole = not (engine.follows or engine.needs_pitch or engine.judge)
    lone = len(group.edits) == 1 and group.edits[0].note is None
    return moves_whole and lone and group.stop - group.start > 2 * BLOCK_S * rate_hz


def long_patch(edit: Edit, *, audio: AudioLike, engine: Engine, shift: Shift) -> Patch:
    """The new samples of a long span, kept on disk.

    Raises
    ------
    OutputError
        The folder for temporary files has no room for them.
    """
    start, stop = span_bounds([edit], audio=audio)[0]
    moved = moved_in_blocks(
        audio, start=start, stop=stop, cents=edit.shift_cents, engine=engine, shift=shift
    )
    return Patch(start, _on_disk(_faded(moved, audio, start, stop), audio.n_channels))


def moved_in_blocks(
    audio: AudioLike, *, start: int, stop: int, cents: float, engine: Engine, shift: Shift
) -> Iterator[Samples]:
    """[start, stop) of `audio` moved by `cents`, piece by piece in order."""
    rate = audio.rate_hz
    block, overlap = round(BLOCK_S * rate), round(OVERLAP_S * rate)
    join = max(round(JOIN_S * rate), LEAST)
    context = round(engine.context_s * rate)

    def run(begin: int, end: int) -> Samples:
        first, last = max(begin - context, 0), min(end + context, audio.n_samples)
        samples = audio.read(first, last)
        n_frames = frame_count(len(samples), rate)
        level = np.full(n_frames, cents)
        passage = Passage(samples, rate, np.full(n_frames, np.nan), level, steady=True)
        return shift(engine, passage)[begin - first : end - first]

    at, kept = start, None
    while at < stop:
        end = at + block if stop - at >= 2 * block else stop
        new = run(at, min(end + overlap, stop))
        done = 0
        if kept is not None:
            place = most_alike(kept, new[: len(kept)], join)
            done = place + join
            yield kept[:place]
            yield gone_over(kept[place:done], new[place:done])
        yield new[done : end - at]
        at, kept = end, new[end - at :]


def _faded(moved: Iterable[Samples], audio: AudioLike, start: int, stop: int) -> Iterator[Samples]:
    """Crossfaded with what was there at both ends, where these are not the ends of the file."""
    fade, at = max(round(CUT_FADE_S * audio.rate_hz), 1), start
    for new in moved:
        here = np.arange(at, at + len(new)) + 0.5
        weight: FloatArray = np.ones(len(new))
        if start > 0:
            weight *= smooth_step((here - start) / fade)
        if stop < audio.n_samples:
            weight *= smooth_step((stop - here) / fade)
        old = audio.read(at, at + len(new))
        yield (old + weight[:, None] * (new - old)).astype(np.float32)
        at += len(new)


def _on_disk(pieces: Iterable[Samples], n_channels: int) -> Samples:
    with tempfile.TemporaryFile(prefix="retune-") as file:
        try:
            for piece in pieces:
                file.write(np.ascontiguousarray(piece, dtype=np.float32).tobytes())
            file.flush()
        except OSError as error:
            raise OutputError(
                f"{tempfile.gettempdir()}: no room for a long span that is moved ({error}); free "
                "some space or point TMPDIR at another folder"
            ) from error
        flat = np.memmap(file, dtype=np.float32, mode="r")
    return flat.reshape(-1, n_channels)
