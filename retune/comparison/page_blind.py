"""The blind test on a comparison page."""

from __future__ import annotations

from markupsafe import Markup

from retune.comparison.blind import PAIR_COUNTS, power_words
from retune.comparison.html import filled
from retune.comparison.page_input import PageInput


def blind(page: PageInput) -> Markup:
    """The blind test: set up (which phrases, how many pairs, what so many find), ask, result."""
    test = page.tests[0]
    one, other = (
        version.replace("matched-control", "matched control") for version in test.versions
    )
    n_pairs = test.count("pair")
    return filled(
        "blind.html",
        heard="two versions one after the other" if n_pairs else "one version",
        one=one,
        other=other,
        sheets=[test.sheet for test in page.tests],
        phrases=test.passages,
        n_pairs=n_pairs,
        pair_counts=sorted({*PAIR_COUNTS, n_pairs}),
        power=power_words(n_pairs) if n_pairs else "",
    )
