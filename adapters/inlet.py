"""From the plant file to its ways in: one inlet for each source that some signal listens to."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from adapters.delivery import Clock, Deliver, Delivery, Inlet, Receipt, SourceHealth, SourceState
from adapters.mqtt import MqttInlet
from adapters.mqtt_client import MqttSettings
from adapters.payloads import payload_named
from adapters.routes import Route, routes_of, split_selectors
from monitor.plant.errors import SourceError
from monitor.plant.types import Plant, SourceSpec

__all__ = ["Deliver", "Delivery", "Inlet", "Receipt", "SourceHealth", "SourceState", "make_inlets"]

Receipts = Callable[[str], Iterable[Receipt]]
Routes = dict[str, tuple[Route, ...]]


def make_inlets(plant: Plant, clock: Clock, receipts: Receipts = lambda _source: ()) -> list[Inlet]:
    """Build the inlets of a plant without connecting to anything.

    `clock` gives the Unix seconds of now. `receipts` gives what the record kept for a source of messages that may come
    again (see `Receipt`). Raises SourceError, naming the source, where a source can never work as configured.
    """
    inlets = []
    for spec in plant.sources.values():
        routes = routes_of(plant, spec.id)
        if routes:
            inlets.append(_MAKERS[spec.kind](plant, spec, routes, clock, receipts))
    return inlets


def _mqtt(plant: Plant, spec: SourceSpec, routes: Routes, clock: Clock, receipts: Receipts) -> Inlet:
    settings = MqttSettings.of(spec, f"bandkeeper-{plant.id}-{spec.id}")
    payload = payload_named(spec.payload or "json")
    topics = split_selectors(routes)
    for topic, listeners in topics.items():
        for route in listeners:
            payload.check(route.selector)
        if not topic or "+" in topic or "\0" in topic:
            raise SourceError(f"source {spec.id}: address {topic!r}: an address is one whole topic, without + and #")
    return MqttInlet(settings, topics, payload, clock, receipts=receipts(spec.id))


_MAKERS: dict[str, Callable[[Plant, SourceSpec, Routes, Clock, Receipts], Inlet]] = {"mqtt": _mqtt}
