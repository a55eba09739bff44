"""How long rules take: reading one, planning it on a long song, suggesting variants.

    python tests/bench/bench_rules.py [--phrases 34] [--repeats 7]

The song is invented: phrases of nine notes over a bass and a backing, a chord a bar. Each figure
is the median of the repeats, in milliseconds of processor time, after one call that warms up.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[1] / "rules"))

from rule_songs import song

from retune.carriers.heard import Analysis
from retune.rules import make_plan, parse_rule, suggest_variants

PHRASE = "F4:1 Bb4:2 C5:1 D5:2 Bb4:1 C5:1 Bb4:1 A4:1 C5:2"
RULES = (
    ("move phrase-ending degree 2 to degree 1",),
    ("move every degree 7 to degree 1 above over V or viio",),
    ("shift every note up 1 scale step",),
    ("shift bass, harp down 2 semitones in bars 3-40",),
    ("shift every note up 1 scale step", "shift bass, harp up 5 semitones"),
)


def long_song(n_phrases: int) -> Analysis:
    """A song of many phrases, nine notes and four bars each."""
    bass = " ".join(["Bb2:3 F2:3 G2:3 F2:3"] * n_phrases)
    return song(
        {
            "vocal": ("melody", " / ".join([PHRASE] * n_phrases)),
            "bass": ("bass", bass),
            "harp": ("backing", ""),
        },
        meter=(3, 4),
        chart=" | ".join(["Bb", "F", "Gm", "F"] * n_phrases),
    )


def median_ms(call: Callable[[], object], *, repeats: int) -> float:
    """Median processor time of a call in milliseconds, after one to warm up."""
    call()
    times = []
    for _ in range(repeats):
        begun = time.process_time()
        call()
        times.append(time.process_time() - begun)
    return 1e3 * median(times)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--phrases", type=int, default=34)
    parser.add_argument("--repeats", type=int, default=7)
    asked = parser.parse_args()
    analysis = long_song(asked.phrases)
    n_notes = len(analysis.stems["vocal"].notes)
    print(f"{n_notes} sung notes, {len(analysis.stems['bass'].notes)} of the bass")
    print(f"{'ms':>8}  {'per rule':>8}  {'edits':>5}  what")
    reading = median_ms(
        lambda: parse_rule(RULES[1][0], stems=list(analysis.stems)), repeats=asked.repeats
    )
    print(f"{reading:8.2f}  {reading:8.2f}  {'':>5}  read: {RULES[1][0]}")
    for rules in RULES:
        spent = median_ms(lambda rules=rules: make_plan(analysis, rules), repeats=asked.repeats)
        edits = len(make_plan(analysis, rules).edits)
        print(f"{spent:8.2f}  {spent / len(rules):8.2f}  {edits:5d}  plan: {'; '.join(rules)}")
    spent = median_ms(lambda: suggest_variants(analysis), repeats=asked.repeats)
    print(f"{spent:8.2f}  {'':>8}  {'':>5}  suggest")


if __name__ == "__main__":
    main()
