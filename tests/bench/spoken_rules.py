"""How long it takes to understand a sentence and to complete one, each for the first time.

    python tests/bench/spoken_rules.py

Neither looks at the notes of the song, only at the names of its stems: the figures hold for 2 000
notes as for 20. CPU time, in milliseconds.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from retune.carriers.errors import RuleError
from retune.rules import completions, understand

CORPORA = sorted((Path(__file__).parents[1] / "rules").glob("spoken_*.txt"))
STEMS = ("vocal", "bass", "harp")


def sentences() -> list[str]:
    """Every sentence of the corpora of spoken rules."""
    lines = [line for path in CORPORA for line in path.read_text("utf-8").splitlines()]
    return [line.split(" =>")[0].split(" =?")[0] for line in lines if line and line[0] != "#"]


def timed_ms(do: Callable[[], object]) -> float:
    """CPU time of one call, whether or not it is refused."""
    start_s = time.process_time()
    with contextlib.suppress(RuleError):
        do()
    return 1000 * (time.process_time() - start_s)


def main() -> None:
    texts = sentences()
    timed_ms(lambda: understand("keep every note"))  # the grammar is built once
    timed_ms(lambda: completions("make ev"))
    read_ms = [timed_ms(lambda text=text: understand(text, stems=STEMS)) for text in texts]
    typed = [text[:length] for text in texts for length in range(1, len(text), 7)]
    typed_ms = [timed_ms(lambda text=text: completions(text, stems=STEMS)) for text in typed]
    for name, took_ms in (("canonical form", read_ms), ("completion", typed_ms)):
        middle, late, worst = np.percentile(took_ms, [50, 95, 100])
        print(f"{name}: {len(took_ms)} calls, median {middle:.1f} ms, 95 % {late:.1f} ms, "
              f"worst {worst:.1f} ms")  # fmt: skip


if __name__ == "__main__":
    main()
