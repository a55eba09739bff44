"""Every title whatever makes well-formed XML, as a strict parser has it."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace
from functools import cache

import pytest
from compare_songs import home_early, lantern
from hypothesis import given, settings
from hypothesis import strategies as st

from retune.carriers.text import for_xml
from retune.comparison.exports.material import Material
from retune.comparison.exports.musicxml import musicxml_text
from retune.comparison.exports.pictures import picture_svg
from retune.comparison.svg import Pen

ODD = "\x00\x01\x08\x0b\x0c\x1b\x1f\x7f\x85\x9b\ufffe\uffff\U0001ffff\u202e<&>\"']]>--"
TITLES = st.text(st.sampled_from(ODD) | st.characters(), max_size=20)


@cache
def song() -> tuple[object, object]:
    plain = lantern()
    return plain, home_early(plain)


@given(title=st.text(st.sampled_from(ODD) | st.characters(codec=None)))
def test_what_is_drawn_is_well_formed(title: str) -> None:
    pen = Pen()
    pen.text(0, 0, title)
    text = ET.fromstring(f"<svg>{pen}</svg>").find("text")
    assert text is not None
    assert (text.text or "").replace("\r", "\n").split() == for_xml(title).split()


@settings(max_examples=15, deadline=None)
@given(title=TITLES)
def test_a_picture_and_a_score_are_well_formed(title: str) -> None:
    plain, plan = song()
    analysis = replace(plain, title=title)  # type: ignore[type-var]
    material = Material(analysis=analysis, plans=(plan,), rights=title, source=title, abouts={})
    ET.fromstring(picture_svg(material, plan).encode())
    ET.fromstring(musicxml_text(material, plan).encode())


@pytest.mark.parametrize("sign", ["\x1b", "\x9b", "\u202e", "\x07"])
def test_no_sign_that_steers_reaches_the_terminal(
    sign: str, capsys: pytest.CaptureFixture[str]
) -> None:
    from retune.faces import show

    words = f"a{sign}[2Jb"
    show.say(f"{words}\n{words}")
    show.warn([words])
    show.print_lines(words, show.table(words, ("x",), [(words,)]))
    show.as_json({words: words})
    out, err = capsys.readouterr()
    assert sign not in out + err
