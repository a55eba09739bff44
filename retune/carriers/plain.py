"""Carriers as plain values and back: what a cache can keep without pickling.

`to_plain` turns a frozen dataclass into JSON values and numpy arrays, `from_plain` reads them by
the type hints of the class. Values come back equal, bit for bit: JSON writes the shortest digits
that give the same float64 again, and numbers that JSON has no digits for become words.
"""

from __future__ import annotations

import math
import types
import typing
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import Any, Literal, Union, get_args, get_origin

import numpy as np
from numpy.typing import NDArray


def to_plain(value: Any) -> tuple[Any, dict[str, NDArray[Any]]]:
    """`value` as JSON values, and the arrays it holds by the names that stand in their place."""
    arrays: dict[str, NDArray[Any]] = {}
    return _plain(value, arrays), arrays


def _plain(value: Any, arrays: dict[str, NDArray[Any]]) -> Any:
    if isinstance(value, np.ndarray):
        name = f"array{len(arrays)}"
        arrays[name] = value
        return name
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    if value is None or isinstance(value, (str, bool, int, float)):
        return value
    if is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name), arrays) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(name): _plain(item, arrays) for name, item in value.items()}
    if isinstance(value, tuple):
        return [_plain(item, arrays) for item in value]
    raise TypeError(f"a {type(value).__name__} is no plain value")


def from_plain(kind: Any, plain: Any, arrays: Mapping[str, NDArray[Any]]) -> Any:
    """The value of type `kind` that `to_plain` took apart.

    Raises
    ------
    ValueError
        `plain` does not fit `kind`: it was written by another version.
    """
    try:
        return _value(kind, plain, arrays)
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"no {getattr(kind, '__name__', kind)}: {error}") from error


def _origin(kind: Any) -> Any:
    """What a parameterized type is made from; numpy 2.5 gives NDArray a name of its own."""
    origin = get_origin(kind)
    named = getattr(origin, "__value__", None)
    return origin if named is None else get_origin(named)


def _value(kind: Any, plain: Any, arrays: Mapping[str, NDArray[Any]]) -> Any:
    origin, inner = _origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        present = [option for option in inner if option is not type(None)]
        return None if plain is None else _value(present[0], plain, arrays)
    if origin is np.ndarray:
        return arrays[plain]
    if origin is tuple:
        kinds = inner[:1] * len(plain) if inner[1:] == (...,) else inner
        return tuple(_value(k, item, arrays) for k, item in zip(kinds, plain, strict=True))
    if origin is Mapping:
        return MappingProxyType({k: _value(inner[1], v, arrays) for k, v in plain.items()})
    if is_dataclass(kind):
        made: Any = kind
        hints = _hints(made)
        return made(**{k: _value(hints[k], v, arrays) for k, v in plain.items()})
    if kind is float and isinstance(plain, str):
        return float(plain)
    if origin is Literal or isinstance(plain, kind) or (kind is float and type(plain) is int):
        return plain
    raise TypeError(f"{plain!r} where {kind} is needed")


@lru_cache(maxsize=64)
def _hints(kind: Any) -> dict[str, Any]:
    return typing.get_type_hints(kind)
