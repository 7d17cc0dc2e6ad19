"""What is asked together and when: on a clock that the test moves, readings counted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from itertools import pairwise

import pytest

from adapters.bus_plan import MOST_REGISTERS, Block, Point, Schedule, apart, blocks_of
from adapters.routes import Route
from monitor.plant.quantity import parse_unit
from monitor.plant.reading import Signal
from monitor.plant.registers import Defaults, parse_registers
from monitor.plant.types import SignalSpec

TIMEOUT_S, ANSWER_S = 1.0, 0.02


def point(address: str, period_s: float = 10.0) -> Point:
    spec = SignalSpec(Signal.LEVEL, "bus", address, parse_unit("mm"), period_s)
    return Point(parse_registers(address, Defaults()), (Route("lathe-04", spec),))


def shapes(addresses: Iterable[str]) -> list[tuple[int, str, int, int]]:
    return [(b.unit, b.table, b.first, b.count) for b in blocks_of(point(address) for address in addresses)]


def test_neighbours_are_asked_for_together() -> None:
    assert shapes(["3/102", "3/100", "3/104/uint16", "3/106", "4/108", "3/input/108", "3/coil/0", "3/coil/1"]) == [
        (3, "coil", 0, 2),
        (3, "holding", 100, 5),
        (3, "holding", 106, 2),
        (3, "input", 108, 2),
        (4, "holding", 108, 2),
    ]


def test_what_comes_at_another_pace_is_asked_for_by_itself() -> None:
    assert len(blocks_of([point("3/100", 10.0), point("3/102", 60.0)])) == 2


def test_one_request_reaches_so_far() -> None:
    addresses = [f"3/{2 * n}" for n in range(100)]
    assert shapes(addresses) == [(3, "holding", 0, 124), (3, "holding", 124, 76)]
    assert max(count for *_, count in shapes(addresses)) <= MOST_REGISTERS


def test_a_block_taken_apart_is_its_values() -> None:
    (block,) = blocks_of([point("3/100"), point("3/102"), point("3/104")])
    assert [(one.first, one.count) for one in apart(block)] == [(100, 2), (102, 2), (104, 2)]


def play(
    schedule: Schedule, until_s: float, answers: Callable[[Block, float], bool], now_s: float = 0.0
) -> tuple[Counter[int], list[tuple[float, Block]]]:
    """Let the schedule run on a clock that only moves with what the line does; count answers by unit."""
    counted: Counter[int] = Counter()
    asked: list[tuple[float, Block]] = []
    while now_s < until_s:
        block = schedule.next(now_s)
        if block is None:
            now_s += max(schedule.wait_s(now_s), 1e-6)
            continue
        asked.append((now_s, block))
        if answers(block, now_s):
            now_s += ANSWER_S
            schedule.answered(block, now_s)
            counted[block.unit] += 1
        else:
            now_s += TIMEOUT_S
            schedule.failed(block, now_s)
    return counted, asked


@pytest.mark.parametrize("mute", [{7}, {1, 7}, {2, 3, 4, 5, 6, 7, 8, 9, 10}])
def test_mute_units_do_not_cost_the_others_a_reading(mute: set[int]) -> None:
    """Ten units every second for an hour: those that answer keep their period, up to one reading a retry."""
    schedule = Schedule(blocks_of([point(f"{unit}/0", 1.0) for unit in range(1, 11)]), 0.0)
    counted, asked = play(schedule, 3600.0, lambda block, _now: block.unit not in mute)
    retries = sum(1 for _, block in asked if block.unit in mute)
    assert retries <= len(mute) * (3600 / 60 + 7)
    for unit in set(range(1, 11)) - mute:
        assert counted[unit] >= 3600 - retries - 1, f"unit {unit}"
    if len(mute) == 1:
        assert min(counted[unit] for unit in counted) >= 3500


def test_without_the_waits_a_mute_unit_would_cost_most_readings() -> None:
    """What the promise above is worth: asked at every turn, one mute unit halves all the others."""
    schedule = Schedule(
        blocks_of([point(f"{unit}/0", 1.0) for unit in range(1, 11)]), 0.0, first_wait_s=0.0, most_wait_s=0.0
    )
    counted, _ = play(schedule, 3600.0, lambda block, _now: block.unit != 7)
    assert max(counted.values()) < 3100


def test_the_longest_delay_is_one_time_out() -> None:
    schedule = Schedule(blocks_of([point("1/0", 5.0), *(point(f"{unit}/0", 5.0) for unit in range(2, 9))]), 0.0)
    _, asked = play(schedule, 7200.0, lambda block, _now: block.unit == 1)
    late = [(at_s - 10.0) % 5.0 for at_s, block in asked if block.unit == 1 and at_s > 60.0]
    assert max(late) <= TIMEOUT_S + 1e-6
    assert len(late) >= (7200 - 60) / 5.0 - 2


def test_waits_double_up_to_a_minute_and_one_answer_makes_a_unit_well() -> None:
    schedule = Schedule(blocks_of([point("7/0", 5.0), point("7/50", 5.0)]), 0.0)
    _, asked = play(schedule, 400.0, lambda _block, now_s: now_s > 300.0)
    mute = [at_s for at_s, _ in asked if at_s <= 300.0]
    gaps = [round(b - a - TIMEOUT_S, 6) for a, b in pairwise(mute)]
    assert gaps == [2, 4, 8, 16, 32, 60, 60, 60]
    assert len({id(block) for _, block in asked[: len(mute)]}) == 1, "a unit that failed is asked for the same again"
    after = [block.first for at_s, block in asked if at_s > 300.0]
    assert after.count(0) >= 8
    assert after.count(50) >= 8


def test_a_period_keeps_its_phase_whatever_the_line_was_busy_with() -> None:
    schedule = Schedule(blocks_of([point("1/0", 10.0)]), 100.0)
    block = schedule.next(100.0)
    assert block is not None
    schedule.answered(block, 103.7)
    assert schedule.next(109.9) is None
    assert schedule.wait_s(109.0) == pytest.approx(1.0)
    schedule.answered(block, 137.2)
    assert schedule.wait_s(137.2) == pytest.approx(2.8)


def test_a_unit_comes_back_on_a_line_that_is_never_free() -> None:
    """Forty units wanted ten times as often as the line can carry, one mute for ten minutes."""
    schedule = Schedule(blocks_of([point(f"{unit}/0", 0.1) for unit in range(1, 41)]), 0.0)
    counted, _ = play(schedule, 1200.0, lambda block, now_s: block.unit != 7 or now_s > 600.0)
    assert counted[7] > 400
    others = [n for unit, n in counted.items() if unit != 7]
    assert max(others) - min(others) <= 1
