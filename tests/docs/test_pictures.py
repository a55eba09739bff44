"""The README's picture is what the program draws now."""

from __future__ import annotations

import re

import pytest
import reliability
from renew_pictures import FILM, PICTURE, picture

if not FILM.is_file():
    pytest.skip("an installation has no film", allow_module_level=True)


def words(svg: str) -> list[tuple[str, str]]:
    return re.findall(r">([^<>]+)</text>|>([^<>]+)</tspan>", svg.split("</style>")[-1])


def test_the_readme_shows_what_the_program_draws() -> None:
    shown = PICTURE.read_text(encoding="utf-8")
    assert words(shown) == words(picture()), "run: python tests/docs/renew_pictures.py"
    assert any("still open" in part for pair in words(shown) for part in pair)
    assert any("sleep" in part for pair in words(shown) for part in pair)


def test_the_film_is_small_and_moves() -> None:
    from PIL import Image

    with Image.open(FILM) as film:
        assert film.n_frames > 50
        assert film.width >= 640
    assert FILM.stat().st_size < 600_000


def test_the_reliability_is_drawn_from_what_was_printed() -> None:
    shown = reliability.PICTURE.read_text(encoding="utf-8")
    printed = reliability.PRINTED.read_text(encoding="utf-8")
    assert shown == reliability.drawn(printed), "run: python tests/docs/reliability.py"
