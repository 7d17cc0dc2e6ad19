"""What the invented gauges say comes out of the real adapters, value for value: over the broker and over the lines."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from adapters.delivery import Delivery, SourceState
from adapters.inlet import make_inlets
from config_demo.broker import EmbeddedBroker
from config_demo.feed import Feed, LineFeed, MqttFeed
from config_demo.instruments import Said
from config_demo.story import START_S
from config_demo.works import SERIAL_SOURCES, instruments_of, line_port, world_of, write_works
from monitor.plant.file import load_plant
from monitor.plant.reading import Reading

pytestmark = pytest.mark.live


class Desk:
    """Takes deliveries in and says they are on disk."""

    def __init__(self) -> None:
        self.readings: list[Reading] = []
        self.rejected: list[str] = []
        self._lock = threading.Lock()

    def deliver(self, delivery: Delivery) -> None:
        with self._lock:
            self.readings.extend(delivery.readings)
            self.rejected.extend(f"{bad.why}: {bad.raw}" for bad in delivery.rejected)
        delivery.done()


def wait(fine: Callable[[], bool], what: str) -> None:
    until = time.monotonic() + 60.0
    while not fine():
        assert time.monotonic() < until, what
        time.sleep(0.01)


def key(said: Said | Reading) -> tuple[str, str, float, float | None]:
    if isinstance(said, Reading):
        return said.sump, said.signal.value, said.time_s, said.value
    return said.gauge.sump, said.gauge.signal.value, said.time_s, said.value


def test_every_word_of_the_gauges_arrives(tmp_path: Path) -> None:
    with EmbeddedBroker() as broker:
        plant = load_plant(write_works(tmp_path, mqtt_port=broker.port, status_port=8480))
        lines = {source: LineFeed(line_port(tmp_path, source)) for source in SERIAL_SOURCES}
        world = world_of(plant, start_s=START_S, seed=1)
        instruments = instruments_of(plant, world)
        desk = Desk()
        inlets = make_inlets(plant, lambda: world.now_s)
        for inlet in inlets:
            inlet.start(desk.deliver)
        wait(lambda: all(inlet.health().state is SourceState.UP for inlet in inlets), "the sources are not up")
        feeds: dict[str, Feed] = {"slip-gateways": MqttFeed(broker.port), **lines}
        sent: list[Said] = []
        for _ in range(120):
            world.step()
            said = instruments.read()
            sent.extend(said)
            for source, feed in feeds.items():
                feed.send(one for one in said if one.gauge.source == source)
        wait(lambda: len(desk.readings) + len(desk.rejected) >= len(sent), "not all has arrived")
        for inlet in inlets:
            inlet.stop()
        for feed in feeds.values():
            feed.close()
    assert desk.rejected == []
    assert sorted(map(key, desk.readings)) == sorted(map(key, sent))
    assert len(sent) == 36 * 24
