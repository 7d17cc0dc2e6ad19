"""What the maker of an inlet is given: everything it needs of the plant and of its surroundings."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from adapters.delivery import Clock, Inlet, Receipt
from adapters.routes import Route
from monitor.plant.types import Plant, SourceSpec


@dataclass(frozen=True, slots=True)
class Order:
    """One source to be read: its settings, the signals that listen to it by address, the clock (Unix seconds).

    `receipts` are what the record kept of this source for input that may come again.
    """

    plant: Plant
    spec: SourceSpec
    routes: Mapping[str, tuple[Route, ...]]
    clock: Clock
    receipts: Iterable[Receipt] = ()


Maker = Callable[[Order], Inlet]
"""Builds an inlet without connecting to anything. Raises SourceError for what can never work as configured."""
