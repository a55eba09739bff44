"""Designs of blind tests, files of answers and their tally."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import pytest

from retune.carriers.errors import InputError, UsageError
from retune.comparison.blind import Design, pair_design, rating_design
from retune.comparison.responses import COLUMNS, parse_responses
from retune.comparison.tally import tally

HEAD = ",".join(COLUMNS)
PASSAGES = ("phrase 2", "phrase 4")


def design(**changes: object) -> Design:
    return pair_design(("original", "home-early"), passages=PASSAGES, **changes)  # type: ignore[arg-type]


def test_a_design_is_balanced_in_order_and_passage() -> None:
    trials = design(n_pairs=16, n_identical=4, n_practice=1).trials
    assert [t.number for t in trials] == list(range(1, 22))
    assert trials[0].kind == "practice"
    pairs = [t for t in trials if t.kind == "pair"]
    assert Counter((t.passage, t.first) for t in pairs) == {
        (passage, first): 4 for passage in PASSAGES for first in ("original", "home-early")
    }
    same = [t for t in trials if t.kind == "identical"]
    assert Counter(t.first for t in same) == {"original": 2, "home-early": 2}
    assert all(t.first == t.second for t in same)


def test_a_design_depends_on_seed_and_sheet_alone() -> None:
    assert design(seed=5) == design(seed=5)
    orders = {tuple(t.first for t in design(sheet=k).trials) for k in range(8)}
    assert len(orders) == 8
    assert design(seed=1).trials != design(seed=2).trials
    # The order of one seed, written down: a later version must give the same test.
    assert [t.first[0] for t in design(n_pairs=6, n_identical=0).trials] == list("ohoohho")
    json.dumps(design().to_json())


def test_a_rating_hears_each_version_equally_often() -> None:
    trials = rating_design(("original", "home-early"), passages=PASSAGES, n_each=3).trials
    rated = Counter(t.first for t in trials if t.kind == "rating")
    assert rated == {"original": 3, "home-early": 3}
    assert all(t.second == "" for t in trials)


def test_designs_that_cannot_be() -> None:
    with pytest.raises(UsageError, match="such as 8"):
        design(n_pairs=7)
    with pytest.raises(UsageError, match="two different"):
        pair_design(("original", "original"), passages=PASSAGES)
    with pytest.raises(UsageError, match="phrase 2"):
        pair_design(("a", "b"), passages=())


def write(folder: Path, name: str, rows: list[str]) -> Path:
    path = folder / name
    path.write_text("\n".join([HEAD, *rows]) + "\n", encoding="utf-8")
    return path


def pair_rows(listener: str, hits: int, n: int) -> list[str]:
    """`hits` of `n` answers fall on the variant, orders alternating."""
    rows = []
    for k in range(n):
        first, second = ("original", "home-early") if k % 2 else ("home-early", "original")
        answer = "first" if (first == "home-early") == (k < hits) else "second"
        rows.append(f"{listener},1,{k + 2},pair,phrase 2,{first},{second},{answer}")
    return rows


def test_tally_by_listener_and_pooled(tmp_path: Path) -> None:
    anna = write(
        tmp_path,
        "anna.csv",
        [
            "anna,1,1,practice,phrase 2,original,home-early,first",
            *pair_rows("anna", 12, 16),
            "anna,1,20,identical,phrase 2,original,original,first",
        ],
    )
    ben = write(tmp_path, "ben.csv", pair_rows("ben", 4, 5))
    counted = tally([anna, ben])
    (pair,) = counted.pairs
    assert (pair.version, pair.other) == ("home-early", "original")
    assert (pair.listeners["anna"].k, pair.listeners["anna"].n) == (12, 16)
    # Two-sided exact p of 12/16: twice .0384 (see the table of the exact test).
    assert pair.listeners["anna"].p == pytest.approx(0.0768, abs=1e-4)
    assert (pair.pooled.k, pair.pooled.n) == (16, 21)
    assert counted.identical == (1, 1)
    assert counted.n_practice == 1
    assert any("pooled" in line for line in counted.warnings)
    assert any("fewer than 6 trials of ben" in line for line in counted.warnings)
    facts = json.loads(json.dumps(counted.to_json(), allow_nan=False))
    assert facts["pairs"][0]["listeners"]["anna"]["wilson"][0] == pytest.approx(0.5050, abs=1e-4)


def test_tally_of_ratings_and_hands(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        "class.csv",
        [
            "anna,1,1,rating,phrase 2,original,,3",
            "anna,1,2,rating,phrase 2,original,,6",
            "anna,1,3,rating,phrase 2,home-early,,7",
            "teacher,,4,hands,phrase 2,original,home-early,first:9 second:12",
            "teacher,,5,hands,phrase 2,home-early,original,first:14 second:7",
        ],
    )
    counted = tally([path])
    assert [(r.version, r.n, r.mean) for r in counted.ratings] == [
        ("home-early", 1, 7.0),
        ("original", 2, 4.5),
    ]
    assert counted.hands == {"home-early, original": (26, 16)}
    assert counted.pairs == ()


def test_the_same_answers_in_two_files_are_told(tmp_path: Path) -> None:
    rows = pair_rows("listener", 4, 6)
    counted = tally([write(tmp_path, "a.csv", rows), write(tmp_path, "b.csv", rows)])
    assert counted.pairs[0].pooled.n == 12
    assert sum("is also in a.csv" in line for line in counted.warnings) == 6


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (["anna,1,1,pair,p,original,v,yes"], r'line 2: answer "yes"; give first or second'),
        (["anna,1,one,pair,p,original,v,first"], r'line 2: trial "one"'),
        (["anna,1,1,pear,p,original,v,first"], r'line 2: kind "pear"; give one of practice'),
        ([",1,1,pair,p,original,v,first"], r'line 2: "listener" is empty'),
        (["a,1,1,rating,p,v,,8"], "whole number from 1 to 7"),
        (["a,1,1,hands,p,v,w,12:9"], "first:12 second:9"),
        (["a,1,1,pair,p,v,v,first"], "kind identical"),
        (["a,1,1,identical,p,v,w,first"], 'identical pair of "v" and "w"'),
        (["a,1,1,pair,p,v,,first"], '"second" is empty'),
        (["a,1,1,pair,p,v,w,first"] * 2, "line 3: a, sheet 1, trial 1 is answered twice"),
        (["Ana, row 2,1,1,pair,p,v,w,first"], "comma in double quotes"),
        (["a,1,1,pair,p,v,w"], "not as many fields"),
        ([], "no answers"),
    ],
)
def test_answers_that_do_not_read(rows: list[str], message: str) -> None:
    with pytest.raises(InputError, match=message):
        parse_responses("\n".join([HEAD, *rows]), name="class.csv")


def test_files_that_do_not_read(tmp_path: Path) -> None:
    with pytest.raises(InputError, match='line 1: no column "sheet"'):
        parse_responses("listener,trial\n", name="x.csv")
    with pytest.raises(InputError, match=r"nowhere\.csv does not exist; check the name"):
        tally([tmp_path / "nowhere.csv"])
    (tmp_path / "latin.csv").write_bytes(b"listener\n\xe9\n")
    with pytest.raises(InputError, match="not UTF-8"):
        tally([tmp_path / "latin.csv"])
    spread = (
        'answer,second,first,passage,kind,trial,sheet,listener,extra\nfirst,"v,w",o,p,pair,1,1,a,x'
    )
    assert parse_responses(spread, name="y.csv")[0].second == "v,w"
