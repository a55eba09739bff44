"""Tests on paper and the plot of a tally."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import pytest

from retune.carriers.errors import UsageError
from retune.comparison.blind import pair_design, rating_design
from retune.comparison.responses import COLUMNS, parse_responses
from retune.comparison.sheet import answer_sheet, playing_sheet
from retune.comparison.tally import Tally, tally_responses
from retune.comparison.tally_plot import tally_svg

DESIGN = pair_design(("matched-control", "home-early"), passages=("phrase 2",), n_pairs=4, sheet=3)


def test_the_answer_sheet_keeps_the_answers() -> None:
    page = answer_sheet(DESIGN, title="Lantern <Song>", rights="invented, CC0")
    assert "Lantern &lt;Song&gt;" in page
    assert "Which of the two sounds finished?" in page
    assert page.count('class="box"') == 2 * len(DESIGN.trials)
    for answer in ("home-early", "matched-control", "identical"):
        assert answer not in page
    assert "1 (practice)" in page
    assert "default-src 'none'" in page
    assert "<script" not in page


def test_a_rating_sheet_has_seven_boxes_a_row() -> None:
    design = rating_design(("original", "home-early"), passages=("phrase 2",), n_each=2)
    page = answer_sheet(design, title="Lantern Song")
    assert page.count('class="box"') == 7 * len(design.trials)


def test_the_playing_sheet_says_what_to_play() -> None:
    page = playing_sheet(DESIGN, title="Lantern Song")
    rows = re.findall(
        r'<th scope="row">(\d+)</th><td>([^<]+)</td><td>([^<]+)</td><td>([^<]+)</td>', page
    )
    assert rows == [(str(t.number), t.passage, t.first, t.second) for t in DESIGN.trials]
    assert "holds the answers" in page


def tallied(*listeners: tuple[str, int, int]) -> Tally:
    lines = [",".join(COLUMNS)]
    for name, hits, n in listeners:
        lines += [
            f"{name},1,{k + 1},pair,phrase 2,original,v,{'second' if k < hits else 'first'}"
            for k in range(n)
        ]
    return tally_responses(parse_responses("\n".join(lines), name="class.csv"))


def test_the_plot_puts_dots_and_intervals_in_their_place() -> None:
    (pair,) = tallied(("anna", 8, 10), ("ben", 5, 10)).pairs
    root = ET.fromstring(tally_svg(pair, embed_fonts=False))
    dots = [float(e.get("cx", 0)) for e in root.iter() if e.tag.endswith("circle")]
    ticks = {e.text: float(e.get("x", 0)) for e in root.iter() if e.text and e.text.endswith(" %")}
    shares = [(x - ticks["0 %"]) / (ticks["100 %"] - ticks["0 %"]) for x in dots]
    assert shares == pytest.approx([0.8, 0.5, 0.65], abs=0.002)
    description = next(e.text for e in root if e.tag.endswith("desc"))
    # Clopper and Pearson's interval of 8 of 10 (see the table of the exact test).
    assert "anna: 8 of 10, 95 % interval 44 to 97 %." in (description or "")


def test_the_plot_of_one_listener_and_of_long_names() -> None:
    (pair,) = tallied(("a listener with a name that goes on and on and on and on", 3, 6)).pairs
    picture = tally_svg(pair, width=500, embed_fonts=False)
    assert "all together" not in picture
    assert "…" in picture
    with pytest.raises(UsageError, match='theme "page"'):
        tally_svg(pair, theme="page")
