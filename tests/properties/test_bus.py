"""Laws of the Modbus bus: no bytes bring a value that nobody sent, what is wanted is asked for as often."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st
from pymodbus.framer import FramerBase, FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU

from adapters.bus_plan import MOST_REGISTERS, Point, Schedule, blocks_of
from adapters.bus_wire import Garbled, Late, Master, Mute, Refused
from adapters.register_values import sample_of
from adapters.routes import Route
from monitor.plant.quantity import parse_unit
from monitor.plant.reading import Signal
from monitor.plant.registers import REGISTERS_OF, WORD_ORDERS, Defaults, RegisterAddress, parse_registers
from monitor.plant.types import SignalSpec


class Noise:
    """A wire on which given pieces come, whatever is asked."""

    def __init__(self, pieces: Sequence[bytes], framer: FramerBase) -> None:
        self.framer = framer
        self._pieces = list(pieces)

    def send(self, frame: bytes) -> None: ...

    def receive(self, wanted: int) -> bytes:  # noqa: ARG002 - it gives what it has
        return self._pieces.pop(0) if self._pieces else b""

    def settle(self) -> None: ...

    def close(self) -> None: ...


TYPES = st.sampled_from(sorted(REGISTERS_OF))
LIKE_FRAMES = st.lists(
    st.sampled_from(
        [b"\x03\x03\x04\x00\x0a\x00\x0b", b"\x03\x83\x02", b"\x00\x01\x00\x00\x00\x07\x03\x03\x04", b"\x03"]
    )
    | st.binary(max_size=40),
    max_size=8,
)


@given(LIKE_FRAMES)
@settings(deadline=None)
def test_no_bytes_crash_it_and_none_without_a_check_sum_are_taken(pieces: list[bytes]) -> None:
    whole = b"".join(pieces)
    try:
        words = Master(Noise(pieces, FramerRTU(DecodePDU(is_server=False))), 0.002).read(3, "holding", 0, 2)
    except (Mute, Late, Garbled, Refused):
        return
    body = b"\x03\x03\x04" + b"".join(word.to_bytes(2, "big") for word in words)
    assert body + FramerRTU.compute_CRC(body).to_bytes(2, "big") in whole


@given(LIKE_FRAMES)
@settings(deadline=None)
def test_no_bytes_crash_it_over_tcp(pieces: list[bytes]) -> None:
    try:
        words = Master(Noise(pieces, FramerSocket(DecodePDU(is_server=False))), 0.002).read(3, "holding", 0, 2)
    except (Mute, Late, Garbled, Refused):
        return
    assert len(words) == 2


@given(st.binary(min_size=9, max_size=9), st.lists(st.integers(0, 8), max_size=4))
@settings(deadline=None)
def test_a_good_answer_is_read_however_it_is_cut(content: bytes, cuts: list[int]) -> None:
    words = [int.from_bytes(content[n : n + 2], "big") for n in range(0, 8, 2)]
    body = b"\x03\x03\x08" + content[:8]
    frame = body + FramerRTU.compute_CRC(body).to_bytes(2, "big")
    edges = [0, *sorted(cuts), len(frame)]
    pieces = [frame[a:b] for a, b in pairwise(edges) if a < b]
    assert Master(Noise(pieces, FramerRTU(DecodePDU(is_server=False))), 0.2).read(3, "holding", 0, 4) == words


@given(TYPES, st.sampled_from(WORD_ORDERS), st.data())
def test_registers_are_a_finite_number_or_none_with_a_reason(data_type: str, order: str, data: st.DataObject) -> None:
    count = REGISTERS_OF[data_type]
    words = data.draw(st.lists(st.integers(0, 0xFFFF), min_size=count, max_size=count))
    sample = sample_of(words, RegisterAddress(3, "holding", 0, data_type, order))
    assert (sample.value is None) == bool(sample.reason)
    assert sample.value is None or math.isfinite(sample.value)


@given(st.text(max_size=30) | st.from_regex(r"\d{1,3}/(holding/|input/)?[@#]?\d{1,6}(/\w+)?(/\w+)?", fullmatch=True))
def test_every_address_is_a_place_or_a_fault(text: str) -> None:
    try:
        at = parse_registers(text, Defaults())
    except ValueError:
        return
    assert 0 <= at.first < at.end <= 65536
    assert 1 <= at.unit <= 247


@given(
    st.lists(
        st.tuples(
            st.integers(1, 4), st.integers(0, 400), st.sampled_from(sorted(REGISTERS_OF)), st.sampled_from([5, 60])
        ),
        min_size=1,
        max_size=40,
    )
)
def test_blocks_hold_every_value_once_and_nothing_beside(wanted: list[tuple[int, int, str, int]]) -> None:
    points = []
    for unit, first, data_type, period_s in wanted:
        spec = SignalSpec(Signal.LEVEL, "bus", "", parse_unit("mm"), float(period_s))
        points.append(Point(RegisterAddress(unit, "holding", first, data_type, "ABCD"), (Route("a", spec),)))
    blocks = blocks_of(points)
    assert sorted(map(id, points)) == sorted(id(point) for block in blocks for point in block.points)
    for block in blocks:
        assert 1 <= block.count <= MOST_REGISTERS
        held = {n for point in block.points for n in range(point.at.first, point.at.end)}
        assert held == set(range(block.first, block.first + block.count)), "no register is read that nobody wants"


@given(
    st.lists(st.sampled_from([1.0, 2.0, 5.0]), min_size=1, max_size=8), st.sets(st.integers(0, 7)), st.integers(0, 9)
)
def test_those_that_answer_are_read_once_a_period(periods: list[float], mute: set[int], seed: int) -> None:
    """On a line with room for all, whatever the mute ones cost: 300 s on a clock that the test moves."""
    points = []
    for number, period_s in enumerate(periods):
        spec = SignalSpec(Signal.LEVEL, "bus", "", parse_unit("mm"), period_s)
        points.append(Point(RegisterAddress(number + 1, "holding", seed, "uint16", "ABCD"), (Route("a", spec),)))
    schedule = Schedule(blocks_of(points), 0.0)
    now_s, read, lost = 0.0, dict.fromkeys(range(1, 9), 0), 0
    while now_s < 300.0:
        block = schedule.next(now_s)
        if block is None:
            now_s += max(schedule.wait_s(now_s), 1e-6)
        elif block.unit - 1 in mute:
            now_s, lost = now_s + 0.5, lost + 1
            schedule.failed(block, now_s)
        else:
            now_s += 0.01
            schedule.answered(block, now_s)
            read[block.unit] += 1
    assert lost <= 10 * len(mute)
    for number, period_s in enumerate(periods):
        if number not in mute:
            assert abs(read[number + 1] - 300.0 / period_s) <= 1 + lost
