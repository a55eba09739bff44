"""The browser that the tests of pages open, and the marks of a test that needs one."""

from __future__ import annotations

import importlib.util
import os
import shutil

import pytest

CHROMIUM = (
    os.environ.get("RETUNE_CHROMIUM") or shutil.which("chromium") or shutil.which("google-chrome")
)
ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
]
NEEDS_CHROMIUM = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium: set RETUNE_CHROMIUM to its path"),
    pytest.mark.skipif(
        importlib.util.find_spec("playwright") is None, reason="the package playwright is missing"
    ),
]
