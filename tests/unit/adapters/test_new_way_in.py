"""A new transport is one file and one line on each side of the house: this file is one, and the lines are below."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

import pytest
from jsonschema import Draft202012Validator
from pydantic import Field

from adapters.delivery import Deliver, Delivery, Inlet, SourceHealth, SourceState
from adapters.inlet import WAYS_IN, make_inlets
from adapters.order import Order
from adapters.sample import Sample
from monitor.plant import file
from monitor.plant.faults import Faults
from monitor.plant.file import check_text, plant_schema
from monitor.plant.lines import Path as Where
from monitor.plant.places import Address, Home
from monitor.plant.schema import TableModel, Text
from monitor.plant.sources import KINDS, Kind
from tests.fixtures.plants import mqtt_source

KEYS = "it may hold kind, tower and payload"
PLANT = """
[plant]
name = "Bell foundry"
zone = "UTC"
[fluid.green]
refractometer_factor = 1.5
band = [6.0, 10.0]
[sump.lathe-04]
fluid = "green"
full = "400 L"
lowest = "200 L"
volume = { per_height = "1.25 L/mm" }
signal.level = { source = "tower", address = "north", unit = "mm", period = "1 h" }
[source.tower]
kind = "bells"
tower = "church"
"""


# The file in monitor/plant: the table of its keys, and what checks them with the addresses.
class BellsTable(TableModel):
    """Somebody rings the level."""

    kind: Literal["bells"]
    tower: Text = Field(description="where the bells hang")
    payload: Literal["strokes"] = Field("strokes", description="what comes")


def bells_options(
    v: dict[str, Any], _path: Where, addresses: Sequence[Address], _home: Home, faults: Faults
) -> Mapping[str, object]:
    for address in addresses:
        if address.text not in {"north", "south"}:
            faults.add(address.path, f'"{address.text}" is no side of a tower: use north or south')
    return {"tower": v.get("tower")}


# The file in adapters: an inlet and its maker.
class BellsInlet:
    def __init__(self, order: Order) -> None:
        self._order = order

    @property
    def source(self) -> str:
        return self._order.spec.id

    def start(self, deliver: Deliver) -> None:
        now_s = self._order.clock()
        routes = [route for some in self._order.routes.values() for route in some]
        deliver(Delivery(tuple(route.reading(Sample(251.0), now_s) for route in routes)))

    def stop(self) -> None: ...

    def health(self) -> SourceHealth:
        return SourceHealth(self.source, SourceState.UP)


def bells_inlet(order: Order) -> Inlet:
    return BellsInlet(order)


@pytest.fixture(autouse=True)
def _registered(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(KINDS, "bells", Kind(BellsTable, bells_options))  # the one line of monitor/plant/sources.py
    monkeypatch.setitem(WAYS_IN, "bells", bells_inlet)  # the one line of adapters/inlet.py


def test_the_plant_file_knows_it() -> None:
    plant, faults = check_text(PLANT, Path("plant.toml"))
    assert faults == []
    assert plant is not None
    assert plant.sources["tower"].options == {"tower": "church"}


def test_its_faults_have_lines() -> None:
    _, faults = check_text(PLANT.replace('"north"', '"up"').replace("tower =", "towr ="), Path("plant.toml"))
    assert [str(fault) for fault in faults] == [
        'plant.toml:13: sump.lathe-04.signal.level.address: "up" is no side of a tower: use north or south',
        "plant.toml:14: source.tower.tower: is missing: where the bells hang",
        f'plant.toml:16: source.tower.towr: is no key of this table: did you mean "tower"? {KEYS}',
    ]


def test_the_schema_for_editors_knows_it(monkeypatch: pytest.MonkeyPatch) -> None:
    class Fresh(file.PlantFile):
        """Built anew: a schema is kept by pydantic once it was asked for."""

    monkeypatch.setattr(file, "PlantFile", Fresh)
    schema = plant_schema()
    assert "BellsTable" in schema["$defs"]
    Draft202012Validator.check_schema(schema)


def test_its_readings_come() -> None:
    plant, _ = check_text(PLANT, Path("plant.toml"))
    assert plant is not None
    (one,) = make_inlets(plant, time.time)
    came: list[Delivery] = []
    one.start(came.append)
    assert [(r.sump, r.value) for delivery in came for r in delivery.readings] == [("lathe-04", 251.0)]
    assert one.health().state is SourceState.UP


def test_others_are_as_before() -> None:
    assert {"mqtt", "serial", "modbus", "folder", "bells"} == set(KINDS) == set(WAYS_IN)
    assert mqtt_source("hall", 1883).kind in WAYS_IN
