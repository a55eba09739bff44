"""Do what README and every page of the docs say, word for word, with a wheel as a stranger has it.

    pip wheel --no-deps --wheel-dir dist .
    python tests/word_for_word.py dist                # with the Python that runs this
    python tests/word_for_word.py dist README rules   # these pages alone

The wheel is installed with the extras that the docs name into an environment made anew, in a folder
with nothing else in it, and with none of this shell's settings. The demo is made, then each block
of commands, Python and rules runs in the order of its page. What needs machines or songs of the
reader's own is listed and passed over. Exits 1 when anything fails or warns of deprecation in
retune's own code. Takes five to ten minutes.
"""

from __future__ import annotations

import glob
import os
import re
import shlex
import subprocess
import sys
import tempfile
import time
import venv
from collections.abc import Iterator
from pathlib import Path

HOME = Path(__file__).resolve().parent.parent
EXTRAS = "web,exports,video,media,corpus,slides,dask"
FENCE = re.compile(r"^```([a-z -]*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
OF_THE_READER = ("--dask", "songs/")
SET_UP = ("python3 -m venv", ".venv/bin/pip", ". .venv/", "pip install '.[")
OF_THE_SYSTEM = ("SYSTEMROOT", "TEMP", "TMP", "USERPROFILE", "HOME", "LANG", "SSL_CERT_FILE")
STRICT = ("-W", "error::DeprecationWarning:retune", "-W", "error::FutureWarning:retune")


PLANS = """import pathlib, sys, retune
text = pathlib.Path("lantern-song/song.toml").read_text("utf-8")
path = pathlib.Path("lantern-song/chorus.toml")
path.write_text(text.replace('"13:1", "verse"', '"13:1", "chorus"'), "utf-8")
song = retune.open(path)
for rule in sys.argv[1:]: song.plan(rule)"""


class Stranger:
    """Somebody with the wheel, an empty folder and the pages."""

    def __init__(self, room: Path, wheel: Path) -> None:
        venv.create(room / "fresh", with_pip=True)
        self.bin = room / "fresh" / ("Scripts" if os.name == "nt" else "bin")
        self.place, self.faults = room / "place", 0
        self.place.mkdir()
        kept = {name: os.environ[name] for name in OF_THE_SYSTEM if name in os.environ}
        system = os.environ["PATH"] if os.name == "nt" else os.defpath
        self.environment = {**kept, "PATH": os.pathsep.join((str(self.bin), system))}
        self.environment |= {"RETUNE_CACHE": str(room / "cache"), "PYTHONUTF8": "1"}
        known = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
        install = [self.python, "-m", "pip", "install", "-q", f"{wheel}[{EXTRAS}]"]
        subprocess.run(install, env=known, check=True)

    @property
    def python(self) -> str:
        return str(self.bin / "python")

    def does(self, page: str, words: list[str], *, serves: bool = False) -> None:
        """Run a command, and tell how it went in a line."""
        begun = time.perf_counter()
        said = self._serve(words) if serves else self._run(words)
        self.faults += bool(said)
        state = "FAILED" if said else "ok"
        line = shlex.join(word for word in words[1:] if word not in (*STRICT, PLANS, "-c", "-m"))
        print(f"{state:6} {time.perf_counter() - begun:6.1f} s  {page}: {line[:110]}", flush=True)
        if said:
            print(said[-2000:])

    def _run(self, words: list[str]) -> str:
        done = subprocess.run(
            words, cwd=self.place, env=self.environment, capture_output=True, check=False
        )
        return "" if done.returncode == 0 else (done.stderr + done.stdout).decode(errors="replace")

    def _serve(self, words: list[str]) -> str:
        """What was said if no address is told, else nothing; a server is ended then."""
        with subprocess.Popen(
            [*words, "--no-browser"],
            cwd=self.place,
            env=self.environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        ) as served:
            assert served.stdout is not None
            said = ""
            for line in served.stdout:
                said += line.decode(errors="replace")
                if "http://127.0.0.1:" in said:
                    served.terminate()
                    return ""
        return said or "it ended without a word"

    def follows(self, name: str, text: str) -> None:
        """Do what one page says, in its order."""
        for kind, block in FENCE.findall(text):
            if kind == "python":
                (self.place / "block.py").write_text(block, encoding="utf-8")
                self.does(name, [self.python, *STRICT, "block.py"])
            lines = [line for line in block.splitlines() if line.strip()]
            if kind == "rule":
                self.does(name, [self.python, *STRICT, "-c", PLANS, *lines])
            for line in lines:
                if kind == "sh" and line.startswith(SET_UP):
                    continue
                if kind == "sh" and any(word in line for word in OF_THE_READER):
                    print(f"passed over, the reader's own: {line}")
                elif kind == "sh":
                    self.does(name, self._command(line), serves=line.startswith("retune serve"))

    def _command(self, line: str) -> list[str]:
        program, *words = shlex.split(line)
        assert program == "retune", line
        found = [
            [str(Path(path).relative_to(self.place)) for path in glob.glob(str(self.place / word))]
            for word in words
        ]
        spread = [one for word, paths in zip(words, found, strict=True) for one in paths or [word]]
        return [self.python, *STRICT, "-m", "retune", *spread]


def pages() -> Iterator[tuple[str, str]]:
    """Every page, the README first."""
    for path in (HOME / "README.md", *sorted((HOME / "retune" / "docs").glob("*.md"))):
        yield path.stem, path.read_text(encoding="utf-8")


def main(given: Path, *only: str) -> int:
    """Install a wheel, or the one in a folder, make the demo, and follow the pages."""
    (wheel,) = given.glob("retune-*.whl") if given.is_dir() else [given]
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        stranger = Stranger(Path(name).resolve(), wheel.resolve())
        program = str(stranger.bin / "retune")
        for words in ([program], [program, "doctor"], [program, "demo"], [program, "help"]):
            stranger.does("first", words)
        for page, text in pages():
            if not only or page in only:
                stranger.follows(page, text)
        print(f"Python {sys.version.split()[0]}: {stranger.faults} failed")
        return 1 if stranger.faults else 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), *sys.argv[2:]))
