"""Collecting faults: each with its line, its key and words that say what would be right."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from typing import Any

from pydantic_core import ErrorDetails

from monitor.plant.errors import Fault
from monitor.plant.lines import Lines, Path

_BARE = re.compile(r"[A-Za-z0-9_-]+")


class Faults:
    """All faults of one file. `broken` holds keys that a syntax fault already took out: they are not missed again.

    `noted` counts what was noted, with those not said again: a table is sound if it did not grow while reading it.
    """

    def __init__(self, file: str, lines: Lines, broken: Iterable[tuple[str, ...]] = ()) -> None:
        self.file = file
        self.lines = lines
        self.broken = set(broken)
        self.found: list[Fault] = []
        self.noted = 0

    def add(self, path: Path, text: str) -> None:
        """Note a fault at the line of `path`."""
        self.noted += 1
        self.found.append(Fault(self.file, self.lines.of(path), dotted(path), text))

    def miss(self, path: Path, text: str) -> None:
        """Note a missing key, unless its line was there but could not be read."""
        if tuple(part for part in path if isinstance(part, str)) in self.broken:
            self.noted += 1
        else:
            self.add(path, text)

    def with_these(self, others: Iterable[Fault] = ()) -> list[Fault]:
        """Return these and other faults by line, then key; the same fault once."""
        return sorted(dict.fromkeys([*self.found, *others]), key=lambda fault: (fault.line, fault.key, fault.text))


def dotted(path: Path) -> str:
    """Write a path as it stands in TOML, elements counted from 1: `plant.attended[2].to`."""
    out = ""
    for part in path:
        if isinstance(part, int):
            out += f"[{part + 1}]"
        else:
            shown = part if _BARE.fullmatch(part) else f'"{part}"'
            out += f".{shown}" if out else shown
    return out or "file"


def listed(names: Iterable[str], *, last: str = "or", quoted: bool = False) -> str:
    """Join names for a sentence: `a, b or c`; `none yet` if there are none."""
    shown = [f'"{name}"' if quoted else name for name in names]
    if len(shown) < 2:
        return shown[0] if shown else "none yet"
    return ", ".join(shown[:-1]) + f" {last} {shown[-1]}"


def near(wrong: str, names: Iterable[str]) -> str:
    """Say `did you mean …? ` if one of the names is close, else nothing."""
    found = get_close_matches(wrong.lower(), list(names), n=1, cutoff=0.6)
    return f'did you mean "{found[0]}"? ' if found else ""


def said(error: ErrorDetails, examples: str) -> str:
    """Put a pydantic error in words for somebody who has never seen a validator."""
    kind, context = error["type"], error.get("ctx", {})
    if kind == "value_error":
        return str(context["error"])
    template = _WORDS.get(kind)
    if template is None:
        return f"{error['msg']}{examples}"
    return template.format(value=shown(error["input"]), examples=examples, **_words(context))


def shown(value: Any) -> str:
    """Show a value as it would be written in TOML, cut short if long."""
    text = toml(value)
    return text if len(text) <= 60 else text[:57] + "…"


def toml(value: Any) -> str:
    """Write a value as TOML."""
    if isinstance(value, str):
        return f"'{value}'" if "\\" in value else f'"{value}"'
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml(one) for one in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {toml(one)}" for key, one in value.items()) + " }"
    return str(value).lower() if isinstance(value, bool) else str(value)


def _words(context: Mapping[str, Any]) -> dict[str, str]:
    """Write the limits of an error without needless decimals."""
    plain = {name: f"{value:g}" if isinstance(value, float) else str(value) for name, value in context.items()}
    return {name: text.replace("'", '"') for name, text in plain.items()}


_WORDS = {
    "string_type": "{value} must be a text in quotes{examples}",
    "float_type": "{value} must be a number without quotes{examples}",
    "int_type": "{value} must be a whole number without quotes{examples}",
    "int_from_float": "{value} must be a whole number{examples}",
    "bool_type": "{value} must be true or false",
    "list_type": "{value} must be a list in square brackets{examples}",
    "tuple_type": "{value} must be a list in square brackets{examples}",
    "dict_type": "{value} must be a table{examples}",
    "literal_error": "{value} is not possible here: use {expected}",
    "greater_than": "{value} must be more than {gt}{examples}",
    "greater_than_equal": "{value} must be {ge} or more{examples}",
    "less_than": "{value} must be less than {lt}{examples}",
    "less_than_equal": "{value} must be {le} or less{examples}",
    "finite_number": "{value} must be a finite number{examples}",
    "too_short": "needs at least {min_length}{examples}",
    "too_long": "has more than {max_length} entries{examples}",
    "missing": "is missing{examples}",
    "string_too_short": "must not be empty{examples}",
    "string_too_long": "is longer than {max_length} characters",
    "unexpected_positional_argument": "has too many entries{examples}",
}
