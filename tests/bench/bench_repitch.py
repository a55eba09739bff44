"""Compare ways to re-pitch notes with what the voice would have been.

    python tests/bench/bench_repitch.py                          all voices, down two semitones
    python tests/bench/bench_repitch.py --quick                  two voices, one tune
    python tests/bench/bench_repitch.py --shifts=-100,100,-200,-400,700 --plot out.png
    python tests/bench/bench_repitch.py --engines psola,praat --shifts=-200,700 --plot out.png

Rows are means over the chosen voices of a kind; "floor" is the truth rendered again with other
noise and pulses, "control" retune's matched control judged against the original. Columns: RMS of
f0 inside notes and +-70 ms about slides with the boundaries right, 20 and 40 ms off (cents);
vibrato extent; mel-cepstral and log-spectral distance; harmonics to noise less the truth's; worst
click; worst level about a join; worst onset (ms); consonants (SNR, dB); samples outside edits and
joins that are identical; edited seconds a second of processor time.
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from ground_truth import RATE_HZ, SINGERS, has_speech, make_pair
from metrics import NAMES, Judge
from repitchers import Task, available, control, make_task

COLUMNS = ("core_cents", "edge_cents", "edge20", "edge40", *NAMES[2:], "x_realtime")
OFFS_S = (0.0, 0.02, 0.04)
QUICK = ("speech,tenor", "b")


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--engines", default="", help="comma list; default: all that are installed")
    parser.add_argument("--voices", default="", help=f"comma list of {', '.join(SINGERS)}")
    parser.add_argument("--tunes", default="a,b")
    parser.add_argument(
        "--shifts", default="-200", help="cents, comma list, e.g. --shifts=-200,700"
    )
    parser.add_argument("--quick", action="store_true", help=f"voices {QUICK[0]}, tune {QUICK[1]}")
    parser.add_argument("--track", default="praat", choices=("praat", "retune"))
    parser.add_argument("--plot", default="", help="write a picture of the table here (PNG or SVG)")
    args = parser.parse_args()
    if args.quick:
        args.voices, args.tunes = args.voices or QUICK[0], QUICK[1]
    return args


def _edited_s(task: Task) -> float:
    return sum(edit.end_s - edit.start_s for edit in task.edits)


def _processor_s() -> float:
    """Processor time of this process and of the programs it has run."""
    spent = os.times()
    return spent.user + spent.system + spent.children_user + spent.children_system


def judge_way(way, judge: Judge, tasks: list[Task]) -> dict[str, float]:  # type: ignore[no-untyped-def]
    """All columns of one way on one pair; the boundaries are off by each of OFFS_S."""
    first = tasks[0]
    way(Task(first.audio, first.stem, first.edits[:1]))  # whatever is done once, compiling included
    began = _processor_s()
    sound = way(first)
    spent = max(_processor_s() - began, 1e-6)
    row = judge.measure(sound)
    row["x_realtime"] = _edited_s(first) / spent
    for name, task in zip(("edge20", "edge40"), tasks[1:], strict=True):
        row[name] = judge.edge_cents(way(task))
    return row


def control_row(judge: Judge, task: Task) -> dict[str, float]:
    """The control against the original, as far as the measures make sense."""
    from dataclasses import replace

    pair = judge.pair
    still = Judge(replace(pair, truth=pair.original, cents_truth=pair.cents))
    row = still.measure(control(task))
    return row | {"edge20": np.nan, "edge40": np.nan, "x_realtime": np.nan}


def table(args: argparse.Namespace) -> dict[tuple[str, float, str], dict[str, float]]:
    """(kind of voice, shift, way) -> mean of each column."""
    ways = available()
    chosen = [w for w in args.engines.split(",") if w] or ["floor", *ways, "control"]
    voices = [v for v in args.voices.split(",") if v] or list(SINGERS)
    if not has_speech():
        print("festival is not installed: no speech voice", file=sys.stderr)
        voices = [v for v in voices if SINGERS[v].kind != "speech"]
    rows: dict[tuple[str, float, str], list[dict[str, float]]] = {}
    for shift in (float(s) for s in args.shifts.split(",")):
        for voice in voices:
            for tune in args.tunes.split(","):
                judge = Judge(make_pair(voice, tune, shift))
                tasks = [make_task(judge.pair, off_s=off, by=args.track) for off in OFFS_S]
                for name in chosen:
                    row = _row(name, ways, judge, tasks)
                    rows.setdefault((SINGERS[voice].kind, shift, name), []).append(row)
    return {
        key: {c: _mean([row[c] for row in found]) for c in COLUMNS} for key, found in rows.items()
    }


def _mean(values: list[float]) -> float:
    known = [value for value in values if np.isfinite(value)]
    return float(np.mean(known)) if known else float("nan")


def _row(name, ways, judge: Judge, tasks: list[Task]) -> dict[str, float]:  # type: ignore[no-untyped-def]
    if name == "floor":
        row = judge.measure(judge.pair.other)
        return row | {
            "edge20": row["edge_cents"],
            "edge40": row["edge_cents"],
            "x_realtime": np.nan,
        }
    if name == "control":
        return control_row(judge, tasks[0])
    return judge_way(ways[name], judge, tasks)


def show(rows: dict[tuple[str, float, str], dict[str, float]]) -> None:
    short = [
        "core",
        "edge",
        "edge20",
        "edge40",
        "vibr",
        "mcd",
        "lsd",
        "hnr",
        "click",
        "level",
        "onset",
        "cons",
        "ident%",
        "x real",
    ]
    print(f"{'voice':8s}{'shift':>6s} {'engine':16s}" + "".join(f"{c:>8s}" for c in short))
    for (kind, shift, name), row in sorted(rows.items(), key=lambda item: (item[0][0], item[0][1])):
        print(f"{kind:8s}{shift:6.0f} {name:16s}" + "".join(f"{row[c]:8.2f}" for c in COLUMNS))


def plot(rows: dict[tuple[str, float, str], dict[str, float]], path: str) -> None:
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot as plt

    shown = (
        "core_cents",
        "edge_cents",
        "edge40",
        "mcd_db",
        "lsd_db",
        "hnr_db",
        "click_db",
        "level_db",
    )
    groups = sorted({key[:2] for key in rows})
    figure, axes = plt.subplots(
        len(groups), len(shown), figsize=(2.2 * len(shown), 2.6 * len(groups)), squeeze=False
    )
    for line, group in zip(axes, groups, strict=True):
        names = [key[2] for key in rows if key[:2] == group]
        for axis, column in zip(line, shown, strict=True):
            axis.barh(names[::-1], [rows[(*group, n)][column] for n in names[::-1]], color="0.45")
            axis.set_title(f"{column}\n{group[0]} {group[1]:+.0f}", fontsize=8)
            axis.tick_params(labelsize=6)
            if axis is not line[0]:
                axis.set_yticklabels([])
    figure.tight_layout()
    figure.savefig(path, dpi=110)


def main() -> None:
    args = arguments()
    rows = table(args)
    show(rows)
    if args.plot:
        plot(rows, args.plot)
        print(f"picture: {args.plot} (rate {RATE_HZ} Hz)")


if __name__ == "__main__":
    main()
