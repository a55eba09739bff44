"""How values show themselves in a notebook. What can draw them enters itself in `AS_HTML`."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

AS_HTML: dict[type, Callable[[Any], str]] = {}
"""What makes HTML of a value, by its type; filled by `pipeline.as_html`."""


class Displayed:
    """A value that a notebook shows as tables and a picture."""

    def _repr_html_(self) -> str | None:
        make = AS_HTML.get(type(self))
        return make(self) if make is not None else None
