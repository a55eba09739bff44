"""`python -m retune`."""

from __future__ import annotations

from retune.faces.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
