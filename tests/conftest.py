"""Shared by all tests: a cache of their own, one thread for numeric libraries."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from hypothesis import settings

for _name in ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
os.environ.setdefault("RETUNE_CACHE", str(Path(tempfile.gettempdir()) / "retune-test-cache"))

# Tests run side by side in several processes. Two that compile into one folder at once can crash
# (seen with librosa's cached gufuncs), so each process has its own, kept from one run to the next.
if _process := os.environ.get("PYTEST_XDIST_WORKER"):
    _compiled = Path(os.environ.get("NUMBA_CACHE_DIR") or f"{os.environ['RETUNE_CACHE']}-compiled")
    os.environ["NUMBA_CACHE_DIR"] = str(_compiled / _process)

# The same examples every time, on machines of any speed.
settings.register_profile("repeatable", deadline=None, derandomize=True)
settings.load_profile("repeatable")
