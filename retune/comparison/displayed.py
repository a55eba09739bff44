"""Pictures and sounds as values: a notebook shows and plays them, a script writes them."""

from __future__ import annotations

from base64 import b64encode
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path

from retune import __version__
from retune.carriers.text import file_stem
from retune.comparison.html import filled
from retune.sound.files import sha256_file
from retune.sound.folders import named_file
from retune.sound.made_files import has_mark, made_file

_SUFFIXES = {"audio/ogg": ".opus", "audio/flac": ".flac"}


@dataclass(frozen=True)
class Picture:
    """A drawing as an SVG document; a notebook shows it. `write` puts it into a file."""

    svg: str = field(repr=False)
    name: str = "picture"

    def __repr__(self) -> str:
        return f"<Picture of {self.name}: SVG, {len(self.svg) / 1000:.0f} kB>"

    def _repr_svg_(self) -> str:
        return self.svg

    def write(self, path: str | Path) -> Path:
        """Write it as an SVG file; returns where. Raises OutputError, and UsageError where a file
        is that retune did not make, or that was changed since."""
        return _written(f"{self.svg}<!-- retune {__version__} -->\n".encode(), Path(path))


@dataclass(frozen=True)
class Sound:
    """A coded sound of type `mime`; a notebook plays it. `write` puts it into a file."""

    data: bytes = field(repr=False)
    mime: str
    name: str = "original"

    def __repr__(self) -> str:
        return f"<Sound of {self.name}: {self.mime}, {len(self.data) / 1000:.0f} kB>"

    @property
    def file_name(self) -> str:
        """A name for a file of it."""
        suffix = _SUFFIXES.get(self.mime.partition(";")[0], ".sound")
        return file_stem(self.name, fallback="sound") + suffix

    def _repr_html_(self) -> str:
        data = b64encode(self.data).decode("ascii")
        return filled("sound.html", name=self.name, mime=self.mime, data=data)

    def write(self, path: str | Path) -> Path:
        """Write the coded sound as it is; returns where. Raises OutputError, and UsageError where
        a file is that retune did not make, or that was changed since."""
        return _written(self.data, Path(path))


def _written(data: bytes, path: Path) -> Path:
    def is_ours(path: Path) -> bool:
        return has_mark(path) or sha256_file(path) == sha256(data).hexdigest()

    with made_file(named_file(path), is_ours=is_ours) as stream:
        stream.write(data)
    return path
