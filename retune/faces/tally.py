"""`retune tally`: answers of listeners counted, told in words and tables."""

from __future__ import annotations

import argparse
from pathlib import Path

from retune.comparison.statistics import Score, Sides
from retune.comparison.tally import PairTally, Tally
from retune.comparison.tally import tally as count
from retune.faces import show
from retune.sound.files import refuse_inputs
from retune.sound.folders import named_file
from retune.sound.made_files import made_file


def tally(arguments: argparse.Namespace) -> int:
    """Run the command."""
    sides: Sides = "one-sided" if arguments.one_sided else "two-sided"
    counted = count(arguments.responses, version=arguments.version, sides=sides)
    if arguments.plot:
        _write_plot(counted, Path(arguments.plot), arguments.responses)
    if arguments.json:
        show.as_json(counted.to_json())
    else:
        _show(counted)
    show.warn(counted.warnings)
    return 0


def _write_plot(counted: Tally, path: Path, inputs: list[str]) -> None:
    from retune.comparison.exports.tally_plot import tally_svg

    refuse_inputs(path, inputs, option="--plot")
    place = named_file(path)
    with made_file(place, "w") as stream:
        stream.write(tally_svg(counted))


def _show(counted: Tally) -> None:
    for pair in counted.pairs:
        show.print_lines(show.table(_title(pair), COLUMNS, _rows(pair)))
        show.print_lines(pair.pooled.verdict)
        firsts, n = pair.first_heard
        show.print_lines(f"the first heard was chosen in {firsts} of {n} trials")
        show.print_lines(_power_words(pair.pooled))
    for naming in counted.namings:
        title = f"X named rightly, {' or '.join(naming.versions)} (one-sided exact test)"
        rows = [_row(name, score) for name, score in naming.listeners.items()]
        rows += [_row("pooled", naming.pooled)] if len(rows) > 1 else []
        show.print_lines(show.table(title, COLUMNS, rows))
        show.print_lines(naming.pooled.verdict)
    for rating in counted.ratings:
        show.print_lines(
            f"{rating.version}: rated {rating.mean:.2f} on average, median {rating.median:g}, "
            f"{rating.n} answers (1 to 7)"
        )
    for names, (one, other) in counted.hands.items():
        show.print_lines(f"hands for {names}: {one} and {other} (hands influence each other: no p)")
    firsts, n = counted.identical
    if n:
        show.print_lines(f"identical pairs: the first was chosen in {firsts} of {n} trials")


COLUMNS = ("listener", "chosen", "p", "95 % exact", "95 % Wilson")


def _title(pair: PairTally) -> str:
    return f"{pair.version} chosen over {pair.other} ({pair.pooled.sides} exact test)"


def _rows(pair: PairTally) -> list[tuple[str, ...]]:
    rows = [_row(name, score) for name, score in pair.listeners.items()]
    return [*rows, _row("pooled", pair.pooled)] if len(rows) > 1 else rows


def _row(name: str, score: Score) -> tuple[str, ...]:
    return (
        name,
        f"{score.k} of {score.n}",
        f"{score.p:.4f}",
        *("{:.3f} to {:.3f}".format(*span) for span in (score.clopper_pearson, score.wilson)),
    )


def _power_words(score: Score) -> str:
    needed = score.trials_needed
    more = f"; {needed} trials would give 80 %" if needed and needed > score.n else ""
    return (
        f"power: a true share of 70 % would be noticed with {score.n} trials in "
        f"{100 * score.power:.0f} % of tests{more}"
    )
