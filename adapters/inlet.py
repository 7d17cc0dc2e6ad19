"""From the plant file to its ways in: one inlet for each source that some signal listens to."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from adapters.delivery import Clock, Deliver, Delivery, Inlet, Receipt, SourceHealth, SourceState
from adapters.lines import LinePattern
from adapters.mqtt import MqttInlet
from adapters.mqtt_client import MqttSettings
from adapters.options import Options
from adapters.payloads import payload_named
from adapters.routes import Route, routes_of, split_selectors
from adapters.serial_line import LineSettings, SerialInlet
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
    topics = split_selectors(routes) if payload.parts else routes
    for topic, listeners in topics.items():
        for route in listeners:
            payload.check(route.selector)
        if not topic or set(topic) & {"+", "#", "\0"}:
            raise SourceError(f"source {spec.id}: address {topic!r}: an address is one whole topic, without + and #")
    return MqttInlet(settings, topics, payload, clock, receipts=receipts(spec.id))


def _serial(_plant: Plant, spec: SourceSpec, routes: Routes, clock: Clock, _receipts: Receipts) -> Inlet:
    options = Options(spec)
    channel = options.text("channel") or ""
    text = options.text("pattern")
    if text is None:
        raise SourceError(f"source {spec.id}: pattern is missing: write a regular expression with a group named value")
    pattern = LinePattern(text, decimal=options.one_of("decimal", ".", ".", ","), channel=channel)
    if not pattern.names_channels and channel not in routes:
        raise SourceError(
            f"source {spec.id}: channel is {channel!r}, and no signal listens to it: "
            f"write one of {', '.join(sorted(routes))}, or give the pattern a group channel"
        )
    return SerialInlet(LineSettings.of(spec), routes, pattern, clock)


def _modbus(_plant: Plant, spec: SourceSpec, _routes: Routes, _clock: Clock, _receipts: Receipts) -> Inlet:
    raise SourceError(
        f"source {spec.id}: this version does not read Modbus registers: "
        "let a gateway publish them over MQTT, or take the source out of the plant file"
    )


_MAKERS: dict[str, Callable[[Plant, SourceSpec, Routes, Clock, Receipts], Inlet]] = {
    "mqtt": _mqtt,
    "serial": _serial,
    "modbus": _modbus,
}
