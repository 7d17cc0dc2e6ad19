"""Sumps that leave the plant file, come back, or become others: what is kept of them and what is not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from monitor.model.absent import KEPT_BINS
from monitor.model.engine import Engine
from monitor.model.layout import BIN_S
from monitor.model.state import State
from monitor.plant.reading import Reading
from monitor.plant.types import Plant
from tests.unit.pipeline.shop import BEGIN_S, Machine, machines, plant_of, readings_of

SHOP = machines()
PLANT = plant_of(SHOP)
READINGS = readings_of(machines(), 30)
HOUR_S = 3600.0


def without(plant: Plant, *names: str) -> Plant:
    return replace(plant, sumps={name: sump for name, sump in plant.sumps.items() if name not in names})


def heard_until(plant: Plant, hour: float, readings: Sequence[Reading] = READINGS) -> list[Reading]:
    return [one for one in readings if one.sump in plant.sumps and one.time_s < BEGIN_S + hour * HOUR_S]


def run(plant: Plant, hour: float) -> Engine:
    engine = Engine(plant)
    engine.add_readings(heard_until(plant, hour))
    engine.advance(BEGIN_S + hour * HOUR_S)
    return engine


def row_of(engine: Engine, sump: str) -> State:
    return engine._state.take(np.array([engine.fixed.ids.index(sump)], dtype=np.int64))


def same(one: State, other: State) -> bool:
    return all(np.array_equal(getattr(one, f), getattr(other, f), equal_nan=True) for f in State.__slots__)


def test_a_sump_that_comes_back_stands_as_if_it_had_only_been_silent() -> None:
    """One sump alone, so that no neighbour's weather makes a difference."""
    lone, other = machines()[0], Machine("hone-09")
    both, first = plant_of([lone, other]), plant_of([lone])
    away = without(both, lone.name)
    readings = [one for one in READINGS if one.sump == lone.name]
    kept = Engine(first)
    kept.add_readings(heard_until(first, 9.0, readings))
    kept.advance(BEGIN_S + 6 * HOUR_S)
    gone = Engine(away)
    gone.restore(kept.to_bytes())
    gone.advance(BEGIN_S + 12 * HOUR_S)
    late = [one for one in readings if one.time_s < BEGIN_S + 9.0 * HOUR_S]
    back = Engine(both, history=lambda from_s, to_s: [one for one in late if from_s <= one.time_s < to_s])
    gone.advance(BEGIN_S + 18 * HOUR_S)
    back.restore(gone.to_bytes())
    kept.advance(BEGIN_S + 18 * HOUR_S)
    assert same(row_of(back, lone.name), row_of(kept, lone.name))


def test_what_is_kept_outlives_many_checkpoints_and_is_not_kept_for_ever() -> None:
    engine = Engine(without(PLANT, "saw-01"))
    engine.restore(run(PLANT, 8.0).to_bytes())
    for _ in range(3):
        again = Engine(without(PLANT, "saw-01"))
        again.restore(engine.to_bytes())
        engine = again
        engine.advance((engine.next_bin or 0) * BIN_S + 6 * HOUR_S)
    assert set(engine._absent) == {"saw-01"}
    engine._next = (engine.next_bin or 0) + KEPT_BINS
    old = Engine(without(PLANT, "saw-01"))
    old.restore(engine.to_bytes())
    assert old._absent == {}


def test_the_others_go_on_as_they_were_when_a_sump_goes() -> None:
    before, after = run(PLANT, 8.0), Engine(without(PLANT, "saw-01"))
    after.restore(before.to_bytes())
    for name in after.fixed.ids:
        assert same(row_of(after, name), row_of(before, name))


def test_a_sump_with_another_tank_begins_anew_and_at_one_moment_only() -> None:
    since_s = BEGIN_S + 10.2 * HOUR_S
    lathe = replace(PLANT.sumps["lathe-04"], since_s=since_s)
    anew = replace(PLANT, sumps={**PLANT.sumps, "lathe-04": lathe})
    prior = row_of(Engine(anew), "lathe-04")
    engine = Engine(anew)
    engine.restore(run(PLANT, 6.0).to_bytes())
    assert not same(row_of(engine, "lathe-04"), prior)
    engine.advance(BEGIN_S + 10.0 * HOUR_S)
    engine.advance(since_s)
    assert same(row_of(engine, "lathe-04"), prior)
    told = [one for one in heard_until(anew, 14.0) if one.sump != "lathe-04" or one.time_s >= since_s]
    engine.add_readings(told)
    engine.advance(BEGIN_S + 14.0 * HOUR_S)
    assert not same(row_of(engine, "lathe-04"), prior)


def test_late_input_goes_back_over_the_new_beginning_and_finds_it_again() -> None:
    since_s = BEGIN_S + 4.2 * HOUR_S
    lathe = replace(PLANT.sumps["lathe-04"], since_s=since_s)
    anew = replace(PLANT, sumps={**PLANT.sumps, "lathe-04": lathe})
    told = [one for one in heard_until(anew, 8.0) if one.sump != "lathe-04" or one.time_s >= since_s]
    late = [one for one in told if one.sump == "mill-07" and 3.0 < (one.time_s - BEGIN_S) / HOUR_S < 3.5]
    in_order, disordered = Engine(anew), Engine(anew)
    in_order.add_readings(told)
    in_order.advance(BEGIN_S + 8.0 * HOUR_S)
    disordered.add_readings([one for one in told if one not in late])
    disordered.advance(BEGIN_S + 6.0 * HOUR_S)
    disordered.add_readings(late)
    disordered.advance(BEGIN_S + 8.0 * HOUR_S)
    assert same(in_order._state, disordered._state)


def test_a_sump_that_comes_back_with_another_tank_is_not_taken_for_what_it_was() -> None:
    gone = Engine(without(PLANT, "saw-01"))
    gone.restore(run(PLANT, 8.0).to_bytes())
    gone.advance(BEGIN_S + 12.0 * HOUR_S)
    saw = replace(PLANT.sumps["saw-01"], since_s=BEGIN_S + 12.0 * HOUR_S)
    back = Engine(replace(PLANT, sumps={**PLANT.sumps, "saw-01": saw}))
    back.restore(gone.to_bytes())
    assert same(row_of(back, "saw-01"), row_of(Engine(PLANT), "saw-01"))


def test_the_shape_of_a_sump_is_its_tank_its_fluid_and_what_its_gauges_speak() -> None:
    lathe = PLANT.sumps["lathe-04"]
    fluid = lathe.fluid
    assert lathe.shape == PLANT.sumps["mill-07"].shape
    for other in (
        replace(lathe, full_l=900.0),
        replace(lathe, hold_up_l=3.0),
        replace(lathe, fluid=replace(fluid, band_pct=(5.0, 9.0), target_pct=7.0)),
    ):
        assert other.shape == lathe.shape
    for other in (
        replace(lathe, tank=replace(lathe.tank, l_per_mm=1.3)),  # type: ignore[type-var]
        replace(lathe, fluid=replace(fluid, refractometer_factor=1.6)),
        replace(lathe, fluid=replace(fluid, id="synthetic")),
        replace(lathe, signals={}),
    ):
        assert other.shape != lathe.shape
