"""Draw the README's picture and film its phrase anew: `python tests/docs/renew_pictures.py`.

To be run when a picture of the song looks otherwise; needs the `video` extra.
"""

from __future__ import annotations

import io
import sys
import tempfile
from pathlib import Path

import retune
from retune.comparison.picture import View, lane_svg
from retune.pipeline.export_job import ExportOptions

DOCS = Path(retune.__file__).parent / "docs"
PICTURE = DOCS / "lantern.svg"
FILM = Path(retune.__file__).parent.parent / ".github" / "lantern.webp"
BARS = (4, 16)  # phrases 2 to 4: both endings that move
WIDTH, FONT = 1000.0, 16.0
FILM_WIDTH, FILM_FPS = 720, 5


def picture() -> str:
    """The picture of the README as the program draws it now."""
    with tempfile.TemporaryDirectory() as folder:
        song = retune.open(retune.write_demo(folder))
        plan = song.plan(variant="home-early")
        return lane_svg(song.analysis, plan, View(bars=BARS, width=WIDTH, font=FONT))


def film() -> bytes:
    """The film of phrase 2, as sung and as moved, as moving pictures without sound (WebP)."""
    import av
    from PIL import Image

    with tempfile.TemporaryDirectory() as folder:
        song = retune.open(retune.write_demo(folder))
        choices = ExportOptions(film=("original", "home-early"), passage=(None, None, "2"))
        out = Path(folder) / "film"
        made = song.export(["mp4"], out=out, variants=["home-early"], choices=choices)
        frames = []
        with av.open(str(made.paths[0])) as video:
            rate = float(video.streams.video[0].average_rate or 30)
            for number, frame in enumerate(video.decode(video=0)):
                if number % round(rate / FILM_FPS) == 0:
                    image = frame.to_image()
                    size = (FILM_WIDTH, round(image.height * FILM_WIDTH / image.width))
                    frames.append(image.resize(size, Image.Resampling.LANCZOS))
    stream = io.BytesIO()
    options = {"duration": round(1000 / FILM_FPS), "loop": 0, "quality": 50, "method": 6}
    frames[0].save(stream, "WEBP", save_all=True, append_images=frames[1:], **options)
    return stream.getvalue()


if __name__ == "__main__":
    PICTURE.write_text(picture(), encoding="utf-8")
    FILM.write_bytes(film())
    for path in (PICTURE, FILM):
        sys.stdout.write(f"{path.name}: {path.stat().st_size / 1000:.0f} kB\n")
