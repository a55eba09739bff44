"""Shared by all tests: a cache of their own, one thread for numeric libraries."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from hypothesis import settings

for _name in ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
os.environ.setdefault("RETUNE_CACHE", str(Path(tempfile.gettempdir()) / "retune-test-cache"))

# The same examples every time, on machines of any speed.
settings.register_profile("repeatable", deadline=None, derandomize=True)
settings.load_profile("repeatable")
