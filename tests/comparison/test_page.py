"""The comparison page as text: whole, escaped, self-contained, repeatable."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise

import pytest
from compare_songs import lantern, lantern_page, without_theory

from retune.carriers.changes import Plan
from retune.carriers.errors import UsageError
from retune.comparison.page import comparison_page
from retune.comparison.page_input import PageInput, Version


class Outline(HTMLParser):
    """Elements with their attributes, and the text of scripts and styles."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: dict[str, list[str]] = {}
        self._open = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self._open = tag

    def handle_data(self, data: str) -> None:
        self.texts.setdefault(self._open, []).append(data)


@pytest.fixture(scope="module")
def page_input() -> PageInput:
    return lantern_page(n_phrases=4, seconds=1.0)


@pytest.fixture(scope="module")
def page(page_input: PageInput) -> str:
    return comparison_page(page_input)


def test_nothing_is_asked_from_anywhere(page: str) -> None:
    outline = Outline(page)
    for tag, attributes in outline.elements:
        for name in ("src", "href", "action", "data", "poster", "srcset"):
            value = attributes.get(name)
            assert value is None or value.startswith(("#", "data:")), (tag, name, value)
    addresses = set(re.findall(r"https?://[^\s\"'<>)]+", page))
    assert addresses == {"http://www.w3.org/2000/svg"}
    assert "@import" not in page


def test_the_policy_allows_exactly_this_script_and_style(page: str) -> None:
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page)
    assert policy is not None
    assert "default-src 'none'" in policy[1]
    assert "unsafe" not in policy[1]
    for tag, pattern in (
        ("script", r'<script type="module">(.*?)</script>'),
        ("style", r"<style>(.*?)</style>"),
    ):
        (text,) = re.findall(pattern, page, re.S)
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"{tag}-src 'sha256-{digest}'" in policy[1]
    assert not re.search(r"<[^>]+\s(style|on[a-z]+)=", page)


def test_the_sound_is_inside_byte_for_byte(page: str, page_input: PageInput) -> None:
    blocks = re.findall(r'data-sound="0">([^<]+)</script>', page)
    assert [base64.b64decode(block) for block in blocks] == [
        version.audio_bytes for version in page_input.versions
    ]


def test_the_same_input_gives_the_same_page(page: str) -> None:
    assert comparison_page(lantern_page(n_phrases=4, seconds=1.0)) == page


def test_it_says_what_changes_and_what_follows(page: str) -> None:
    text = re.sub(r"<[^>]+>", " ", page.split("<main", 1)[1].split("<script", 1)[0])
    words = " ".join(text.split())
    for said in (
        "move phrase-ending degree 2 to degree 1",
        "2 → 1 B♭4",
        "still open",
        "Clash. B♭4 sounds a semitone from A",
        "Bar 8: the tonic ends phrase 2",
        "2 semitones down",
        "Altered with retune",
        "Rights: invented, CC0",
        "Begin with the volume low",
        "−0.3 dB",
        "−20.0 LUFS",
    ):
        assert said in f"{page.split('<main', 1)[0]} {words}"


def test_everything_from_a_song_file_is_escaped(page_input: PageInput) -> None:
    nasty = '"><script>alert(1)</script><img src=x onerror=alert(2)>&'
    plan = page_input.versions[1].plan
    assert plan is not None
    evil_plan = replace(plan, rules=(nasty,), warnings=(nasty,), name=nasty)
    versions = tuple(
        replace(v, plan=evil_plan if v.plan else None, about=nasty, name=f"{nasty}{k}")
        for k, v in enumerate(page_input.versions)
    )
    evil = replace(
        page_input,
        title=nasty,
        rights=nasty,
        headline=nasty,
        made=(nasty,),
        warnings=(nasty,),
        versions=versions,
        analysis=replace(page_input.analysis, title=nasty),
        tests=(),
        tension={},
    )
    page = comparison_page(evil)
    outline = Outline(page)
    assert sum(tag == "img" for tag, _ in outline.elements) == 0
    assert sum(tag == "script" for tag, _ in outline.elements) == 3 + len(versions)
    facts = json.loads(re.search(r'id="facts-0">([^<]+)<', page)[1])  # type: ignore[index]
    assert facts["versions"][0]["name"] == f"{nasty}0"


def test_several_songs_have_headings_in_order(page_input: PageInput) -> None:
    page = comparison_page([page_input, replace(page_input, title="Second Song")])
    levels = [int(tag[1]) for tag, _ in Outline(page).elements if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    ids = [a["id"] for _, a in Outline(page).elements if a.get("id")]
    assert len(ids) == len(set(ids))


def test_several_variants_are_listed(page_input: PageInput) -> None:
    second = replace(page_input.versions[1], name="mirror", about="", plan=Plan((), name="mirror"))
    page = comparison_page(replace(page_input, versions=(*page_input.versions, second)))
    assert "One sung melody and two altered versions." in page
    assert '<span class="small num">0 of 33 notes</span>' in page
    assert page.count("<figure") == 4
    assert "This variant moves nothing." in page


def test_a_song_without_key_bars_or_chords(page_input: PageInput) -> None:
    plain = replace(
        page_input,
        analysis=without_theory(lantern(n_phrases=1)),
        versions=(page_input.versions[0],),
        tests=(),
        tension={},
    )
    page = comparison_page(plain)
    assert "not known" in page
    assert "One sung melody, unaltered. Press Play." in page


def test_a_passage_shows_its_bars_only(page_input: PageInput) -> None:
    downbeats = page_input.analysis.bars.downbeats_s
    cut = replace(page_input, passage_s=(downbeats[4], downbeats[8]), tests=())
    facts = json.loads(re.search(r'id="facts-0">([^<]+)<', comparison_page(cut))[1])  # type: ignore[index]
    assert [p["number"] for p in facts["phrases"]] == [2, 3]
    assert "heard here" in comparison_page(cut)
    first = re.search(r'class="system" data-times="([\d.]+)', comparison_page(cut))
    assert float(first[1]) == pytest.approx(downbeats[4], abs=0.001)  # type: ignore[index]


def test_pages_that_cannot_be(page_input: PageInput) -> None:
    with pytest.raises(UsageError, match="no songs"):
        comparison_page([])
    with pytest.raises(UsageError, match="original as the first"):
        replace(page_input, versions=page_input.versions[1:], tests=())
    twice = Version("original", "variant", b"", "audio/flac", plan=Plan(()))
    with pytest.raises(UsageError, match='two versions are named "original"'):
        replace(page_input, versions=(*page_input.versions, twice))
    with pytest.raises(UsageError, match='needs "home-early", which is not on the page'):
        replace(page_input, versions=page_input.versions[:1])
    test = replace(page_input.tests[0].trials[0], passage="phrase 9")
    wrong = replace(page_input, tests=(replace(page_input.tests[0], trials=(test,)),))
    with pytest.raises(UsageError, match='asks for "phrase 9"'):
        comparison_page(wrong)


def test_all_versions_are_heard_at_one_loudness() -> None:
    page = lantern_page(n_phrases=2)
    first, second, *rest = page.versions
    short = replace(second, short_by_db=1.2, loudness_lufs=-21.2, true_peak_db=-1.0)
    page = replace(page, versions=(first, short, *rest))
    text = comparison_page(page)
    assert text.count("−21.2 LUFS") == len(page.versions)
    assert "all versions are played 1.2 dB lower" in text
    assert '"short_db": 1.2' in text
