"""Sound inside a slide: a picture of a triangle that plays it when it is clicked.

The library embeds films alone; a sound is the same but for the kind of one relation and of three
elements (ISO/IEC 29500-1, 19.3.2 and 20.1.3.2).
"""

from __future__ import annotations

import io
from functools import lru_cache
from typing import Any

from retune.carriers.text import for_xml
from retune.comparison.exports.material import need

_RELATIONS = "http://schemas.openxmlformats.org/officeDocument/2006/relationships/"
_SIZE = 96  # px of the sign


def add_sound(slide: Any, sound: bytes, *, box: tuple[int, ...], name: str, ink: str) -> None:
    """Put a sound file (MP3) on a slide of python-pptx, its sign in `box` (EMU) in that ink."""
    sign = io.BytesIO(_sign(ink))
    film = slide.shapes.add_movie(
        io.BytesIO(sound), *box, poster_frame_image=sign, mime_type="audio/mpeg"
    )
    film.name = for_xml(f"Sound of {name}")
    element = film._element
    element.nvPicPr.cNvPr.set("descr", for_xml(f"Plays {name}"))
    named = need("pptx.oxml.ns", extra="slides").qn
    (file,) = element.iter(named("a:videoFile"))
    file.tag = named("a:audioFile")
    as_film = file.get(named("r:link"))
    part = slide.part.related_part(as_film)
    # The library gives what is no film the ending ".vid".
    uri = need("pptx.opc.packuri", extra="slides").PackURI
    part.partname = uri(f"{str(part.partname).rpartition('.')[0]}.mp3")
    file.set(named("r:link"), slide.part.relate_to(part, f"{_RELATIONS}audio"))
    slide.part.rels.pop(as_film)
    for node in list(slide._element.iter(named("p:video"))):
        node.tag = named("p:audio")


@lru_cache(maxsize=4)
def _sign(ink: str) -> bytes:
    """A triangle that points to the right, as PNG."""
    image, draw = need("PIL.Image", extra="slides"), need("PIL.ImageDraw", extra="slides")
    drawn = image.new("RGB", (_SIZE, _SIZE), "#ffffff")
    pen = draw.Draw(drawn)
    pen.rectangle((2, 2, _SIZE - 3, _SIZE - 3), outline=ink, width=5)
    pen.polygon([(30, 22), (30, _SIZE - 22), (_SIZE - 20, _SIZE // 2)], fill=ink)
    out = io.BytesIO()
    drawn.save(out, "PNG")
    return out.getvalue()
