"""`retune tally`: the numbers of published tables come out at the command line."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree as Xml

import pytest

from retune.faces.cli import main

HEADER = "listener,sheet,trial,kind,passage,first,second,answer"


def answers(folder: Path, *, chosen: dict[str, tuple[int, int]]) -> list[str]:
    """A file a listener who chose the variant k times of n, orders in turn."""
    paths = []
    for name, (k, n) in chosen.items():
        lines = [HEADER]
        for trial in range(1, n + 1):
            pair = ["original", "home-early"][:: 1 if trial % 2 else -1]
            wanted = "home-early" if trial <= k else "original"
            answer = ("first", "second")[pair.index(wanted)]
            lines.append(f"{name},1,{trial},pair,phrase 2,{pair[0]},{pair[1]},{answer}")
        path = folder / f"{name}.csv"
        path.write_text("\n".join(lines) + "\n")
        paths.append(str(path))
    return paths


# Exact one-sided p, and 95 % intervals by Clopper and Pearson and by Wilson; computed with
# scipy.stats, the last row also as printed by Newcombe (1998) for Wilson (from memory).
TABLE = [
    (8, 10, None, (0.4439, 0.9748), (0.4902, 0.9433)),
    (12, 16, 0.0384, (0.4762, 0.9273), (0.5050, 0.8982)),
    (10, 10, 0.0010, (0.6915, 1.0), (0.7225, 1.0)),
    (0, 10, 1.0, (0.0, 0.3085), (0.0, 0.2775)),
    (81, 263, None, (0.2527, 0.3676), (0.2553, 0.3662)),
]


@pytest.mark.parametrize(("k", "n", "p", "exact", "wilson"), TABLE)
def test_numbers(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    k: int,
    n: int,
    p: float | None,
    exact: tuple[float, float],
    wilson: tuple[float, float],
) -> None:
    paths = answers(tmp_path, chosen={"anna": (k, n)})
    assert main(["tally", *paths, "--one-sided", "--json"]) == 0
    score = json.loads(capsys.readouterr().out)["pairs"][0]["listeners"]["anna"]
    assert (score["k"], score["n"]) == (k, n)
    assert score["clopper_pearson"] == pytest.approx(exact, abs=6e-5)
    assert score["wilson"] == pytest.approx(wilson, abs=6e-5)
    if p is not None:
        assert score["p"] == pytest.approx(p, abs=6e-5)


def test_words_for_a_class(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    paths = answers(tmp_path, chosen={"anna": (12, 16), "ben": (9, 16)})
    plot = tmp_path / "tally.svg"
    assert main(["tally", *paths, "--plot", str(plot)]) == 0
    out, err = capsys.readouterr()
    words = " ".join(out.split())
    assert "12 of 16" in words
    assert "21 of 32" in words
    assert "0.0768" in words  # two-sided p of 12 of 16
    assert "read the listeners one by one first" in err
    root = Xml.parse(plot).getroot()
    texts = [t.text for t in root.iter("{http://www.w3.org/2000/svg}text")]
    assert {"anna", "ben", "pooled"} <= set(texts)
    assert "12 of 16, p 0.077" in texts
    assert len(list(root.iter("{http://www.w3.org/2000/svg}circle"))) == 3


def test_wrong_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "x.csv"
    path.write_text("a,b\n1,2\n")
    assert main(["tally", str(path)]) == 2
    assert capsys.readouterr().err.startswith("retune: error: ")
    (paths,) = answers(tmp_path, chosen={"anna": (3, 6)})
    before = Path(paths).read_text()
    assert main(["tally", paths, "--plot", paths]) == 2
    assert "is an input" in capsys.readouterr().err
    assert Path(paths).read_text() == before


def test_a_version_that_nobody_heard_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Else the other version would be counted, as if it had been asked for."""
    paths = answers(tmp_path, chosen={"anna": (7, 10)})
    assert main(["tally", *paths, "--version", "home"]) == 2
    told = 'no pair of these answers holds the version "home"; there are home-early, original'
    assert told in capsys.readouterr().err
    assert main(["tally", *paths, "--version", "original"]) == 0
    assert "original chosen over home-early" in capsys.readouterr().out
