"""The plant files that are shipped: all are accepted, and the invented works is the one the story tells of."""

from __future__ import annotations

from pathlib import Path

import pytest

import config_demo
from config_demo.story import HAPPENINGS, NATURES, START_S, UNTOUCHED
from config_demo.works import SERIAL_SOURCES, gauges_of, line_port, write_works
from monitor.plant.file import load_plant
from monitor.plant.reading import Signal
from monitor.plant.types import Plant

HERE = Path(config_demo.__file__).parent
EXAMPLES = sorted((HERE / "examples").glob("*.toml"))


@pytest.fixture(scope="module")
def works() -> Plant:
    return load_plant(HERE / "works.toml")


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_ready_examples_are_accepted(path: Path) -> None:
    assert load_plant(path).sumps


def test_there_is_an_example_of_each_kind() -> None:
    plants = {path.stem: load_plant(path) for path in EXAMPLES}
    assert {"mqtt-minimal", "mqtt-tls", "serial-line", "us-units", "table-tank"} <= plants.keys()
    assert {source.kind for plant in plants.values() for source in plant.sources.values()} >= {"mqtt", "serial"}
    assert plants["us-units"].units == "us"
    assert plants["us-units"].sumps["vmc-2"].full_l == pytest.approx(105 * 3.785411784)


def test_the_works_are_as_varied_as_promised(works: Plant) -> None:
    assert len(works.sumps) == 12
    assert len({sump.area for sump in works.sumps.values()}) == 3
    assert len(works.fluids) == 2
    assert len(works.waters) == 2
    assert len({sump.duty.id for sump in works.sumps.values() if sump.duty}) == 3
    assert len({type(sump.tank) for sump in works.sumps.values()}) >= 5
    kinds = [works.sources[sump.signals[Signal.LEVEL].source].kind for sump in works.sumps.values()]
    assert kinds.count("mqtt") == kinds.count("serial") == 6


def test_the_story_fits_the_works(works: Plant) -> None:
    assert NATURES.keys() == works.sumps.keys()
    assert {happening.sump for happening in HAPPENINGS} <= NATURES.keys()
    assert UNTOUCHED in NATURES
    for name, nature in NATURES.items():
        sump = works.sumps[name]
        assert nature.full_l == sump.full_l
        assert sump.lowest_l < nature.start_l <= sump.full_l
        low, high = sump.fluid.band_pct
        assert low < nature.start_pct < high
        assert sump.tank.capacity_l is None or sump.tank.capacity_l >= 1.04 * sump.full_l
    assert works.attended.covers(START_S + 3600.0)
    assert not works.attended.covers(START_S)


def test_ports_are_filled_in(tmp_path: Path) -> None:
    plant = load_plant(write_works(tmp_path, mqtt_port=34567, status_port=34568))
    assert plant.sources["slip-gateways"].options["port"] == 34567
    assert plant.status is not None
    assert plant.status.port == 34568
    for source in SERIAL_SOURCES:
        assert plant.sources[source].options["port"] == str(line_port(tmp_path, source))


def test_gauges_are_spread_over_their_period(works: Plant) -> None:
    gauges = gauges_of(works)
    assert len(gauges) == 36
    due = [sum(gauge.due(START_S + 60.0 * minute) for gauge in gauges) for minute in range(10)]
    assert sum(due) == 72
    assert max(due) <= 9
