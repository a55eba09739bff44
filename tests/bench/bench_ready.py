"""How long until there is something to read? Prints processor seconds of whole commands.

    python tests/bench/bench_ready.py [--new-machine]

Each is a process of its own: help; a 20 s voice with nothing kept but compiled code; the demo
again, with everything kept; and with --new-machine the demo with nothing kept at all.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from importlib.metadata import version
from pathlib import Path

import soundfile

VOICE_S = 20
DEMO = Path(__file__).resolve().parents[2] / "demo_audio"


def _environment() -> dict[str, str]:
    """Ours, but Python keeps what it compiles, as it does where a package is installed."""
    return {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}


def run(*words: str, **caches: str) -> tuple[float, float]:
    """Processor seconds of a command, and seconds on the wall until its first line."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    began = time.monotonic()
    with subprocess.Popen(
        [sys.executable, "-m", "retune", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        env=_environment() | caches,
    ) as process:
        assert process.stdout is not None
        process.stdout.readline()
        first_s = time.monotonic() - began
        process.stdout.read()
    assert process.returncode == 0, words
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return spent, first_s


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--new-machine", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        samples, rate_hz = soundfile.read(DEMO / "vocal.flac", stop=VOICE_S * 44_100)
        soundfile.write(folder / "voice.wav", samples, rate_hz)
        voice = ("analyze", str(folder / "voice.wav"), "--no-cache", "--key", "Bb major")
        demo = ("demo", "--out", str(folder / "demo"))
        rows = {"help": run("--help")}
        run(*voice)
        rows[f"analyze, {VOICE_S} s voice"] = min(run(*voice) for _ in range(3))
        if given.new_machine:
            caches = {"RETUNE_CACHE": name + "/kept", "NUMBA_CACHE_DIR": name + "/compiled"}
            rows["demo, new machine"] = run(*demo, **caches)
            rows["demo, again"] = run(*demo, **caches)
    print(
        f"librosa {version('librosa')}, numba {version('numba')}, Python {sys.version.split()[0]}"
    )
    print(f"{'':24}{'CPU s':>8}{'first line, s':>16}")
    for what, (spent, first_s) in rows.items():
        print(f"{what:24}{spent:8.2f}{first_s:16.2f}")


if __name__ == "__main__":
    main()
