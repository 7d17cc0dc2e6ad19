"""JSON written in pieces: of much to write only a little stands as plain values, or as their small texts, at once.

What is written whole leaves room between small objects behind that Python's allocator does not give back.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from itertools import islice
from typing import Any, Final, TypeVar

T = TypeVar("T")
U = TypeVar("U")

AT_ONCE: Final = 64


def listed(items: Iterable[T], plain: Callable[[list[T]], list[Any]] = list, at_once: int = AT_ONCE) -> str:
    """Return a JSON list; `plain` makes values that JSON knows of some items."""
    return f"[{', '.join(json.dumps(plain(some))[1:-1] for some in _some(items, at_once))}]"


def mapped(mapping: Mapping[str, T], plain: Callable[[dict[str, T]], dict[str, Any]] = dict) -> str:
    """Return a JSON object; `plain` makes values that JSON knows of some members."""
    return f"{{{', '.join(json.dumps(plain(dict(some)))[1:-1] for some in _some(mapping.items(), AT_ONCE))}}}"


def joined(members: Mapping[str, str]) -> str:
    """Return a JSON object of members that are JSON texts already."""
    return f"{{{', '.join(f'{json.dumps(name)}: {text}' for name, text in members.items())}}}"


def _some(items: Iterable[U], count: int) -> Iterator[list[U]]:
    left = iter(items)
    while some := list(islice(left, count)):
        yield some
