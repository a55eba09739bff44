"""Words that would be markup, script or formulas elsewhere, in everything that is made: they are
shown as they are and do nothing."""

from __future__ import annotations

import base64
import csv
import hashlib
import io
import re
import xml.etree.ElementTree as ET
import zlib
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from compare_songs import home_early, lantern, lantern_page

import retune
from retune.carriers.changes import Plan
from retune.carriers.heard import Analysis
from retune.comparison.blind import pair_design
from retune.comparison.exports.blind_sheet import answers_csv
from retune.comparison.exports.classroom import handout_pdf
from retune.comparison.exports.jams_file import jams_text
from retune.comparison.exports.labels import chords_lab
from retune.comparison.exports.material import Material
from retune.comparison.exports.musicxml import musicxml_text
from retune.comparison.exports.pictures import picture_svg
from retune.comparison.exports.slides_pdf import slides_pdf
from retune.comparison.exports.tables import csv_tables
from retune.comparison.index_page import AT_ONCE, IndexRow, index_page
from retune.comparison.page import comparison_page
from retune.comparison.page_input import PageInput
from retune.song.csvtext import table

SCRIPT = (
    '</script><script>alert(1)</script><img src=x onerror=alert(1)>"\' onload="alert(1) ]]>&amp;'
)
FORMULA = '=HYPERLINK("//x";1)'


def tricked(words: str) -> tuple[Analysis, Plan]:
    """The lantern's song with `words` wherever a song file or a plan holds free text."""
    plain = lantern()
    plan = home_early(plain)
    chords = tuple(replace(c, typed=words, label=c.label) for c in plain.chords)
    edits = tuple(replace(e, from_name=words, to_name=words, rule=words) for e in plan.edits)
    told = tuple(replace(c, text=words) for c in plan.consequences)
    analysis = replace(plain, title=words, chords=chords, warnings=(words,))
    return analysis, replace(
        plan, rules=(words,), edits=edits, consequences=told, warnings=(words,)
    )


def tricked_page(words: str) -> PageInput:
    page, (analysis, plan) = lantern_page(n_phrases=6, seconds=0.5), tricked(words)
    versions = tuple(
        replace(version, about=words, plan=plan if version.plan else None)
        for version in page.versions
    )
    more = {"title": words, "rights": words, "headline": words, "made": (words,)}
    tests = tuple(replace(test, question=words) for test in page.tests)
    return replace(
        page, analysis=analysis, versions=versions, warnings=(words,), tests=tests, **more
    )


def tricked_index(words: str) -> str:
    row = IndexRow(
        song=words,
        variant=words,
        state="failed",
        original_href=words,
        mix_href=words,
        picture_href=words,
        endings=((1, words, words, words, words),),
        warnings=(words,),
        error=words,
    )
    # More rows than are laid out at once: what is left lies in the page as data.
    return "".join(index_page([row] * (AT_ONCE + 2), title=words, told=words))


class Seen(HTMLParser):
    """Elements and their attributes, the text of scripts and styles, and the policy."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: Counter[tuple[str, tuple[str, ...]]] = Counter()
        self.addresses: list[str] = []
        self.inside: list[tuple[str, dict[str, str], str]] = []
        self.policy, self.referrer, self.words = "", "", ""
        self._open: tuple[str, dict[str, str]] | None = None
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        self.elements[tag, tuple(sorted(given))] += 1
        self.addresses += [
            given[name] for name in ("src", "href", "action", "data") if name in given
        ]
        if given.get("http-equiv") == "Content-Security-Policy":
            self.policy = given["content"]
        if given.get("name") == "referrer":
            self.referrer = given["content"]
        if tag in ("script", "style"):
            self._open = (tag, given)

    def handle_data(self, data: str) -> None:
        if self._open is not None:
            self.inside.append((*self._open, data))
        else:
            self.words += data

    def handle_endtag(self, tag: str) -> None:
        self._open = None


PAGES = {
    "comparison": lambda words: comparison_page(tricked_page(words)),
    "index": tricked_index,
}


@pytest.mark.parametrize("kind", PAGES)
def test_words_never_become_markup(kind: str) -> None:
    strange, tame = Seen(PAGES[kind](SCRIPT)), Seen(PAGES[kind]("words"))
    assert set(strange.elements) == set(tame.elements)
    for name in ("script", "img", "iframe", "object", "base", "form", "link", "meta"):
        count = [
            sum(n for (tag, _), n in seen.elements.items() if tag == name)
            for seen in (strange, tame)
        ]
        assert count[0] == count[1], name
    assert "<script>alert(1)</script>" in strange.words.replace("♭", "b")


@pytest.mark.parametrize("kind", PAGES)
def test_no_handler_and_no_style_stands_in_an_attribute(kind: str) -> None:
    for _, attributes in Seen(PAGES[kind](SCRIPT)).elements:
        for name in attributes:
            assert not name.startswith("on")
            assert name != "style"
            assert name not in ("srcdoc", "formaction", "ping")


@pytest.mark.parametrize("kind", PAGES)
def test_the_policy_allows_what_is_on_the_page_by_its_hash_alone(kind: str) -> None:
    seen = Seen(PAGES[kind]("words"))
    rules = {rule.split()[0]: rule.split()[1:] for rule in seen.policy.split(";") if rule.strip()}
    assert rules["default-src"] == ["'none'"]
    assert rules["base-uri"] == rules["form-action"] == ["'none'"]
    assert "unsafe" not in seen.policy
    assert "http" not in seen.policy
    assert "*" not in seen.policy
    assert seen.referrer == "no-referrer"
    for tag, given, text in seen.inside:
        if tag == "script" and given.get("type", "module") != "module":
            continue  # data, which no browser runs
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in rules[f"{tag}-src"]
    assert any(tag == "style" for tag, _, _ in seen.inside)


@pytest.mark.parametrize("kind", PAGES)
def test_no_page_names_an_outside_address(kind: str) -> None:
    text = PAGES[kind]("words")
    for address in Seen(text).addresses:
        assert address.startswith(("#", "data:")) or address == "words", address
    shown = text.replace("http://www.w3.org/2000/svg", "")
    assert not re.search(r"(?:https?:)?//[a-z0-9-]+\.[a-z]", shown.split("<script")[0])
    assert "@import" not in text
    assert not re.search(r"url\((?!data:|#|['\"]?data:)", text)


def test_a_picture_stays_a_picture() -> None:
    analysis, plan = tricked(SCRIPT)
    root = ET.fromstring(picture_svg(Material(analysis, (plan,), rights=SCRIPT), plan))
    for element in root.iter():
        name = element.tag.rsplit("}", 1)[-1]
        assert name not in ("script", "foreignObject", "image", "a", "use", "animate", "set"), name
        for attribute, value in element.attrib.items():
            assert not attribute.startswith("on")
            assert not attribute.endswith("href") or value.startswith("#")
    assert "alert(1)" in "".join(root.itertext())


def test_a_score_and_labels_stay_what_they_are() -> None:
    analysis, plan = tricked(SCRIPT)
    material = Material(analysis, (plan,), rights=SCRIPT)
    root = ET.fromstring(musicxml_text(material, plan).split("?>", 1)[1].split(">", 1)[1])
    assert not [e for e in root.iter() if e.tag in ("script", "img")]
    assert "<script" not in chords_lab(analysis)
    assert "alert(1)" in jams_text(material, plan)


@pytest.mark.parametrize("words", [SCRIPT, '#read("/etc/passwd") #link("//x") $x$ \\ // `x` @y'])
def test_a_document_runs_nothing_and_asks_for_nothing(words: str) -> None:
    analysis, plan = tricked(words)
    material = Material(analysis, (plan,), rights=words)
    for pdf in (handout_pdf(material, plan), slides_pdf(material)):
        assert pdf.startswith(b"%PDF")
        inside = pdf + b"".join(_inflated(pdf))
        for word in (b"/URI", b"/JavaScript", b"/JS", b"/Launch", b"/OpenAction", b"/EmbeddedFile",
                     b"/GoToR", b"/SubmitForm", b"root:x:"):  # fmt: skip
            assert word not in inside, word


def _inflated(pdf: bytes) -> list[bytes]:
    found = []
    for match in re.finditer(rb"stream\r?\n(.*?)\r?\nendstream", pdf, re.DOTALL):
        try:
            found.append(zlib.decompress(match[1]))
        except zlib.error:
            continue
    return found


@pytest.mark.parametrize("start", [*"=+-@\t\r\n", *"＝＋－＠"])
def test_no_table_holds_a_formula(start: str) -> None:
    words = start + FORMULA
    analysis, plan = tricked(words)
    material = Material(analysis, (plan,), rights=words, abouts={plan.name: words})
    design = pair_design(("a", "b"), passages=[words], n_pairs=2)
    texts = [*csv_tables(material).values(), answers_csv(design, listener=words)]
    texts.append(
        table((words,), [(words, -2.5, -3, None)]).split("\n", 1)[1] if start > " " else ""
    )
    cells = [
        cell for text in texts for row in csv.reader(io.StringIO(text, newline="")) for cell in row
    ]
    assert "'" + words in cells
    for cell in cells:
        assert not cell.startswith(tuple("=+@\t\r\n＝＋－＠")), cell
        assert not cell.startswith("-") or float(cell) < 0, cell  # a negative number stays one


def test_every_table_goes_through_one_writer() -> None:
    writers = [
        path.name
        for path in Path(retune.__file__).parent.rglob("*.py")
        if re.search(r"csv\.(?:writer|DictWriter)", path.read_text(encoding="utf-8"))
    ]
    assert writers == ["csvtext.py"]


def test_the_tables_that_pages_write_do_the_same() -> None:
    text = (Path(retune.__file__).parent / "comparison" / "assets" / "blind-words.js").read_text(
        encoding="utf-8"
    )
    assert r"/^[=+\-@\t\r\n＝＋－＠]/" in text


def test_no_tag_of_a_page_is_written_in_python() -> None:
    """Templates escape what is put into them; text put together by hand does not."""
    tags = (
        "a b br button details div dl figure label li ol option p section select span table td ul"
    )
    tag = re.compile(rf"""["'>]<(?:{"|".join(tags.split())})\b""")
    package = Path(retune.__file__).parent
    assert not [path for path in package.rglob("*.py") if tag.search(path.read_text("utf-8"))]
