"""A hall of two sumps behind one broker, and inlets for it."""

from __future__ import annotations

from collections.abc import Callable

from adapters.delivery import SourceState
from adapters.mqtt import MqttInlet
from monitor.plant.reading import Signal
from monitor.plant.types import Plant
from tests.fixtures.plants import mqtt_source, plant, signal, sump
from tests.fixtures.ports import wait_for

LEVEL = "hall-1/lathe-04/level"
BRIX = "hall-1/lathe-04/brix"
T0 = 1_930_000_000

MakeInlet = Callable[..., MqttInlet]


def works(port: int, payload: str = "json", **options: object) -> Plant:
    return plant(
        [mqtt_source("hall", port, payload=payload, **options)],
        sump(
            "lathe-04",
            signal(Signal.LEVEL, "hall", LEVEL, "mm"),
            signal(Signal.REFRACTOMETER, "hall", BRIX, "degBx"),
        ),
        sump("mill-02", signal(Signal.LEVEL, "hall", "hall-1/mill-02/level", "cm")),
    )


def wait_up(one: MqttInlet) -> None:
    wait_for(lambda: one.health().state is SourceState.UP, "the inlet is up")
    wait_for(lambda: not one._asked, "the subscriptions are confirmed")
