"""From the plant file to its ways in: one inlet for each source that some signal listens to."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Final

from adapters.delivery import Clock, Deliver, Delivery, Inlet, Receipt, SourceHealth, SourceState
from adapters.folder import folder_inlet
from adapters.modbus import modbus_inlet
from adapters.mqtt import mqtt_inlet
from adapters.order import History, Maker, Order
from adapters.routes import routes_of
from adapters.serial_line import serial_inlet
from monitor.plant.types import Plant

__all__ = ["Deliver", "Delivery", "Inlet", "Receipt", "SourceHealth", "SourceState", "make_inlets"]

WAYS_IN: Final[dict[str, Maker]] = {
    "mqtt": mqtt_inlet,
    "serial": serial_inlet,
    "modbus": modbus_inlet,
    "folder": folder_inlet,
}
"""The maker of inlets of each kind of source."""

Receipts = Callable[[str], Iterable[Receipt]]


_NAME_SIGNALS_THEMSELVES: Final = frozenset({"folder"})


def make_inlets(
    plant: Plant, clock: Clock, receipts: Receipts = lambda _source: (), history: History | None = None
) -> list[Inlet]:
    """Build the inlets of a plant without connecting to anything; each can be started and stopped by itself.

    `clock` gives the Unix seconds of now. `receipts` gives what the record kept for a source of messages that may come
    again (see `Receipt`), `history` reads files. A source that no signal listens to is left out, unless its input names
    signals itself. Raises SourceError, naming the source, where a source can never work as configured.
    """
    inlets = []
    for spec in plant.sources.values():
        routes = routes_of(plant, spec.id)
        if routes or spec.kind in _NAME_SIGNALS_THEMSELVES:
            inlets.append(WAYS_IN[spec.kind](Order(plant, spec, routes, clock, receipts(spec.id), history)))
    return inlets


def listens_as_before(old: Plant, new: Plant, source: str) -> bool:
    """Tell whether a source listens to the same signals with the same settings under another plant file."""
    spec = new.sources.get(source)
    if spec is None or spec != old.sources.get(source) or spec.kind in _NAME_SIGNALS_THEMSELVES:
        return False
    return routes_of(old, source) == routes_of(new, source)
