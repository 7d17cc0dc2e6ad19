"""History in: streaming readers of the two replay formats and the writer of rows that could not be used."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from pathlib import Path

from monitor.plant.errors import RecordError
from monitor.plant.reading import Rejected
from monitor.record.csv_entries import read_entries
from monitor.record.csv_readings import read_readings
from monitor.record.csv_text import cell

__all__ = ["read_entries", "read_readings", "write_rejected"]


def write_rejected(path: Path, rows: Iterable[Rejected]) -> int:
    """Write `file,line,why,raw` of rows that could not be used and return how many; RecordError if that fails."""
    count = 0
    try:
        with path.open("w", encoding="utf-8", newline="") as stream:
            writer = csv.writer(stream, lineterminator="\n")
            writer.writerow(("file", "line", "why", "raw"))
            for count, row in enumerate(rows, 1):  # noqa: B007 - the last count is the result
                writer.writerow((*_place(row.where), cell(row.why), cell(row.raw)))
    except OSError as error:
        raise RecordError(f"{path}: cannot be written ({error}); check the folder and its free space") from error
    return count


def _place(where: str) -> tuple[str, str]:
    """Split `file:line`; a row from a live source has no line."""
    file, colon, line = where.rpartition(":")
    return (cell(file), line) if colon and line.isdecimal() else (cell(where), "")
