"""The blind test on a comparison page, as HTML text."""

from __future__ import annotations

from html import escape

from retune.comparison.blind import PAIR_COUNTS, Design, power_words
from retune.comparison.html import show
from retune.comparison.page_input import PageInput


def blind(page: PageInput) -> str:
    """The blind test: set up, ask, result."""
    test = page.tests[0]
    one, other = test.versions
    sheets = "".join(f"<option>{test.sheet}</option>" for test in page.tests)
    hidden = "" if len(page.tests) > 1 else " hidden"
    heard = "two versions one after the other" if test.count("pair") else "one version"
    return (
        f'<div data-blind="setup"><p class="lede">Hear {heard} and answer one question, again and '
        f"again. Which is “{_called(one)}” and which “{_called(other)}” stays hidden until the "
        "end.</p>"
        f"{_test_choices(test)}"
        '<div class="set"><label>Name or number of the listener <input type="text" '
        f'data-blind="listener" autocomplete="off"></label> <label{hidden}>Sheet <select '
        f'data-blind="sheet">{sheets}</select></label> <button type="button" data-blind="start">'
        'Listen <kbd>b</kbd>lind</button></div><p class="small quiet open-only">For a class: the '
        "next sheet, an order of its own, for each listener. On phones: each opens this page with "
        "#blind at the end of its address, and sends the code that it ends with.</p></div>"
        '<div data-blind="ask"></div>'
    )


def _called(version: str) -> str:
    return show(version.replace("matched-control", "matched control"))


def _test_choices(test: Design) -> str:
    """Which phrases, how many pairs, and what so many can find."""
    n_pairs = test.count("pair")
    if not n_pairs:
        return ""
    boxes = "".join(
        f'<label class="row"><input type="checkbox" data-blind="phrase" value="{escape(name)}" '
        f"checked> <span>{show(name)}</span></label>"
        for name in test.passages
    )
    numbers = "".join(
        f"<option{' selected' if n == n_pairs else ''}>{n}</option>"
        for n in sorted({*PAIR_COUNTS, n_pairs})
    )
    return (
        f'<fieldset class="set open-only"><legend class="hide">Phrases asked about</legend>{boxes}'
        f'<label>Pairs <select data-blind="pairs">{numbers}</select></label></fieldset>'
        f'<p class="small open-only" data-blind="power">{escape(power_words(n_pairs))}</p>'
    )
