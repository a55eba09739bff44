"""Designs of blind tests, files of answers and their tally."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import pytest

from retune.carriers.errors import InputError, UsageError
from retune.comparison.blind import Design, choices, pair_design, rating_design
from retune.comparison.blind_code import check_signs
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


# As a page in a browser writes it (tests/js/blind.test.mjs).
CODE = "R1;p;Ana%3B%20row%202;3;1;2.1.1;matched-control;home;phrase%202;fs;fk"


def test_codes_from_phones_are_counted_with_tables(tmp_path: Path) -> None:
    made = pair_design(("original", "home-early"), passages=PASSAGES, n_pairs=6, sheet=2)
    letters = "".join("f" if t.first == "home-early" else "s" for t in made.trials)
    text = f"R1;p;ben;2;1;6.2.1;original;home-early;phrase%202,phrase%204;{letters}"
    sent = tmp_path / "sent.txt"
    code = f"{text};{check_signs(text)}"
    sent.write_text(f"Ana: {CODE}\n\nhere is mine:\n{code} thanks!\n{code}\n", encoding="utf-8")
    table = write(tmp_path, "anna.csv", pair_rows("anna", 3, 6))
    early, both = tally([sent, table]).pairs
    assert early.listeners["Ana; row 2"].n == 1
    assert (both.listeners["ben"].k, both.listeners["ben"].n) == (6, 6)
    assert both.listeners["anna"].k == 3


@pytest.mark.parametrize(
    ("code", "message"),
    [
        (CODE.replace("fs", "ff"), "was mistyped or cut"),
        (CODE[:-9], "was mistyped or cut"),
        (CODE.replace("R1", "R2"), "a code of version 2"),
    ],
)
def test_a_code_that_is_not_whole_is_refused(tmp_path: Path, code: str, message: str) -> None:
    path = tmp_path / "sent.txt"
    path.write_text(f"{code}\n", encoding="utf-8")
    with pytest.raises(InputError, match=message):
        tally([path])


def test_ratings_come_as_codes_too(tmp_path: Path) -> None:
    text = "R1;r;eva;1;1;2.0.1;original;home-early;phrase%202;41777"
    path = tmp_path / "sent.txt"
    path.write_text(f"{text};{check_signs(text)}\n", encoding="utf-8")
    assert sum(rating.n for rating in tally([path]).ratings) == 4


def test_which_one_is_x_is_counted(tmp_path: Path) -> None:
    path = tmp_path / "abx.csv"
    rows = [f"ed,1,{k},abx,phrase 2,original,home,home,{'wrong' if k == 2 else 'right'}"
            for k in range(2, 12)]  # fmt: skip
    head = "listener,sheet,trial,kind,passage,a,b,x,answer"
    practice = "ed,1,1,practice,phrase 2,original,home,original,wrong"
    path.write_text("\n".join([head, practice, *rows]) + "\n", encoding="utf-8")
    (naming,) = tally([path]).namings
    assert naming.versions == ("home", "original")
    # Nine or ten of ten by chance: 11/1024.
    assert naming.listeners["ed"].p == pytest.approx(11 / 1024)


def test_a_page_offers_the_tests_that_the_program_makes() -> None:
    made = [design(n_pairs=16, sheet=sheet) for sheet in (1, 2)]
    words = choices(made)["16"]["sheets"]["2"]
    for text, trial in zip(words, made[1].trials, strict=True):
        kind, place, turned = text.split()
        assert (kind, PASSAGES[int(place) % 2]) == (trial.kind, trial.passage)
        assert trial.first == ("original", "home-early")[int(turned)]


@pytest.mark.parametrize(
    "counts", [{"n_pairs": 10**12}, {"n_identical": 10**9}, {"n_practice": 500}]
)
def test_a_test_that_nobody_could_sit_through_is_refused(counts: dict[str, int]) -> None:
    with pytest.raises(UsageError, match="too many to listen to; at most 200"):
        pair_design(("a", "b"), passages=("phrase 1",), **counts)  # type: ignore[arg-type]
    with pytest.raises(UsageError, match="at most 200"):
        rating_design(("a", "b"), passages=("phrase 1",), n_each=10**12)
