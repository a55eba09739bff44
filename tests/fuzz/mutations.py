"""Mutated files and texts, fed to every reader in a child process that may be lost.

Every input is one of `corpus/` with bytes changed, cut, doubled, repeated or spliced. A finding is
anything but an answer or a refusal of our own in one line: another exception, a process that died,
an input that took longer than `SLOW_S` of processor time or hung.
"""

from __future__ import annotations

import json
import mmap
import os
import random
import resource
import struct
import sys
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from reader_targets import CORPUS, SOUNDS, TARGETS, clear, feed, folder_of_a_song

CHUNK = 20_000
"""So many inputs a child gets before it is replaced."""
SLOW_S = 2.0
HANGS_S = 60.0
MEMORY_BYTES = 4 << 30
LONGEST = 200_000
_ROOM = 1 << 20
_HEAD = struct.Struct("<QII")
TOKENS = (
    *(b"\x00", b"\xff", b"\n", b'"', b"[", b"]", b"{", b"=", b"<", b"&", b"\\", b"\r", b"\t"),
    *(b"1e-12", b"-1", b"nan", b"inf", b"1e400", b"0x10", b"\xef\xbf\xbf", b"\xef\xbb\xbf"),
    *(b"9" * 400, b"\xe2\x80\xae", b"\xed\xa0\x80", b"\xf0\x9f\x8e\xb5", b"\xff\xff\xff\xff"),
    *(b"\x00\x00\x00\x00", b"\x7f\xff\xff\xff", b"\x80\x00\x00\x00"),
)


@dataclass
class Tried:
    """What was fed, and what came of it."""

    inputs: Counter[str] = field(default_factory=Counter)
    findings: Counter[str] = field(default_factory=Counter)
    slowest: dict[str, float] = field(default_factory=dict)
    seconds: float = 0.0


def mutated(data: bytes, others: Sequence[bytes], chance: random.Random) -> bytes:
    """One to six changes: a byte, a cut, a passage twice or many times, a token, a piece of
    another input."""
    made = bytearray(data)
    for _ in range(chance.randint(1, 6)):
        at = chance.randrange(len(made) + 1)
        upto = min(at + chance.randint(1, 64), len(made))
        kind = chance.randrange(60) % 11
        if kind < 2 and at < len(made):
            made[at] = chance.randrange(256)
        elif kind < 4:
            del made[at:upto]
        elif kind < 6:
            made[at:at] = made[at:upto]
        elif kind < 8:
            made[at:upto] = chance.choice(TOKENS)
        elif kind < 10 or chance.random() > 0.02:
            other = chance.choice(others)
            start = chance.randrange(len(other) + 1)
            made[at:upto] = other[start : start + 64]
        else:
            made[at:at] = made[at:upto] * chance.choice((10, 100, 1000))
    return bytes(made[:LONGEST])


def mutate(readers: Sequence[str], *, count: int, seed: int, out: Path) -> Tried:
    """Feed `count` mutated inputs to the readers in turn; keep the findings in `out`."""
    tried, began = Tried(), time.monotonic()
    memory = mmap.mmap(-1, _ROOM + _HEAD.size)
    number = 0
    while (left := count - tried.inputs.total()) > 0:
        memory[: _HEAD.size] = _HEAD.pack(0, 0, 0)
        report = out / f"report-{os.getpid()}"
        out.mkdir(parents=True, exist_ok=True)
        child = os.fork()
        if child == 0:
            _child(memory, readers, min(left, CHUNK), f"{seed}-{number}", out, report)
        why = _watch(child, memory)
        done, which, size = _HEAD.unpack(memory[: _HEAD.size])
        if why:
            name = readers[which]
            kept = bytes(memory[_HEAD.size : _HEAD.size + size])
            (out / f"{name}-lost-{seed}-{number}").write_bytes(kept)
            tried.findings[f"{name}: {why}"] += 1
            tried.inputs[name] += done
        else:
            _add(tried, json.loads(report.read_text(encoding="utf-8")))
        report.unlink(missing_ok=True)
        number += 1
        said = f"{tried.inputs.total()} of {count}, findings {tried.findings.total()}"
        print(f"\r{said}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    tried.seconds = time.monotonic() - began
    return tried


def _watch(child: int, memory: mmap.mmap) -> str:
    """Wait for a child; how it was lost, "" where it ended as it should."""
    seen, since = -1, time.monotonic()
    while True:
        pid, status = os.waitpid(child, os.WNOHANG)
        if pid:
            code = os.waitstatus_to_exitcode(status)
            return "" if code == 0 else f"the process ended with {code}"
        done = _HEAD.unpack(memory[: _HEAD.size])[0]
        if done != seen:
            seen, since = done, time.monotonic()
        elif time.monotonic() - since > HANGS_S:
            os.kill(child, 9)
            os.waitpid(child, 0)
            return f"hung for {HANGS_S:.0f} s"
        time.sleep(0.05)


def _child(
    memory: mmap.mmap, readers: Sequence[str], count: int, seed: str, out: Path, report: Path
) -> None:
    """Feed, tell, and leave without what the parent would do at its end."""
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 2)  # decoders of sound write there as they please
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
        told = _feed_many(memory, readers, count, seed, out)
        report.write_text(json.dumps(told), encoding="utf-8")
    except BaseException:
        os._exit(70)
    os._exit(0)


def _feed_many(
    memory: mmap.mmap, readers: Sequence[str], count: int, seed: str, out: Path
) -> dict[str, dict[str, float]]:
    chance, tried, found = random.Random(seed), Counter[str](), Counter[str]()
    slowest = dict.fromkeys(readers, 0.0)
    inputs = {
        name: [path.read_bytes() for path in sorted((CORPUS / name).iterdir())] for name in readers
    }
    with folder_of_a_song() as folder:
        for number in range(count):
            which = number % len(readers)
            name = readers[which]
            data = mutated(chance.choice(inputs[name]), inputs[name], chance)
            memory[: _HEAD.size] = _HEAD.pack(number, which, len(data))
            memory[_HEAD.size : _HEAD.size + len(data)] = data
            at, words = time.process_time(), ""
            try:
                feed(name, data, folder)
            except BaseException as error:
                words = f"{name}: {type(error).__name__}: {str(error)[:100]}"
            took_s = time.process_time() - at
            words = words or (f"{name}: slower than {SLOW_S:g} s" if took_s > SLOW_S else "")
            if words:
                found[words] += 1
                if found[words] <= 3:
                    (out / f"{name}-{seed}-{number}").write_bytes(data)
            slowest[name] = max(slowest[name], took_s)
            clear(folder)
            tried[name] += 1
    return {"inputs": tried, "findings": found, "slowest": slowest}


def _add(tried: Tried, told: dict[str, dict[str, float]]) -> None:
    tried.inputs.update({name: int(count) for name, count in told["inputs"].items()})
    tried.findings.update({name: int(count) for name, count in told["findings"].items()})
    for name, took_s in told["slowest"].items():
        tried.slowest[name] = max(tried.slowest.get(name, 0.0), took_s)


def table(tried: Tried, readers: Sequence[str]) -> str:
    """A line a reader, and one in all."""
    lines = [
        f"{name:14} {tried.inputs[name]:9} inputs, slowest {tried.slowest.get(name, 0.0):.2f} s"
        for name in readers
    ]
    sounds = sum(tried.inputs[name] for name in readers if name in SOUNDS)
    lines.append(
        f"{sounds} sound files and {tried.inputs.total() - sounds} texts of {len(TARGETS)} kinds "
        f"in {tried.seconds / 3600:.2f} hours; findings {tried.findings.total()}"
    )
    return "\n".join([*lines, *(f"  {n} x {words}" for words, n in tried.findings.most_common(20))])
