"""The tension curve that pages and pictures carry."""

from __future__ import annotations

from pathlib import Path

import pytest

from retune import pipeline
from retune.carriers.changes import Plan
from retune.carriers.heard import Analysis
from retune.pipeline.tension_curves import tension_curves, tension_words


@pytest.fixture(scope="module")
def analysis(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    song = pipeline.write_demo(tmp_path_factory.mktemp("weighing"))
    return pipeline.analyze(pipeline.open_song(song))


def test_a_variant_is_drawn_only_where_it_differs(analysis: Analysis) -> None:
    plan = pipeline.plan(analysis, rules="move phrase-ending degree 2 to degree 1")
    curve = tension_curves(analysis, [plan])[plan.name]
    assert [time_s for time_s, _, _ in curve] == sorted(time_s for time_s, _, _ in curve)
    changed = [point for point in curve if point[2] is not None]
    # The first note lies over one chord, the second over two: a step at either end of each.
    assert [sum(e.start_s <= t <= e.end_s for t, _, _ in changed) for e in plan.edits] == [1, 4]
    assert len(changed) == 5
    # Over the tonic chord the tonic is all rest: no distance, no dissonance.
    assert changed[0][1:] == (3.0, 0.0)


def test_the_original_has_one_curve(analysis: Analysis) -> None:
    curve = tension_curves(analysis, [Plan((), name="original")])["original"]
    assert curve
    assert all(variant is None for _, _, variant in curve)


def test_the_words_name_the_model(analysis: Analysis) -> None:
    (line,) = tension_words(analysis, [Plan(())])
    assert "Lerdahl" in line
    assert "no measurement of listeners" in line


def test_a_page_carries_the_curve_of_each_variant(tmp_path: Path) -> None:
    song = pipeline.write_demo(tmp_path)
    page = pipeline.compare(song, variants=["home-early", "mirror"], control=False)
    assert set(page.tension) == {"home-early", "mirror"}
    assert any("Lerdahl" in line for line in page.made)
