"""Typed access to the options of a source; each wrong one is a SourceError that names source and key."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from monitor.plant.errors import SourceError
from monitor.plant.types import SourceSpec


class Options:
    """Typed access to a source's options."""

    def __init__(self, spec: SourceSpec) -> None:
        self._source = spec.id
        self._options: Mapping[str, object] = spec.options

    def text(self, key: str) -> str | None:
        """Give a text, or None where the key is left out."""
        value = self._options.get(key)
        if value is None or (isinstance(value, str) and value):
            return value
        raise SourceError(f"source {self._source}: {key} is {value!r}: write text in quotes")

    def file(self, key: str) -> Path | None:
        """Give a path, or None where the key is left out; $NAME of the environment is filled in."""
        value = self._options.get(key)
        if value is None or isinstance(value, Path):
            return value
        text = self.text(key)
        return Path(os.path.expandvars(text)) if text else None

    def whole(self, key: str, default: int, low: int, high: int) -> int:
        """Give a whole number within bounds."""
        value = self._options.get(key)
        if value is None:
            return default
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise SourceError(f"source {self._source}: {key} is {value!r}: write a number from {low} to {high}")
        return int(value)

    def number(self, key: str, default: float, low: float, high: float) -> float:
        """Give a number within bounds."""
        value = self._options.get(key)
        if value is None:
            return default
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise SourceError(f"source {self._source}: {key} is {value!r}: write a number from {low:g} to {high:g}")
        return float(value)

    def one_of(self, key: str, default: str, *choices: str) -> str:
        """Give one of several words."""
        value = str(self._options.get(key) or default)
        if value not in choices:
            raise SourceError(f"source {self._source}: {key} is {value!r}: write one of {', '.join(choices)}")
        return value

    def flag(self, key: str) -> bool | None:
        """Give true or false, or None where the key is left out."""
        value = self._options.get(key)
        if value is None or isinstance(value, bool):
            return value
        raise SourceError(f"source {self._source}: {key} is {value!r}: write true or false")
