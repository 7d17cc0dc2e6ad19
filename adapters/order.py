"""What the maker of an inlet is given: everything it needs of the plant and of its surroundings."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from adapters.delivery import Clock, Inlet, Receipt
from adapters.routes import Route
from monitor.plant.reading import Entry, Reading, Rejected
from monitor.plant.types import Plant, SourceSpec


class Listing(Protocol):
    """The list of rows of a file that cannot be used: a file that is made with the first of them."""

    def add(self, row: Rejected) -> None:
        """List a row."""
        ...


class History(Protocol):
    """How files with readings and entries are read: by the same parsers as for a replay."""

    def read(
        self, path: Path, plant: Plant, on_reject: Callable[[Rejected], None], latest_s: float
    ) -> Iterator[Reading | Entry]:
        """Yield what a file holds; RecordError if it cannot be read. A time after `latest_s` is refused."""
        ...

    def listing(self, path: Path) -> AbstractContextManager[Listing]:
        """Return the list of refused rows that stands at `path`."""
        ...


@dataclass(frozen=True, slots=True)
class Order:
    """One source to be read: its settings, the signals that listen to it by address, the clock (Unix seconds).

    `receipts` are what the record kept of this source for input that may come again; `history` reads files, None where
    nobody can.
    """

    plant: Plant
    spec: SourceSpec
    routes: Mapping[str, tuple[Route, ...]]
    clock: Clock
    receipts: Iterable[Receipt] = ()
    history: History | None = None


Maker = Callable[[Order], Inlet]
"""Builds an inlet without connecting to anything. Raises SourceError for what can never work as configured."""
