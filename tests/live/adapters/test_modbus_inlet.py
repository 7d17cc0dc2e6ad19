"""The Modbus inlet with units that are not there: values, reasons for none, refusals, plugs."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import minimalmodbus
import pytest
from pymodbus.constants import ExcCodes

from adapters.delivery import SourceState
from adapters.inlet import make_inlets
from monitor.plant.reading import Quality
from monitor.plant.types import CurrentLoop
from tests.fixtures.bus import Bus, Unit
from tests.fixtures.ports import wait_for
from tests.live.adapters.bus_hall import (
    BRIX,
    FLOAT,
    LEVEL,
    PH,
    RUNNING,
    WARMTH,
    MakeBusInlet,
    Way,
    hall,
    latest,
    spec,
    works,
)
from tests.live.adapters.sink import Sink

pytestmark = pytest.mark.live


def test_registers_become_readings(way: Way, bus_inlet: MakeBusInlet) -> None:
    units = {
        3: Unit(holding={107: [*FLOAT, 62, 0xFFF6]}, input={0: [2514]}, discrete={4: [1]}),
        4: Unit(holding={0: [0x2000, 0x47F1], 50: [0, 555]}, coil={0: [0, 1]}),
    }
    signals = {
        "lathe-04": [
            spec(LEVEL, "3/#40108", "mm", scale=0.001),
            spec(BRIX, "3/109/uint16", "degBx", scale=0.1),
            spec(WARMTH, "3/110/int16", "degC", offset=30.0),
            spec(RUNNING, "3/discrete/4", "1"),
        ],
        "mill-02": [spec(LEVEL, "4/0/float32/CDAB", "mm", scale=0.001), spec(RUNNING, "4/coil/1", "1")],
        "saw-01": [spec(LEVEL, "3/input/0/uint16", "mm", scale=0.1), spec(PH, "4/50/uint32", "1", scale=0.01)],
    }
    with way(units) as bus:
        sink, one = Sink(), bus_inlet(bus, signals)
        before_s = time.time()
        one.start(sink)
        wait_for(lambda: len(latest(sink)) == 8, "all signals")
        wait_for(lambda: one.health().state is SourceState.UP, "all is well")
        assert latest(sink) == {
            ("lathe-04", LEVEL): pytest.approx(123.456),
            ("lathe-04", BRIX): pytest.approx(6.2),
            ("lathe-04", WARMTH): 20.0,
            ("lathe-04", RUNNING): 1.0,
            ("mill-02", LEVEL): pytest.approx(123.456),
            ("mill-02", RUNNING): 1.0,
            ("saw-01", LEVEL): pytest.approx(251.4),
            ("saw-01", PH): pytest.approx(5.55),
        }
        assert all(before_s <= r.time_s == r.arrived_s <= time.time() for r in sink.readings)
        assert (3, "holding", 107, 4) in bus.asked, "neighbours are read in one request"
        assert not any(asked[2] in {109, 110} for asked in bus.asked)
        bus.write(3, 109, [71])
        wait_for(lambda: latest(sink)["lathe-04", BRIX] == pytest.approx(7.1), "the new value")
        one.stop()
    assert one.health().state is SourceState.STOPPED
    assert one.health().unconfirmed == 0


def test_a_current_loop_is_judged_by_ne_43(way: Way, bus_inlet: MakeBusInlet) -> None:
    """An input card that counts 1600 a milliampere: a level, one near the end, a broken wire."""
    loop = CurrentLoop(0.0, 600.0, (6400.0, 32000.0))
    signals = {f"m-{n}": [spec(LEVEL, f"5/{n}/uint16", "mm", loop=loop)] for n in range(4)}
    with way({5: Unit(holding={0: [19_200, 5_920, 33_000, 0]})}) as bus:
        sink, one = Sink(), bus_inlet(bus, signals)
        one.start(sink)
        sink.wait(4)
        one.stop()
    got = {r.sump: (r.value, r.quality, r.reason) for r in sink.readings}
    assert got["m-0"] == (300.0, Quality.GOOD, "")
    assert got["m-1"][0] == pytest.approx(-11.25)
    assert got["m-1"][1:] == (Quality.DOUBTFUL, "3.70 mA lies outside 3.8 to 20.5 mA (NE 43)")
    assert got["m-2"][0] == pytest.approx(623.4375)
    assert got["m-2"][1:] == (Quality.DOUBTFUL, "20.62 mA lies outside 3.8 to 20.5 mA (NE 43)")
    assert got["m-3"] == (None, Quality.BAD, "0.00 mA means a broken wire or failed sensor (NE 43)")


def test_no_value_comes_with_its_reason(way: Way, bus_inlet: MakeBusInlet) -> None:
    signals = {"a": [spec(LEVEL, "3/0", "mm")], "b": [spec(LEVEL, "3/2", "mm")], "c": [spec(LEVEL, "3/4/uint16", "mm")]}
    with way({3: Unit(holding={0: [0xFFFF, 0xFFFF, 0x7F80, 0, 0xFFFF]})}) as bus:
        sink, one = Sink(), bus_inlet(bus, signals)
        one.start(sink)
        sink.wait(3)
        one.stop()
    assert set(sink.values) == {None}
    reasons = {r.sump: r.reason for r in sink.readings}
    assert "all bits are set" in reasons["a"]
    assert "inf is no number" in reasons["b"]
    assert reasons["c"].startswith("unit 3, holding register 4: all bits")


def test_one_register_that_is_not_there_does_not_take_its_neighbours_along(way: Way, bus_inlet: MakeBusInlet) -> None:
    signals = {f"m-{n}": [spec(LEVEL, f"3/{n}/uint16", "mm")] for n in range(4)}
    with way({3: Unit(holding={0: [10, 11, 12]})}) as bus:
        sink, one = Sink(), bus_inlet(bus, signals)
        one.start(sink)
        wait_for(lambda: len({r.sump for r in sink.readings}) == 4, "all four")
        wait_for(lambda: one.health().state is SourceState.REFUSED, "the refusal is said")
        assert "unit 3 refuses holding register 3: illegal data address (exception 2)" in one.health().detail
        assert "number of the manual" in one.health().remedy
        one.stop()
    got = {r.sump: (r.value, r.reason) for r in sink.readings}
    assert {name: value for name, (value, _) in got.items()} == {"m-0": 10.0, "m-1": 11.0, "m-2": 12.0, "m-3": None}
    assert "exception 2" in got["m-3"][1]


def test_a_busy_unit_says_so_and_is_asked_again(way: Way, bus_inlet: MakeBusInlet) -> None:
    with way({1: Unit(holding={0: [11, 22]})}) as bus:
        bus.refuses[1, 0] = ExcCodes.DEVICE_BUSY
        sink, one = Sink(), bus_inlet(bus, hall(range(1, 2)))
        one.start(sink)
        sink.wait(4)
        assert {(r.value, r.quality) for r in sink.readings} == {(None, Quality.BAD)}
        assert "device busy (exception 6)" in sink.readings[0].reason
        bus.refuses.clear()
        wait_for(lambda: 11.0 in sink.values, "the value")
        one.stop()


def test_values_that_cannot_be_are_refused_with_their_place(way: Way, bus_inlet: MakeBusInlet) -> None:
    signals = {"a": [spec(RUNNING, "3/0/uint16", "1")], "b": [spec(LEVEL, "3/1/uint16", "mm")]}
    with way({3: Unit(holding={0: [2, 250]})}) as bus:
        sink, one = Sink(), bus_inlet(bus, signals)
        one.start(sink)
        sink.wait(4)
        one.stop()
    assert set(sink.values) == {250.0}
    assert sink.rejected[0].where == "bus: unit 3, holding register 0"
    assert "a running: running is 2" in sink.rejected[0].why


def test_pulled_and_put_back(way: Way, bus_inlet: MakeBusInlet) -> None:
    with way({1: Unit(holding={0: [11, 22]})}) as bus:
        sink, one = Sink(), bus_inlet(bus, hall(range(1, 2)))
        one.start(sink)
        for _ in range(3):
            count = len(sink.readings)
            wait_for(lambda count=count: len(sink.readings) > count, "readings")  # type: ignore[misc]
            bus.unplug()
            wait_for(lambda: one.health().state is SourceState.WAITING, "the loss is seen")
            assert one.health().remedy
            bus.plug()
            wait_for(lambda: one.health().state is SourceState.UP, "it is back")
        one.stop()
    assert {r.value for r in sink.readings if r.signal is LEVEL} == {11.0}


def test_what_is_not_there_yet_is_waited_for(way: Way, bus_inlet: MakeBusInlet) -> None:
    bus = way({1: Unit(holding={0: [11, 22]})})
    sink, one = Sink(), bus_inlet(bus, hall(range(1, 2)))
    one.start(sink)
    missing = "is not there" if bus.path is not None else "nothing answers at 127.0.0.1"
    wait_for(lambda: missing in one.health().detail, "it says what is missing")
    with bus:
        sink.wait(2)
        one.stop()


def test_a_line_has_one_reader(tmp_path: Path, bus_inlet: MakeBusInlet) -> None:
    with Bus.line(tmp_path / "port", {1: Unit(holding={0: [11, 22]})}) as bus:
        sink, first, second = Sink(), bus_inlet(bus, hall(range(1, 2))), bus_inlet(bus, hall(range(1, 2)))
        first.start(sink)
        sink.wait(2)
        second.start(sink)
        wait_for(lambda: second.health().state is SourceState.REFUSED, "the second is refused")
        assert "in use" in second.health().detail
        first.stop()
        wait_for(lambda: second.health().state is SourceState.UP, "the second takes over")
        second.stop()


def test_it_stops_while_a_unit_is_awaited_and_starts_again(bus_inlet: MakeBusInlet) -> None:
    with Bus.tcp({1: Unit(holding={0: [11, 22]})}) as bus:
        bus.silent = {1}
        sink, one = Sink(), bus_inlet(bus, hall(range(1, 2)), timeout=10.0)
        one.start(sink)
        wait_for(lambda: bus.questions(1) == 1, "it asks")
        one.stop()
        assert one.health().state is SourceState.STOPPED
        assert not [t for t in threading.enumerate() if t.name == "modbus bus"]
        bus.silent = set()
        one.start(sink)
        sink.wait(2)
        one.stop()


def test_what_is_not_on_disk_is_counted(bus_inlet: MakeBusInlet) -> None:
    with Bus.tcp({1: Unit(holding={0: [11, 22]})}) as bus:
        sink, one = Sink(commits=False), bus_inlet(bus, hall(range(1, 2)))
        one.start(sink)
        sink.wait(6)
        one.stop()
        assert one.health().unconfirmed == len(sink.deliveries)
        for delivery in sink.deliveries:
            delivery.done()
        assert one.health().unconfirmed == 0


def test_make_inlets_builds_from_the_plant(tmp_path: Path) -> None:
    with Bus.line(tmp_path / "port", {1: Unit(holding={0: [11, 22]})}) as bus:
        (one,) = make_inlets(works(bus, hall(range(1, 2))), time.time)
        assert one.health().state is SourceState.STOPPED
        sink = Sink()
        one.start(sink)
        sink.wait(4)
        one.stop()
    assert {round(value or 0.0, 6) for value in sink.values} == {11.0, 2.2}


def test_another_master_reads_the_same(tmp_path: Path, bus_inlet: MakeBusInlet) -> None:
    """minimalmodbus, an independent master, agrees on every value of the same instrument."""
    units = {3: Unit(holding={0: [*FLOAT, 0xFFF6, 0x0001, 0x11D7]}, input={8: [2514]}, discrete={2: [1]})}
    signals = {
        "a": [spec(LEVEL, "3/0", "mm", scale=0.001), spec(WARMTH, "3/2/int16", "degC")],
        "b": [spec(LEVEL, "3/3/uint32", "mm", scale=0.001), spec(RUNNING, "3/discrete/2", "1")],
        "c": [spec(LEVEL, "3/input/8/uint16", "mm")],
    }
    with Bus.line(tmp_path / "port", units) as bus:
        sink, one = Sink(), bus_inlet(bus, signals)
        one.start(sink)
        wait_for(lambda: len(latest(sink)) == 5, "all signals")
        one.stop()
        other = minimalmodbus.Instrument(str(bus.path), 3, close_port_after_each_call=True)
        other.serial.timeout = 2.0
        said = {
            ("a", LEVEL): other.read_float(0, functioncode=3) * 0.001,
            ("a", WARMTH): other.read_register(2, signed=True),
            ("b", LEVEL): other.read_long(3) * 0.001,
            ("b", RUNNING): other.read_bit(2, functioncode=2),
            ("c", LEVEL): other.read_register(8, functioncode=4),
        }
        other.serial.close()
    assert latest(sink) == {key: pytest.approx(value) for key, value in said.items()}
