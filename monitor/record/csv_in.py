"""History in: streaming readers of the two replay formats and the writer of rows that could not be used."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from monitor.plant.errors import RecordError
from monitor.plant.reading import Entry, Reading, Rejected
from monitor.plant.types import Plant
from monitor.record.csv_entries import read_entries
from monitor.record.csv_lines import header_of
from monitor.record.csv_readings import read_readings
from monitor.record.csv_text import cell

__all__ = ["CsvHistory", "read_entries", "read_readings", "write_rejected"]

MOST_LISTED: Final = 10_000
"""So many rows of one dropped file are listed; all are counted."""


class CsvHistory:
    """How the daemon reads files that are dropped (see `adapters.order.History`)."""

    def read(
        self, path: Path, plant: Plant, on_reject: Callable[[Rejected], None], latest_s: float
    ) -> Iterator[Reading | Entry]:
        """Yield what a file of either format holds, told apart by its header; RecordError if it can't be read."""
        if "kind" in header_of(path):
            yield from read_entries(path, plant, on_reject, latest_s=latest_s)
        else:
            yield from read_readings(path, plant, on_reject, latest_s=latest_s)

    def listing(self, path: Path) -> RejectedList:
        """Return the list of refused rows that stands at `path`, with an upper bound on its length."""
        return RejectedList(path, MOST_LISTED)


def write_rejected(path: Path, rows: Iterable[Rejected]) -> int:
    """Write `file,line,why,raw` of rows that could not be used and return how many; RecordError if that fails."""
    count = 0
    with RejectedList(path) as listed:
        listed.begin()
        for count, row in enumerate(rows, 1):  # noqa: B007 - the last count is the result
            listed.add(row)
    return count


class RejectedList:
    """A file `file,line,why,raw` of rows that could not be used, made with the first; RecordError if that fails.

    With `most` given, so many rows are listed and one more says how many there were.
    """

    def __init__(self, path: Path, most: int | None = None) -> None:
        self.path, self.count = path, 0
        self._most = most
        self._writer: Any = None
        self._open = ExitStack()

    def begin(self) -> None:
        """Write the header, whether there will be rows or not."""
        self._write(("file", "line", "why", "raw"))

    def add(self, row: Rejected) -> None:
        """List a row."""
        if self._writer is None:
            self.begin()
        self.count += 1
        if self._most is None or self.count <= self._most:
            self._write((*_place(row.where), cell(row.why), cell(row.raw)))

    def _write(self, cells: tuple[str, ...]) -> None:
        try:
            if self._writer is None:
                stream = self.path.open("w", encoding="utf-8", errors="backslashreplace", newline="")
                self._writer = csv.writer(self._open.enter_context(stream), lineterminator="\n")
            self._writer.writerow(cells)
        except OSError as error:
            raise _unwritable(self.path, error) from error

    def close(self) -> None:
        """Finish the file."""
        if self._most is not None and self.count > self._most:
            self._write((cell(self.path.name), "", f"{self.count} rows could not be used; {self._most} are listed", ""))
        try:
            self._open.close()
        except OSError as error:
            raise _unwritable(self.path, error) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _unwritable(path: Path, error: OSError) -> RecordError:
    return RecordError(f"{path}: cannot be written ({error}); check the folder and its free space")


def _place(where: str) -> tuple[str, str]:
    """Split `file:line`; a row from a live source has no line."""
    file, colon, line = where.rpartition(":")
    return (cell(file), line) if colon and line.isdecimal() else (cell(where), "")
