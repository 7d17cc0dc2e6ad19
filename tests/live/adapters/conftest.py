"""A maker of inlets for the hall."""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest

from adapters.delivery import Receipt
from adapters.mqtt import MqttInlet
from adapters.mqtt_client import MqttSettings
from adapters.pace import Pace
from adapters.payloads import payload_named
from adapters.routes import routes_of
from tests.live.adapters.hall import MakeInlet, works
from tests.live.adapters.sink import PACE


@pytest.fixture
def inlet() -> Iterator[MakeInlet]:
    """Give a maker of inlets with short waits; all are stopped at the end."""
    made: list[MqttInlet] = []

    def make(port: int, payload: str = "json", receipts: tuple[Receipt, ...] = (), **options: object) -> MqttInlet:
        shop = works(port, payload, **options)
        settings = MqttSettings.of(shop.sources["hall"], "bandkeeper-test-works-hall")
        routes = routes_of(shop, "hall")
        new = MqttInlet(
            settings, routes, payload_named(payload), lambda: time.time() + 200e6, pace=Pace(**PACE), receipts=receipts
        )
        made.append(new)
        return new

    yield make
    for one in made:
        one.stop()
