"""Reading TOML text so that one slip hides no other.

`tomllib` stops at the first syntax fault. A line of the form `key = …` that it stumbles over is taken out and the rest
read again; the key is remembered, so that nobody is told it is missing as well.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, field
from typing import Any

from monitor.plant.errors import Fault
from monitor.plant.faults import dotted
from monitor.plant.lines import Lines, Unclosed, find_lines

MOST_FAULTS = 100
_AT_LINE = re.compile(r"\(at line (\d+), column \d+\)$")
_WHERE = re.compile(r" \(at (line \d+, column \d+|end of document)\)$")
_PAIR = re.compile(r"\s*([A-Za-z0-9_.\"'-]+)\s*=\s*(.*?)\s*(?:#.*)?$")
_HEADER = re.compile(r"\s*\[\[?\s*([^\]#]+?)\s*\]\]?\s*(?:#.*)?$")
_SECRET_KEY = re.compile(r"pass|secret|token|key", re.IGNORECASE)
_QUANTITY = re.compile(r"[+-]?[\d.,]+\s*[A-Za-z%°µ][\w /%°.]*")
_CLOCK = re.compile(r"\d{1,2}:\d\d(:\d\d)?")
_WORD = re.compile(r"[A-Za-z][\w ./:-]*")


@dataclass(slots=True)
class Reading:
    """What could be read: the document (None if nothing), its lines, the faults and the keys they took out."""

    document: dict[str, Any] | None = None
    lines: Lines = field(default_factory=Lines)
    faults: list[Fault] = field(default_factory=list)
    broken: list[tuple[str, ...]] = field(default_factory=list)


def read_toml(text: str, file: str) -> Reading:
    """Read a TOML text, going on after faulty lines where that is safe."""
    rows = text.replace("\r\n", "\n").split("\n")
    out = Reading()
    while len(out.faults) < MOST_FAULTS:
        whole = "\n".join(rows)
        try:
            out.document = tomllib.loads(whole)
        except tomllib.TOMLDecodeError as error:
            if not _take_out(rows, _line(whole, str(error)), str(error), file, out):
                return out
        except RecursionError:
            out.faults.append(Fault(file, 1, "toml", "brackets are nested too deeply"))
            return out
        else:
            out.lines = find_lines(whole)
            return out
    return out


def _line(text: str, message: str) -> int:
    """Find the line of a syntax fault; where the text just ends, the line at which the open value begins."""
    found = _AT_LINE.search(message)
    if found:
        return int(found[1])
    try:
        find_lines(text)
    except Unclosed as unclosed:
        return unclosed.line
    return text.rstrip().count("\n") + 1


def _take_out(rows: list[str], line: int, message: str, file: str, out: Reading) -> bool:
    """Note the fault at a line and blank the line; False if the rest can't be read safely without it."""
    row = rows[line - 1]
    pair = _PAIR.match(row)
    table = _table_above(rows, line)
    key = (*table, *_parts(pair[1])) if pair else table
    if "overwrite" in message and pair:
        text = "stands twice in this table: keep one of them"
    elif "twice" in message:
        key, text = _table_above(rows, line + 1), "this table stands twice: put its keys under one header"
    else:
        text = _hint(pair) if pair else f"is not valid TOML: {_plain(message)}"
        if pair:
            out.broken.append(key)
    out.faults.append(Fault(file, line, dotted(key) if key else "toml", text))
    rows[line - 1] = ""
    return (
        bool(pair)
        and "twice" not in message
        and "end of document" not in message
        and "'''" not in row + row.replace('"', "'")
    )


def _hint(pair: re.Match[str]) -> str:
    """Say what is probably meant by a line that is no TOML."""
    key, value = pair[1], pair[2]
    if _SECRET_KEY.search(key):
        return "is not valid TOML: texts stand in quotes (and secrets never stand in this file)"
    if not value:
        return f'has no value: write {key} = "…"'
    if _CLOCK.fullmatch(value):
        return f'a time of day stands in quotes: {key} = "{value}"'
    if _QUANTITY.fullmatch(value):
        return f'a number with a unit stands in quotes: {key} = "{value}"'
    if _WORD.fullmatch(value):
        return f'a text stands in quotes: {key} = "{value}"'
    return "is not valid TOML: a key, an equals sign and one value, texts in quotes, lists in square brackets"


def _plain(message: str) -> str:
    return _WHERE.sub("", message).lower()


def _table_above(rows: list[str], line: int) -> tuple[str, ...]:
    """Return the table whose header stands above a line."""
    for row in reversed(rows[: line - 1]):
        header = _HEADER.match(row)
        if header:
            return _parts(header[1])
    return ()


def _parts(key: str) -> tuple[str, ...]:
    return tuple(part.strip().strip("\"'") for part in key.split("."))
