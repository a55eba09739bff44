"""Figures of README and docs are those that the benches, and the notebooks, printed last.

`tests/bench/printed` keeps what a bench printed, under its command. Whoever runs one again puts its
output there, and this names every figure that has to follow.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

import retune

DOCS = Path(retune.__file__).parent / "docs"
TOP = DOCS.parent.parent
PRINTED = TOP / "tests" / "bench" / "printed"
if not PRINTED.is_dir() or not (TOP / "README.md").is_file():
    pytest.skip("an installation has no benches", allow_module_level=True)
README = (TOP / "README.md").read_text(encoding="utf-8")
NUMBER = r"(\d*\.?\d+)"

PHRASES = "bench_phrases.txt"
COUNTED = r"[\d.]+ / [\d.]+ / {}\s+[\d.]+ / [\d.]+ / [\d.]+"
INTERNAL = r"[\d.]+ / [\d.]+ / [\d.]+\s+[\d.]+ / [\d.]+ / {}"


def phrases(row: str, columns: str) -> str:
    """Where a row of the table of phrases has its F1."""
    return rf"{row}\s+{columns.format(NUMBER)}"


REPITCH = "bench_repitch.txt"
PSOLA = r"pulse\s+-200 psola"
MCD = rf"\s+(?:\S+\s+){{5}}{NUMBER}"

TIMING = "bench_timing.txt"
WAYS = {
    "**retune (psola)**": "retune",
    "Rubber Band R3": "Rubber Band R3",
    "python-stretch": "python-stretch",
}

ROOM = "bench_room.txt"
ROOMS = ("retune", "retune, with its tail")

REAL_VOICES = "bench_real_voices.txt"
SHIFTS = ("-400", "-200", "-100", "200", "700")

TRUST = "bench_trust.txt"
SURE = {
    "made, by the other half": (".145", ".31 of 205"),
    "real, first reading": (".162", ".38 of 21"),
    "real, second reading": (".183", ".33 of 21"),
}


def timing(way: str) -> list[str]:
    """Where both tables of moves in time have the figures of a way."""
    rows = [rf"{way}\s+(?:[\d.]+\s+){{{k}}}{NUMBER}" for k in range(8)]
    return rows + [rf"onset ms[\s\S]*?{way}\s+(?:[\d.]+\s+){{{k}}}{NUMBER}" for k in range(4)]


CLAIMS = {
    "README, cleanness": (
        "README.md",
        "singing the new pitch by # dB of mel-cepstral distortion",
        REPITCH,
        [PSOLA + MCD],
    ),
    "README, phrases": (
        "README.md",
        "phrases begin inside folk tunes, F # , or # if the bars are known",
        PHRASES,
        [
            phrases("retune, bars unknown", INTERNAL),
            phrases("retune, bars known", INTERNAL),
        ],
    ),
    "numbers, phrases": (
        "retune/docs/numbers.md",
        "F1 # without bars, # with them, against # for LBDM",
        PHRASES,
        [
            phrases("retune, bars unknown", INTERNAL),
            phrases("retune, bars known", INTERNAL),
            phrases("LBDM", INTERNAL),
        ],
    ),
    "numbers, phrases with the first note counted": (
        "retune/docs/numbers.md",
        "runs give # , # and # , and a finder that never cuts scores #",
        PHRASES,
        [
            phrases("retune, bars unknown", COUNTED),
            phrases("retune, bars known", COUNTED),
            phrases("LBDM", COUNTED),
            phrases("never", COUNTED),
        ],
    ),
    **{
        f"numbers, {way} in time": (
            "retune/docs/numbers.md",
            f"| {name} |{' # |' * 12}",
            TIMING,
            timing(way),
        )
        for name, way in WAYS.items()
    },
    **{
        f"numbers, {way} in a room": (
            "retune/docs/numbers.md",
            f"| {way} | # | # | # | # |",
            ROOM,
            [rf"{way}\s+{rt60}\s+[-\d.]+\s+(-?[\d.]+)" for rt60 in ("0.3", "0.6", "1.0", "1.5")],
        )
        for way in ROOMS
    },
    **{
        f"numbers, how sure: {name}": (
            "retune/docs/numbers.md",
            f"| {name} | # | # | {before} | # | # | {doubted}, # of # | # of # |",
            TRUST,
            [
                rf"{name}\s+{NUMBER} notes",
                rf"{name} .*right {NUMBER}  Brier",
                rf"{name} .*Brier {NUMBER}",
                rf"{name} .*all alike {NUMBER}",
                rf"{name} .*wrong of them {NUMBER}",
                rf"{name} .*in doubt\s+{NUMBER}",
                rf"{name} .*told .95:\s+\d+, right {NUMBER}",
                rf"{name} .*told .95:\s+{NUMBER}",
            ],
        )
        for name, (before, doubted) in SURE.items()
    },
    **{
        f"numbers, real voices {where}": (
            "retune/docs/numbers.md",
            f"| {where} |{' # of # |' * len(SHIFTS)}",
            REAL_VOICES,
            [
                row
                for shift in SHIFTS
                for row in (
                    rf"\npsola{room}\s+{shift} .*?{NUMBER} of \d+",
                    rf"\npsola{room}\s+{shift} .*?\d+ of {NUMBER}",
                )
            ],
        )
        for where, room in (("as recorded", ""), ("in the room", " room"))
    },
    "numbers, speed on real voices": (
        "retune/docs/numbers.md",
        f"| times real time |{' # |' * len(SHIFTS)}",
        REAL_VOICES,
        [rf"\npsola\s+{shift} .* x{NUMBER}" for shift in SHIFTS],
    ),
    "numbers, notes of whole finished songs": (
        "retune/docs/numbers.md",
        "of # notes # % lie where nobody sings, and # % of the # sung notes are found",
        "bench_finished.txt",
        [rf"\nall\s+(?:[\d.]+\s+){{{k}}}{NUMBER}" for k in (0, 1, 4, 3)],
    ),
    "changelog, notes of whole finished songs": (
        "CHANGELOG.md",
        "at 0 dB # % of the sung notes are found (86 before) and # % of the notes drawn lie where",
        "bench_finished.txt",
        [rf"\nall\s+(?:[\d.]+\s+){{{k}}}{NUMBER}" for k in (4, 1)],
    ),
    "numbers, the voice lifted out of a mix": (
        "retune/docs/numbers.md",
        "by harmonics # / # dB, by the published networks # / #, their plain mean # / #, as "
        "retune joins them # / # dB; a mask of the true powers # / #",
        "bench_joined.txt",
        [
            rf"{room}\s+(?:\S+\s+){{{k}}}{NUMBER}"
            for k in range(5)
            for room in ("dB, dry", "dB, room")
        ],
    ),
    "stems, a mix beside its stems": (
        "retune/docs/stems.md",
        "in phrase 2 of the demo song # cents and # dB (# dB if nothing is done)",
        "05_from_a_finished_recording.ipynb",
        [
            rf"{NUMBER} cents and [\d.]+ dB apart",
            rf"cents and {NUMBER} dB apart",
            rf"unmoved note: {NUMBER} dB",
        ],
    ),
    "blind tests, power": (
        "retune/docs/blind-tests.md",
        "right 7 times of 10 is noticed in # % of tests",
        "02_bass_or_melody.ipynb",
        [rf"two-sided, 10 trials: 7 right of 10 are noticed in {NUMBER} %"],
    ),
}


def printed(name: str) -> str:
    """What a bench printed, or a notebook shows."""
    if not name.endswith(".ipynb"):
        return (PRINTED / name).read_text(encoding="utf-8")
    cells = json.loads((TOP / "notebooks" / name).read_text(encoding="utf-8"))["cells"]
    outputs = [output for cell in cells for output in cell.get("outputs", [])]
    return "".join("".join(output.get("text", [])) for output in outputs)


def as_printed(figure: str, value: str) -> bool:
    """Whether a figure of a page is the value that was printed, to the places that it has."""
    places = len(figure.partition(".")[2])
    return f"{float(value):.{places}f}" == f"{float(figure):.{places}f}"


@pytest.mark.parametrize("claim", CLAIMS)
def test_figures_are_those_last_printed(claim: str) -> None:
    page, sentence, source, rows = CLAIMS[claim]
    text = " ".join((TOP / page).read_text(encoding="utf-8").split())
    pattern = re.escape(sentence).replace(r"\#\ ,", f"{NUMBER},").replace(r"\#", NUMBER)
    said = re.search(pattern, text)
    assert said, f"{page} no longer says: {sentence}"
    table = printed(source)
    values = []
    for row in rows:
        found = re.search(row, table)
        assert found, f"{source} no longer prints {row}"
        values.append(found[1])
    wrong = [pair for pair in zip(said.groups(), values, strict=True) if not as_printed(*pair)]
    assert not wrong, f"{page}: (said, printed by {source}) {wrong}"


def test_the_default_engine_has_the_least_distortion_of_all_printed() -> None:
    rows = re.findall(rf"pulse\s+-200 (\S+){MCD}", printed(REPITCH))
    engines = {name: float(value) for name, value in rows if name not in ("floor", "control")}
    assert len(engines) >= 4
    assert min(engines, key=lambda name: engines[name]) == "psola"


def test_no_way_has_less_distortion_in_time_at_any_factor_printed() -> None:
    table = printed(TIMING)
    rows = {way: [re.search(row, table) for row in timing(way)[:8]] for way in WAYS.values()}
    ours, *theirs = ([float(found[1]) for found in row if found] for row in rows.values())
    assert len(ours) == 8
    assert all(a <= b for other in theirs for a, b in zip(ours, other, strict=True))


def test_the_speed_in_the_readme_is_of_the_size_printed() -> None:
    said = re.search(r"re-pitched about (\d+) times faster", README)
    found = re.search(rf"{PSOLA}\s+(?:\S+\s+){{13}}{NUMBER}", printed(REPITCH))
    assert said is not None
    assert found is not None
    assert 0.7 < float(found[1]) / float(said[1]) < 1.5, "processor time differs by machine and run"


def test_every_printed_table_names_its_command() -> None:
    for path in PRINTED.iterdir():
        first = path.read_text(encoding="utf-8").split("\n", 1)[0]
        bench = re.match(r"\$ python (tests/bench/\w+\.py)", first)
        assert bench, path.name
        assert (TOP / bench[1]).is_file()
        assert path.stem == Path(bench[1]).stem


def test_a_figure_is_compared_to_its_own_places() -> None:
    assert as_printed(".58", "0.580")
    assert as_printed("1.3", "1.32")
    assert not as_printed("1.3", "1.36")
