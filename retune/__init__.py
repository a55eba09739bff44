"""retune: an audio what-if workbench for the endings of sung phrases."""

from __future__ import annotations

__version__ = "0.1.0"
