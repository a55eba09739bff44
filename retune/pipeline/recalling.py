"""What was heard and measured of a song, kept between runs and shared by processes.

Everything is addressed by what it was made from: the sound, the song file's facts and the code
that heard it. So an entry is never wrong, only missing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from retune import __version__
from retune.carriers.heard import Analysis
from retune.pipeline.facts import song_facts
from retune.pipeline.tracking import code_of
from retune.sound.cache import Cache, Value
from retune.sound.files import sha256_file

if TYPE_CHECKING:
    from retune.comparison.levels import Measured
    from retune.pipeline.song_analysis import OpenSong


def made_from(opened: OpenSong) -> dict[str, Any]:
    """All that what is heard in a song depends on, but for the code."""
    music = opened.song.music
    return {
        "retune": __version__,
        "song": song_facts(opened.song),
        "inputs": {name: opened.sha256(name) for name in opened.audio},
        "read": {
            path.name: sha256_file(path)
            for path in (music.chords_file, music.guide)
            if path is not None
        },
        "tracker": opened.tracker,
    }


def heard_once(opened: OpenSong, hear: Callable[[], Analysis]) -> Analysis:
    """The analysis of the same song heard by the same code, else what `hear` gives, then kept."""
    # A pitch track read from a file is not known by its content, so nothing made from it is kept.
    if not opened.use_cache or opened.tracker.startswith("csv:"):
        return hear()
    code = code_of(
        *(
            f"retune.{room}"
            for room in ("carriers", "theory", "sound", "song", "track", "analysis", "pipeline")
        )
    )
    return _once({"kept": "analysis", "code": code, **made_from(opened)}, Analysis, hear)


def measured_once(opened: OpenSong, measure: Callable[[], Measured]) -> Measured:
    """The loudness and peaks of the original mix, recalled or measured and then kept."""
    from retune.comparison.levels import Measured

    if not opened.use_cache:
        return measure()
    key = {
        "kept": "measure",
        "code": code_of("retune.carriers", "retune.sound", "retune.comparison", "retune.pipeline"),
        "stems": {
            name: [opened.sha256(name), stem.gain_db, stem.role]
            for name, stem in opened.song.stems.items()
        },
    }
    return _once(key, Measured, measure)


def _once(key: Mapping[str, Any], kind: type[Value], make: Callable[[], Value]) -> Value:
    cache = Cache()
    found = cache.get_value(key, kind)
    if found is None:
        found = make()
        cache.put_value(key, found)
    return found
