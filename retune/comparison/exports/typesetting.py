"""PDF and PNG by Typst (a typesetter in a wheel, no system package), in the project's own face.

The templates lie in `typ/` and hold no words of a song: those come as data, so that nothing a
user writes is ever taken for markup. Equal input gives equal bytes.
"""

from __future__ import annotations

import json
import struct
import tempfile
import zlib
from collections.abc import Mapping
from importlib import resources
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Literal

from retune.carriers.errors import OutputError
from retune.comparison.exports.foreign_text import is_foreign, lifted
from retune.comparison.exports.material import need
from retune.comparison.svg import size_of

HERE = resources.files("retune.comparison.exports")
_PNG_HEAD = b"\x89PNG\r\n\x1a\n"


def typeset(
    template: str,
    data: Mapping[str, Any],
    *,
    svgs: Mapping[str, str],
    fmt: Literal["pdf", "png"] = "pdf",
    ppi: float = 144.0,
) -> bytes:
    """A document from `typ/<template>.typ`, which reads `data` and the pictures `svgs`.

    Raises
    ------
    UsageError
        Typst is not installed.
    OutputError
        The document could not be set.
    """
    typst = need("typst", extra="exports")
    drawn = {file: lifted(text) for file, text in svgs.items()}
    lifts = {file: _lift(svg, taken) for file, (svg, taken) in drawn.items() if taken}
    words = json.dumps({**data, "lifted": lifts}, ensure_ascii=False, allow_nan=False)
    with tempfile.TemporaryDirectory(prefix="retune-") as name, resources.as_file(HERE) as here:
        folder = Path(name)
        for source in (here / "typ").glob("*.typ"):
            (folder / source.name).write_bytes(source.read_bytes())
        (folder / "data.json").write_text(words, encoding="utf-8")
        for file, (svg, _) in drawn.items():
            (folder / file).write_text(svg, encoding="utf-8")
        options: dict[str, Any] = {"ppi": ppi} if fmt == "png" else {}
        try:
            made = typst.compile(
                folder / f"{template}.typ",
                root=folder,
                font_paths=[here / "fonts"],
                # Another script than Latin needs a font of this machine.
                ignore_system_fonts=not is_foreign(words),
                format=fmt,
                **options,
            )
        except BaseException as error:
            # A fault of Typst's own is no Exception to Python: pyo3_runtime.PanicException.
            if not isinstance(error, RuntimeError) and type(error).__name__ != "PanicException":
                raise
            line = " ".join(str(error).split())[:300]
            raise OutputError(f"the {template} could not be typeset: {line}") from error
    return bytes(made)


def without_a_font(words: str) -> str:
    """The letters of `words`, each once, that no font here draws: they become boxes."""
    foreign = "".join(dict.fromkeys(char for char in words if is_foreign(char)))
    if not foreign or find_spec("typst") is None:
        return ""
    typst = need("typst", extra="exports")
    with tempfile.TemporaryDirectory(prefix="retune-") as name, resources.as_file(HERE) as here:
        asked = Path(name) / "missing.typ"
        asked.write_bytes((here / "typ" / "missing.typ").read_bytes())
        (Path(name) / "data.json").write_text(json.dumps({"letters": [*foreign]}))
        found = typst.query(
            asked, "<missing>", field="value", one=True, font_paths=[here / "fonts"]
        )
    return "".join(json.loads(found))


def _lift(svg: str, taken: list[dict[str, Any]]) -> dict[str, Any]:
    """The texts that Typst sets over a picture, and the picture's size."""
    width, height = size_of(svg)
    return {"width": width, "height": height, "texts": taken}


def png_with_text(png: bytes, facts: Mapping[str, str]) -> bytes:
    """A PNG file with international text chunks (iTXt) after its header.

    Keywords are those of the PNG specification ("Title", "Software", "Copyright" ...).
    """
    end = len(_PNG_HEAD) + 25  # the header chunk is 13 bytes and its 12 of frame
    chunks = b"".join(
        _chunk(b"iTXt", key.encode("latin-1") + b"\0\0\0\0\0" + text.encode("utf-8"))
        for key, text in facts.items()
        if text
    )
    return png[:end] + chunks + png[end:]


def _chunk(name: bytes, content: bytes) -> bytes:
    checked = name + content
    return struct.pack(">I", len(content)) + checked + struct.pack(">I", zlib.crc32(checked))
