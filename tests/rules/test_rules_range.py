"""The plan refuses what the render refuses, and in its words."""

from __future__ import annotations

from dataclasses import dataclass
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from rule_songs import SONGS
from rules_strategies import intervals, plain_scopes, selectors, targets

from retune.carriers.changes import Edit
from retune.carriers.errors import EngineError, InputError, UsageError
from retune.carriers.heard import Analysis
from retune.repitch import render_stem
from retune.rules import Rule, make_plan, plan
from retune.rules.model import Interval, Selector


@dataclass(frozen=True)
class Silence:
    """Audio of a length that nothing is read of."""

    n_samples: int
    rate_hz: int = 1000

    def read(self, start: int, stop: int) -> NDArray[np.float32]:
        return np.zeros((stop - start, 1), np.float32)


far = st.builds(Interval, st.sampled_from(("up", "down")), st.integers(1, 30).map(float),
                st.just("semitone"))  # fmt: skip
rules = st.builds(
    lambda what, way, scope: Rule(
        "shift" if isinstance(way, Interval) else "move",
        (),
        what,
        interval=way if isinstance(way, Interval) else None,
        target=None if isinstance(way, Interval) else way,
        scopes=scope,
    ),
    selectors,
    far | intervals | targets,
    st.lists(plain_scopes, max_size=1).map(tuple),
)


def refused_by_render(analysis: Analysis, edits: list[Edit]) -> str:
    """What the render says of edits of the melody: it looks at them before it needs a sound."""
    stem = analysis.melody
    assert stem is not None
    own = [edit for edit in edits if edit.stem == stem.name]
    audio = Silence(round(1000 * analysis.duration_s) + 1000)
    try:
        render_stem(audio, stem=stem, edits=own)
    except EngineError:  # all is well but that there is no pitch track
        return ""
    except UsageError as error:
        return str(error)
    return ""


@given(st.lists(rules, min_size=1, max_size=3), st.sampled_from(sorted(SONGS)))
@example([Rule("shift", (), Selector("every"), interval=Interval("up", 13, "semitone"))], "lullaby")
@example([Rule("shift", (), Selector("every"), interval=Interval("up", 12, "semitone"))], "lullaby")
@settings(max_examples=40)
def test_the_plan_refuses_what_the_render_refuses(rules: list[Rule], name: str) -> None:
    analysis = SONGS[name]()
    texts = [str(rule) for rule in rules]
    refusal = ""
    try:
        edits = make_plan(analysis, texts).edits
    except InputError as error:
        refusal = str(error)
        if "not in the song" in refusal:
            return
        with patch.object(plan, "_refuse_far"):
            edits = make_plan(analysis, texts).edits
    said = refused_by_render(analysis, list(edits))
    assert refusal.partition('": ')[2] == said


def test_an_interval_beyond_an_octave_is_refused_by_name() -> None:
    with pytest.raises(UsageError, match=r'^rule "shift every note up 13 semitones": edit of'):
        make_plan(SONGS["lullaby"](), ["shift every note up 13 semitones"])
