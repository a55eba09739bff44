"""Shared by all tests: a cache of their own, libraries on one thread, code compiled once."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from hypothesis import settings

from retune.sound.compiled import prepare

for _name in ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
os.environ.setdefault("RETUNE_CACHE", str(Path(tempfile.gettempdir()) / "retune-test-cache"))

# Tests run side by side in several processes that keep compiled code in one folder, and some import
# librosa before anything of ours.
prepare()

# The same examples every time, on machines of any speed.
settings.register_profile("repeatable", deadline=None, derandomize=True)
settings.load_profile("repeatable")
