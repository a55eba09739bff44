"""What a request holds, read strictly: a wrong kind is told by field, never guessed at."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, TypeGuard

from retune.carriers.errors import UsageError

MAX_TEXT = 20_000
MAX_ITEMS = 2_000
MAX_WHOLE = 2**53 - 1  # the whole numbers that JSON carries exactly (RFC 8259, section 6)


class Asked:
    """The JSON object of a request."""

    def __init__(self, value: Any) -> None:
        if not isinstance(value, Mapping):
            raise UsageError("the request must be a JSON object")
        self._value = value

    def text(self, name: str, default: str | None = None) -> str:
        """A string. Raises UsageError when it is missing (without default) or none."""
        value = self._value.get(name, default)
        if not _is_text(value):
            raise UsageError(f"{name} must be a text of at most {MAX_TEXT} characters")
        return value

    def line(self, name: str, default: str | None = None) -> str:
        """A string of one line, spaces at its ends removed."""
        text = self.text(name, default).strip()
        if len(text.splitlines()) > 1:
            raise UsageError(f"{name} must be one line")
        return text

    def number(self, name: str, default: float | None = None) -> float:
        value = self._value.get(name, default)
        is_number = _is_whole(value) or (isinstance(value, float) and math.isfinite(value))
        if not is_number:
            raise UsageError(f"{name} must be a number")
        return float(value)

    def whole(self, name: str, default: int | None = None) -> int:
        value = self._value.get(name, default)
        if not _is_whole(value):
            raise UsageError(f"{name} must be a whole number")
        return value

    def flag(self, name: str, default: bool = False) -> bool:
        value = self._value.get(name, default)
        if not isinstance(value, bool):
            raise UsageError(f"{name} must be true or false")
        return value

    def lines(self, name: str) -> tuple[str, ...]:
        """A list of strings; an empty one when missing."""
        value = self._value.get(name, [])
        is_list = isinstance(value, list) and len(value) <= MAX_ITEMS
        if not is_list or not all(map(_is_text, value)):
            raise UsageError(f"{name} must be a list of texts")
        return tuple(value)

    def objects(self, name: str) -> tuple[Asked, ...]:
        """A list of JSON objects; an empty one when missing."""
        value = self._value.get(name, [])
        if not isinstance(value, list) or len(value) > MAX_ITEMS:
            raise UsageError(f"{name} must be a list of objects")
        return tuple(Asked(item) for item in value)

    def span(self, name: str) -> tuple[int, int] | None:
        """Two whole numbers, or None."""
        value = self._value.get(name)
        if value is None:
            return None
        if not isinstance(value, list) or len(value) != 2 or not all(map(_is_whole, value)):
            raise UsageError(f"{name} must be two whole numbers")
        return value[0], value[1]


def _is_text(value: Any) -> TypeGuard[str]:
    """Whether it is a string that is not too long and can be written to a file: JSON can spell
    halves of characters that no encoding holds."""
    if not isinstance(value, str) or len(value) > MAX_TEXT:
        return False
    return value.isascii() or not any("\ud800" <= c <= "\udfff" for c in value)


def _is_whole(value: Any) -> TypeGuard[int]:
    return isinstance(value, int) and not isinstance(value, bool) and abs(value) <= MAX_WHOLE
