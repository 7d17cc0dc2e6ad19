"""README.md and DEVELOPERS.md as data: code blocks, code spans, tables below headings."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final, NamedTuple

from tests.unit.house.tree import ROOT

README: Final = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS: Final = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
BOTH: Final = README + "\n" + DEVELOPERS
_BLOCK: Final = re.compile(r"^```(\w*)\n(.*?)^```", re.MULTILINE | re.DOTALL)
_SPAN: Final = re.compile(r"`([^`\n]+)`")


class Row(NamedTuple):
    """One row of a table: the code in its first cell, and its cells."""

    key: str
    cells: tuple[str, ...]


def blocks(paper: str, language: str) -> list[str]:
    """Return the code blocks of one language."""
    return [body for name, body in _BLOCK.findall(paper) if name == language]


def code(paper: str) -> list[str]:
    """Return all code, span by span and line by line of the blocks of commands."""
    lines = [line for body in blocks(paper, "sh") for line in body.splitlines()]
    return [*lines, *_SPAN.findall(_BLOCK.sub("", paper))]


def tables(paper: str) -> Iterator[tuple[str, list[Row]]]:
    """Yield every table as the heading above it and its rows."""
    for part in re.split(r"^#+ ", paper, flags=re.MULTILINE)[1:]:
        heading, _, body = part.partition("\n")
        rows = [_row(line) for line in body.splitlines() if line.startswith("| `")]
        if rows:
            yield heading.strip(), rows


def _row(line: str) -> Row:
    cells = tuple(cell.strip() for cell in line.strip().strip("|").split(" | "))
    return Row(_SPAN.findall(cells[0])[0], cells)
