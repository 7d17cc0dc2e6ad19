"""A maker of inlets for the hall."""

from __future__ import annotations

import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from adapters.bus_plan import Point, Schedule
from adapters.delivery import Receipt
from adapters.folder import FolderInlet
from adapters.modbus import BusSettings, ModbusInlet
from adapters.mqtt import MqttInlet
from adapters.mqtt_client import MqttSettings
from adapters.pace import Pace
from adapters.payloads import payload_named
from adapters.routes import routes_of
from monitor.plant.registers import parse_registers
from monitor.plant.source_modbus import defaults_of
from monitor.plant.types import Plant
from monitor.record.csv_in import CsvHistory
from tests.fixtures.bus import Bus
from tests.live.adapters.bus_hall import MakeBusInlet, Signals, Way
from tests.live.adapters.bus_hall import works as bus_works
from tests.live.adapters.drop_hall import SETTLE_S, MakeFolderInlet
from tests.live.adapters.drop_hall import works as drop_works
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


@pytest.fixture
def bus_inlet() -> Iterator[MakeBusInlet]:
    """Give a maker of inlets with short waits; all are stopped at the end."""
    made: list[ModbusInlet] = []

    def make(bus: Bus, signals: Signals, most_wait_s: float = 0.5, **options: object) -> ModbusInlet:
        shop = bus_works(bus, signals, **options)
        bus_spec = shop.sources["bus"]
        routes = routes_of(shop, "bus").items()
        points = [Point(parse_registers(text, defaults_of(bus_spec.options)), some) for text, some in routes]
        schedule = partial(Schedule, first_wait_s=0.1, most_wait_s=most_wait_s)
        new = ModbusInlet(BusSettings.of(bus_spec), points, time.time, pace=Pace(**PACE), schedule=schedule)
        made.append(new)
        return new

    yield make
    for one in made:
        one.stop()


@pytest.fixture(params=["line", "tcp"])
def way(request: pytest.FixtureRequest, tmp_path: Path) -> Way:
    """Give a maker of buses, over both ways."""
    if request.param == "tcp":
        return Bus.tcp
    return lambda units: Bus.line(tmp_path / "port", units)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "drop").mkdir()
    return tmp_path / "drop"


@pytest.fixture
def folder_inlet(folder: Path) -> Iterator[MakeFolderInlet]:
    """Give a maker of inlets on the test's folder; all are stopped at the end."""
    made: list[FolderInlet] = []

    def make(
        receipts: list[Receipt] | None = None, settle_s: float = SETTLE_S, works: Plant | None = None
    ) -> FolderInlet:
        new = FolderInlet(
            "drop",
            folder,
            works or drop_works(folder),
            CsvHistory(),
            time.time,
            settle_s=settle_s,
            receipts=iter(receipts or []),
        )
        made.append(new)
        return new

    yield make
    for one in made:
        one.stop()
