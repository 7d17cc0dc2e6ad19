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

MOST_FAULTS = 50
_AT_LINE = re.compile(r"\(at line (\d+), column \d+\)$")
_WHERE = re.compile(r" \(at (line \d+, column \d+|end of document)\)$")
_PAIR = re.compile(r"\s*([A-Za-z0-9_.\"'-]+)\s*=\s*(.*?)\s*(?:#.*)?$")
_HEADER = re.compile(r"\s*\[\[?\s*([^\]#]+?)\s*\]\]?\s*(?:#.*)?$")
_ENDLESS = re.compile(r"[\d_]{4000}")
_SECRET_KEY = re.compile(r"pass|secret|token|key", re.IGNORECASE)
_OTHERWISE = "is not valid TOML: a key, an equals sign and one value, texts in quotes, lists in square brackets"
_FORMS = (
    (re.compile(r""), 'has no value: write {key} = "…"'),
    (re.compile(r"\{.*"), "is not valid TOML: a table in braces stands on one line, its keys with commas between them"),
    (re.compile(r"\[.*"), "is not valid TOML: a list has commas between its entries and ends with a bracket"),
    (
        re.compile(r"[\"'].*"),
        "is not valid TOML: a text ends with the same quote it began with, and nothing comes after",
    ),
    (re.compile(r"[+-]?\d+,\d+"), "a number has a decimal point, not a comma"),
    (re.compile(r"\d{1,2}:\d\d(:\d\d)?"), 'a time of day stands in quotes: {key} = "{value}"'),
    (re.compile(r"[+-]?[\d.,]+\s*[A-Za-z%°µ][\w /%°.]*"), 'a number with a unit stands in quotes: {key} = "{value}"'),
    (re.compile(r"[A-Za-z][\w ./:-]*"), 'a text stands in quotes: {key} = "{value}"'),
)


@dataclass(slots=True)
class Reading:
    """What could be read: the document (None if nothing), its lines, the faults and the keys they took out."""

    file: str
    document: dict[str, Any] | None = None
    lines: Lines = field(default_factory=Lines)
    faults: list[Fault] = field(default_factory=list)
    broken: list[tuple[str, ...]] = field(default_factory=list)


def read_toml(text: str, file: str) -> Reading:
    """Read a TOML text, going on after faulty lines where that is safe."""
    rows = text.replace("\r\n", "\n").split("\n")
    out = Reading(file)
    while len(out.faults) < MOST_FAULTS:
        whole = "\n".join(rows)
        try:
            out.document = tomllib.loads(whole)
        except tomllib.TOMLDecodeError as error:
            begun, noticed = _line(whole, str(error))
            if not _take_out(rows, begun, noticed, str(error), out):
                return out
        except ValueError:  # an integer longer than Python reads
            line = next((n for n, row in enumerate(rows, 1) if _ENDLESS.search(row)), 1)
            out.faults.append(Fault(file, line, "toml", "a number has thousands of digits: write what it should be"))
            return out
        except RecursionError:
            out.faults.append(Fault(file, 1, "toml", "brackets are nested too deeply"))
            return out
        else:
            out.lines = find_lines(whole)
            return out
    return out


def _line(text: str, message: str) -> tuple[int, int]:
    """Find where a syntax fault begins, and the line at which it was noticed.

    A value that is never closed is noticed only further down, or at the end of the text.
    """
    found = _AT_LINE.search(message)
    noticed = int(found[1]) if found else text.count("\n") + 2
    if found and "Unclosed" not in message:
        return noticed, noticed
    try:
        find_lines(text)
    except Unclosed as unclosed:
        return min(unclosed.line, noticed), noticed
    return min(noticed, text.rstrip().count("\n") + 1), noticed


def _take_out(rows: list[str], begun: int, noticed: int, message: str, out: Reading) -> bool:
    """Note the fault that begins at a line and blank its lines; False if the rest can't be read safely without it."""
    if "twice" in message:
        return _take_out_table(rows, begun, out)
    pair = _PAIR.match(rows[begun - 1])
    if pair is None:
        out.faults.append(Fault(out.file, begun, "toml", f"is not valid TOML: {_plain(message)}"))
        return False
    key = (*_table_above(rows, begun), *_parts(pair[1]))
    if "overwrite" in message:
        out.faults.append(Fault(out.file, begun, dotted(key), "stands twice in this table: keep one of them"))
    else:
        out.broken.append(key)
        out.faults.append(Fault(out.file, begun, dotted(key), _hint(pair)))
    return _blank(rows, begun, noticed, pair[2])


def _take_out_table(rows: list[str], header: int, out: Reading) -> bool:
    """Note a table that stands twice and blank its second coming."""
    key, text = _table_above(rows, header + 1), "this table stands twice: put its keys under one header"
    out.faults.append(Fault(out.file, header, dotted(key), text))
    last = next((n for n in range(header, len(rows)) if _HEADER.match(rows[n])), len(rows))
    rows[header - 1 : last] = [""] * (last - header + 1)
    return True


def _blank(rows: list[str], begun: int, noticed: int, value: str) -> bool:
    """Blank the lines of a faulty value; False where nobody can tell how far it goes."""
    if '"""' in value or "'''" in value:
        return False
    last = max(begun, noticed - 1)
    if value.startswith("{"):
        depth, last = 0, begun - 1
        while last < len(rows) and (last < begun or depth > 0):
            depth += rows[last].count("{") - rows[last].count("}")
            last += 1
    elif value.startswith("["):
        last = next((n for n in range(begun, len(rows)) if _PAIR.match(rows[n]) or _HEADER.match(rows[n])), len(rows))
    rows[begun - 1 : last] = [""] * (last - begun + 1)
    return True


def _hint(pair: re.Match[str]) -> str:
    """Say what is probably meant by a line that is no TOML; never repeat what may be a secret."""
    key, value = pair[1], pair[2]
    if _SECRET_KEY.search(key):
        return "is not valid TOML: texts stand in quotes (and secrets never stand in this file)"
    told = next((words for form, words in _FORMS if form.fullmatch(value)), _OTHERWISE)
    return told.format(key=key, value=value)


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
