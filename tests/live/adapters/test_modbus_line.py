"""A Modbus line where things go wrong: a mute unit among many, check sums, split and strange answers, noise."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest
from pymodbus.framer import FramerRTU

from adapters.delivery import SourceState
from tests.fixtures.bus import Bus, Unit
from tests.fixtures.ports import wait_for
from tests.live.adapters.bus_hall import (
    BRIX,
    LEVEL,
    MakeBusInlet,
    Way,
    hall,
)
from tests.live.adapters.sink import Sink

pytestmark = pytest.mark.live


def test_one_mute_unit_among_ten_costs_the_others_no_reading(way: Way, bus_inlet: MakeBusInlet) -> None:
    """Counted, not timed: while the nine are read thirty times each, the mute one is asked a few times."""
    units = {unit: Unit(holding={0: [100 + unit, 50]}) for unit in range(1, 11)}
    with way(units) as bus:
        bus.silent.add(7)
        sink, one = Sink(), bus_inlet(bus, hall(range(1, 11), 0.1), most_wait_s=60.0, timeout=1.0)
        one.start(sink)
        counted: Counter[str] = Counter()

        def enough() -> bool:
            counted.clear()
            counted.update(r.sump for r in sink.readings if r.signal is LEVEL)
            return len(counted) == 9 and min(counted.values()) >= 30

        wait_for(enough, "thirty readings of each", within_s=120)
        assert max(counted.values()) - min(counted.values()) <= 2, "all nine keep the same pace"
        assert bus.questions(7) <= 8, "waits double"
        assert one.health().state is SourceState.WAITING
        assert "unit 7 gives no answer; 9 of 10 at" in one.health().detail
        assert "power" in one.health().remedy
        assert {r.value for r in sink.readings if r.sump == "m-3" and r.signal is LEVEL} == {103.0}
        one.stop()


def test_a_unit_that_comes_back_is_read_again(way: Way, bus_inlet: MakeBusInlet) -> None:
    with way({1: Unit(holding={0: [1, 2]}), 2: Unit(holding={0: [3, 4]})}) as bus:
        bus.silent = {1, 2}
        sink, one = Sink(), bus_inlet(bus, hall(range(1, 3)))
        one.start(sink)
        wait_for(lambda: "no unit answers" in one.health().detail, "it says that none answers")
        assert sink.readings == []
        bus.silent = {2}
        wait_for(lambda: any(r.sump == "m-1" for r in sink.readings), "unit 1")
        wait_for(lambda: "unit 2 gives no answer" in one.health().detail, "the other is still missed")
        bus.silent = set()
        wait_for(lambda: any(r.sump == "m-2" for r in sink.readings), "unit 2")
        wait_for(lambda: one.health().state is SourceState.UP, "all is well")
        assert one.health().remedy == ""
        one.stop()


def test_split_answers_are_joined(tmp_path: Path, bus_inlet: MakeBusInlet) -> None:
    with Bus.line(tmp_path / "port", {1: Unit(holding={0: [11, 22]})}) as bus:
        bus.pieces = 2
        sink, one = Sink(), bus_inlet(bus, hall(range(1, 2)))
        one.start(sink)
        sink.wait(20)
        one.stop()
    assert {(r.signal, round(r.value or 0.0, 6)) for r in sink.readings} == {(LEVEL, 11.0), (BRIX, 2.2)}


@pytest.mark.parametrize(
    ("mangle", "said"),
    [
        (lambda frame: frame[:-1] + bytes([frame[-1] ^ 0x40]), "check sum"),
        (lambda frame: frame[:3] + bytes([frame[3] ^ 0x01]) + frame[4:], "check sum"),
        (lambda frame: frame[:4], "broke off"),
    ],
)
def test_garbled_answers_are_never_taken(
    tmp_path: Path, bus_inlet: MakeBusInlet, mangle: Callable[[bytes], bytes], said: str
) -> None:
    """Every answer of unit 2 is spoilt, those of unit 1 are not: no wrong value, no value lost of the other."""
    with Bus.line(tmp_path / "port", {n: Unit(holding={0: [10 * n, 20 * n]}) for n in (1, 2)}) as bus:
        bus.mangle = lambda frame: mangle(frame) if frame[0] == 2 else frame
        sink, one = Sink(), bus_inlet(bus, hall(range(1, 3)))
        one.start(sink)
        wait_for(lambda: said in one.health().detail, "it says what is wrong")
        sink.wait(20)
        assert "terminating resistors" in one.health().remedy
        assert {(r.sump, r.value) for r in sink.readings if r.signal is LEVEL} == {("m-1", 10.0)}
        bus.mangle = lambda frame: frame
        wait_for(lambda: one.health().state is SourceState.UP, "all is well")
        wait_for(lambda: ("m-2", 20.0) in {(r.sump, r.value) for r in sink.readings}, "unit 2")
        one.stop()


@pytest.mark.parametrize("noise", [b"\xff" * 40, b"\x00", b"\x02\x03", b"\x02\x03\x04\x00", bytes(range(250))])
def test_noise_before_an_answer_never_gives_a_wrong_value(
    tmp_path: Path, bus_inlet: MakeBusInlet, noise: bytes
) -> None:
    with Bus.line(tmp_path / "port", {n: Unit(holding={0: [10 * n, 20 * n]}) for n in (1, 2)}) as bus:
        bus.mangle = lambda frame: noise + frame if frame[0] == 2 else frame
        sink, one = Sink(), bus_inlet(bus, hall(range(1, 3)))
        one.start(sink)
        wait_for(lambda: bus.questions(2) > 4, "questions")
        sink.wait(20)
        one.stop()
    levels = {(r.sump, r.value) for r in sink.readings if r.signal is LEVEL}
    assert levels <= {("m-1", 10.0), ("m-2", 20.0)}
    assert ("m-1", 10.0) in levels


def test_one_answer_in_three_spoilt_loses_no_reading(tmp_path: Path, bus_inlet: MakeBusInlet) -> None:
    """What came garbled is asked for once more at once."""
    with Bus.line(tmp_path / "port", {1: Unit(holding={0: [11, 22]})}) as bus:
        turn = iter(range(10**6))
        bus.mangle = lambda frame: frame[:-1] + b"\x00\x00" if next(turn) % 3 == 0 else frame
        sink, one = Sink(), bus_inlet(bus, hall(range(1, 2)))
        one.start(sink)
        sink.wait(40)
        assert one.health().state is SourceState.UP
        one.stop()
    assert {r.value for r in sink.readings if r.signal is LEVEL} == {11.0}


def test_the_answer_of_another_unit_is_not_taken(tmp_path: Path, bus_inlet: MakeBusInlet) -> None:
    """Two units set to one number, or an answer that comes too late: its number is that of the unit that sent it."""

    def as_unit_9(frame: bytes) -> bytes:
        body = b"\x09" + frame[1:-2]
        return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")

    with Bus.line(tmp_path / "port", {1: Unit(holding={0: [11, 22]}), 2: Unit(holding={0: [33, 44]})}) as bus:
        bus.mangle = lambda frame: as_unit_9(frame) if frame[0] == 2 else frame
        sink, one = Sink(), bus_inlet(bus, hall(range(1, 3)))
        one.start(sink)
        wait_for(lambda: "unit 9 answered instead" in one.health().detail, "it says who answered")
        sink.wait(10)
        one.stop()
    assert {r.sump for r in sink.readings} == {"m-1"}


def test_a_connection_behind_which_all_are_mute_is_opened_anew(bus_inlet: MakeBusInlet) -> None:
    """A gateway that was replaced answers on a new connection only."""
    with Bus.tcp({1: Unit(holding={0: [11, 22]})}) as bus:
        bus.silent = {1}
        sink, one = Sink(), bus_inlet(bus, hall(range(1, 2)))
        one.start(sink)
        wait_for(lambda: bus.questions(1) > 6, "it goes on asking")
        assert "no unit answers at 127.0.0.1" in one.health().detail
        bus.silent = set()
        sink.wait(2)
        one.stop()
