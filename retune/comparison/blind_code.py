"""Answers of one listener as a short line of text, to send from a phone and to count with others.

    R1;p;anna;2;1;16.2.1;matched-control;home-early;phrase%202,phrase%204;fsffsfssffsfsfsfsff;k3

Parts between semicolons, percent-coded (RFC 3986): the version of this format; "p" for pairs or
"r" for ratings; the listener; sheet; seed; how many pairs (ratings of each version), identical
pairs and practice trials; both versions; the passages, with commas; the answers in the order asked
("f" the first, "s" the second, or 1 to 7), fewer where the test was left early; two signs of check.
The design is made again from these, so the trials need not be sent.
"""

from __future__ import annotations

import re
from pathlib import Path
from urllib.parse import unquote

from retune.carriers.errors import InputError, UsageError
from retune.comparison.blind import Design, pair_design, rating_design
from retune.comparison.responses import Response, parse_responses
from retune.song.limits import MAX_LISTENERS, check_count
from retune.song.textfile import read_text

_CODE = re.compile(r"R\d+;[^\s;]*(?:;[^\s;]*)+")
_N_PARTS = 11
_MOST_TRIALS = 1000
_SIDES = {"f": "first", "s": "second"}
_RATINGS = {mark: mark for mark in "1234567"}
_DIGITS = "0123456789abcdefghijklmnopqrstuvwxyz"


def check_signs(text: str) -> str:
    """Two signs that change with any one sign of `text`, and with two that change places.

    >>> check_signs("ab") != check_signs("ba")
    True
    """
    total = sum(place * ord(sign) for place, sign in enumerate(text, 1)) % 1296
    return _DIGITS[total // 36] + _DIGITS[total % 36]


def codes_in(text: str) -> list[str]:
    """The codes in a text, such as messages pasted together."""
    return _CODE.findall(text)


def read_answers(path: str | Path) -> tuple[Response, ...]:
    """All answers of a file: a CSV table, or codes, one or many, in whatever text.

    Raises InputError, naming the file, for what is neither.
    """
    text = read_text(path, what="a CSV file of answers, or codes (retune help blind-tests)")
    codes = list(dict.fromkeys(codes_in(text)))
    if not codes:
        return parse_responses(text, name=str(path))
    check_count(len(codes), MAX_LISTENERS, "codes", where=str(path))
    found = [one for code in codes for one in responses_of_code(code, where=str(path))]
    if not found:
        raise InputError(f"{path}: the codes hold no answers")
    seen: set[tuple[str, str, int]] = set()
    for one in found:
        if one.key in seen:
            raise InputError(
                f"{path}: two codes of {one.listener}, sheet {one.sheet}, differ; remove one, or "
                "put them into two files"
            )
        seen.add(one.key)
    return tuple(found)


def responses_of_code(code: str, *, where: str) -> tuple[Response, ...]:
    """The answers of one code.

    Raises InputError, beginning with `where`, for one that is mistyped, cut or of another version.
    """
    parts = code.split(";")
    if parts[0] != "R1":
        raise InputError(f"{where}: a code of version {parts[0][1:]}; this program reads version 1")
    if len(parts) != _N_PARTS or check_signs(code[: code.rindex(";")]) != parts[-1]:
        raise InputError(
            f'{where}: the code "{code[:24]}..." was mistyped or cut; ask for it again'
        )
    try:
        design = _design(parts)
    except (ValueError, UsageError) as error:
        raise InputError(f'{where}: the code "{code[:24]}..." is of no test: {error}') from error
    listener, answers = unquote(parts[2]) or "listener", parts[9]
    if len(answers) > len(design.trials):
        raise InputError(f"{where}: {len(answers)} answers to {len(design.trials)} trials")
    return tuple(_response(design, k, listener, answer, where) for k, answer in enumerate(answers))


def _design(parts: list[str]) -> Design:
    n_asked, n_identical, n_practice = map(int, parts[5].split("."))
    if n_asked + n_identical + n_practice > _MOST_TRIALS:
        raise ValueError(f"more than {_MOST_TRIALS} trials")
    versions = unquote(parts[6]), unquote(parts[7])
    passages = [unquote(name) for name in parts[8].split(",")]
    sheet, seed = int(parts[3]), int(parts[4])
    if parts[1] == "r":
        return rating_design(
            versions,
            passages=passages,
            n_each=n_asked,
            n_practice=n_practice,
            seed=seed,
            sheet=sheet,
        )
    return pair_design(
        versions,
        passages=passages,
        n_pairs=n_asked,
        n_identical=n_identical,
        n_practice=n_practice,
        seed=seed,
        sheet=sheet,
    )


def _response(design: Design, k: int, listener: str, answer: str, where: str) -> Response:
    trial = design.trials[k]
    allowed = _SIDES if trial.second else _RATINGS
    if answer not in allowed:
        raise InputError(f'{where}: answer "{answer}" to trial {k + 1}')
    return Response(
        listener=listener,
        sheet=str(design.sheet),
        trial=trial.number,
        kind=trial.kind,
        passage=trial.passage,
        first=trial.first,
        second=trial.second,
        answer=allowed[answer],
    )
