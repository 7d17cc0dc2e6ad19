"""Small rises that may be a valve's openings: held back until settled; and rises that are taken back are nobody's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from monitor.model import openings, valves
from monitor.model.engine import Engine
from monitor.model.layout import BINS_A_DAY, STRENGTH, Fixed
from monitor.model.state import State
from monitor.model.types import Event, EventKind
from monitor.plant.reading import Reading, Signal
from monitor.plant.tank import PerHeight
from tests.unit.model.runs import HOUR_S, engine_over, fed, idle_state
from tests.unit.pipeline.shop import BEGIN_S, Machine, plant_of, readings_of

FULL_L = 400.0
RISE = 4 * 500


def hours_of(gauges: list[float], running: float = 1.0, last: int = 520) -> tuple[State, Fixed, int]:
    """Return a state whose ring of hours ends with some gauges (shares of full), and the last bin."""
    state, fixed = idle_state(1)
    state.bins_done[:] = BINS_A_DAY
    for back, gauge in enumerate(reversed(gauges)):
        slot = (last - back) % valves.RING_H
        state.hourly[0, slot, valves.GAUGES] = 4.0 * gauge * FULL_L
        state.hourly[0, slot, valves.RUNS] = 4.0 * running
        state.hourly[0, slot, valves.COUNT] = 4.0
    return state, fixed, 4 * last + 3


def waiting(from_l: float = 0.80 * FULL_L) -> openings.Waiting:
    event = Event("e", "lathe-00", EventKind.UNLOGGED_TOP_UP, 0.0, 0.0, 24.0, 3.0, 0.99, "24 L")
    return openings.Waiting(RISE + 9, RISE, from_l, event)


def test_a_small_rise_from_the_lowest_mark_may_be_a_valve() -> None:
    state, fixed, k = hours_of([0.86, 0.84, 0.82, 0.80, 0.85, 0.85], last=501)
    assert openings.rose_from(state, fixed, 0, (RISE, 0.05 * FULL_L), k) == pytest.approx(0.80 * FULL_L)
    assert openings.rose_from(state, fixed, 0, (RISE, 0.12 * FULL_L), k) is None


def test_a_rise_far_above_the_lowest_mark_is_none() -> None:
    state, fixed, k = hours_of([0.70, 0.74, 0.85, 0.82, 0.88, 0.88], last=501)
    assert openings.rose_from(state, fixed, 0, (RISE, 0.05 * FULL_L), k) is None


def test_where_nothing_was_heard_before_it_may_be() -> None:
    state, fixed, k = hours_of([0.85, 0.85], last=501)
    assert openings.rose_from(state, fixed, 0, (RISE, 0.05 * FULL_L), k) == openings.NOTHING_HEARD


def test_a_gauge_that_falls_on_at_work_tells_of_people() -> None:
    state, fixed, k = hours_of([0.86, 0.86, 0.85, 0.84, 0.83, 0.82], last=508)
    settled = openings.settle(state, fixed, 0, waiting(), k)
    assert settled.told
    assert settled.event.detected_s == (k + 1) * 900.0


def test_a_gauge_that_stays_leaves_it_open_until_four_days_are_over() -> None:
    state, fixed, k = hours_of([0.82, 0.81, 0.82, 0.81, 0.82], last=508)
    one = openings.settle(state, fixed, 0, waiting(), k)
    assert one.settled is None
    late = RISE + 4 * openings.WAITS_H + 4
    assert openings.settle(state, fixed, 0, one, late).told


@pytest.mark.parametrize(("mark", "told"), [(0.81, False), (0.60, True)])
def test_a_valve_found_at_that_mark_settles_it(mark: float, told: bool) -> None:
    state, fixed, k = hours_of([0.82, 0.81, 0.82], last=508)
    state.valve[0, valves.FLAG], state.valve[0, valves.MARK] = 1.0, mark * FULL_L
    settled = openings.settle(state, fixed, 0, waiting(), k)
    assert settled.settled == k
    assert settled.told is told


def test_going_back_opens_it_again_and_writing_down_keeps_it() -> None:
    settled = replace(waiting(), settled=3000, told=True)
    assert settled.before(3001) == settled
    assert settled.before(3000) == replace(settled, settled=None, told=False)
    assert openings.Waiting.from_json(settled.to_json()) == settled


def shaken(readings: list[Reading], hour: float, bins: int, level_mm: float, brix: float) -> list[Reading]:
    """Add foam and chips to the readings of some quarters of an hour."""
    begin = BEGIN_S + hour * HOUR_S
    shift = {Signal.LEVEL: level_mm, Signal.REFRACTOMETER: brix}
    return [
        replace(one, value=(one.value or 0.0) + shift.get(one.signal, 0.0))
        if begin <= one.time_s < begin + 900.0 * bins
        else one
        for one in readings
    ]


@pytest.mark.parametrize(("bins", "level_mm", "brix"), [(1, 25.0, -3.0), (2, 25.0, 0.0)])
def test_foam_and_chips_that_pass_are_no_filling(bins: int, level_mm: float, brix: float) -> None:
    shop = [Machine("lathe-01", volume_l=330.0)]
    readings = shaken(readings_of(shop, 36), 30.0, bins, level_mm, brix)
    engine = fed(Engine(plant_of(shop)), readings, [], BEGIN_S + 36 * HOUR_S)
    assert engine.events() == []
    assert engine.at(BEGIN_S + 36 * HOUR_S).mean[0, STRENGTH] == pytest.approx(shop[0].concentration_pct, abs=0.3)


def test_a_small_filling_of_a_sump_without_a_valve_is_told_once_the_gauge_has_fallen_on() -> None:
    shop = [Machine("lathe-01", volume_l=330.0, evaporation_l_per_h=1.8, acts=[(32.0, 26.0, 3.0)])]
    engine = engine_over(shop, 70)
    (event,) = [one for one in engine.events() if one.kind is EventKind.UNLOGGED_TOP_UP]
    assert event.volume_l == pytest.approx(26.0, rel=0.15)
    assert BEGIN_S + 34 * HOUR_S < event.detected_s < BEGIN_S + 60 * HOUR_S
    assert np.isfinite(engine.at(BEGIN_S + 70 * HOUR_S).mean).all()


def test_a_restart_and_late_input_leave_what_waits_as_it_was() -> None:
    shop = [Machine("lathe-01", volume_l=330.0, evaporation_l_per_h=1.8, acts=[(32.0, 26.0, 3.0)])]
    plant, readings = plant_of(shop), readings_of(shop, 70)
    halfway, end = BEGIN_S + 37 * HOUR_S, BEGIN_S + 70 * HOUR_S
    first, late = [one for one in readings if one.time_s < halfway], readings[1500]
    whole = fed(Engine(plant), readings, [], end)
    begun = fed(Engine(plant), first, [], halfway)
    assert begun.events() == []
    resumed = Engine(plant, history=lambda begin_s, end_s: [r for r in readings if begin_s <= r.time_s < end_s])
    resumed.restore(begun.to_bytes())
    fed(resumed, [one for one in readings if one.time_s >= halfway], [], end)
    assert resumed.events() == whole.events()
    assert len(whole.events()) == 1
    behind = fed(Engine(plant), [one for one in readings if one is not late], [], end)
    assert fed(behind, [late], [], end).events() == whole.events()


def test_what_waits_of_a_former_tank_is_not_told_of_the_new_one() -> None:
    shop = [Machine("lathe-01", volume_l=330.0, evaporation_l_per_h=1.8, acts=[(32.0, 26.0, 3.0)])]
    plant, readings = plant_of(shop), readings_of(shop, 70)
    changed = BEGIN_S + 37 * HOUR_S
    before = fed(Engine(plant), [one for one in readings if one.time_s < changed], [], changed)
    assert before.findings.waiting_to_json() != "[]"
    lathe = replace(plant.sumps["lathe-01"], tank=PerHeight(1.5), since_s=changed)
    after = Engine(replace(plant, sumps={"lathe-01": lathe}))
    after.restore(before.to_bytes())
    fed(after, [one for one in readings if one.time_s >= changed], [], BEGIN_S + 70 * HOUR_S)
    assert after.events() == []
