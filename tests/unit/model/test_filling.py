"""A sump with an automatic valve: what the filter makes of openings that nobody tells."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model import filling, valves
from monitor.model.courses import LEAN_SIDE
from monitor.model.engine import Engine
from monitor.model.forecast import forecast
from monitor.model.layout import JOB, LN_DRAG, LN_RUN, STRENGTH, VOLUME, WEATHER, Floats
from monitor.model.normal import below
from monitor.model.types import EventKind
from monitor.plant.reading import Entry, EntryKind
from tests.unit.model.runs import HOUR_S, engine_over, fed
from tests.unit.pipeline.shop import BEGIN_S, Machine, plant_of, readings_of

SET_L = 330.0
OPENING_L = 8.4


@dataclass
class Filled(Machine):
    """A machine whose valve lets a little in whenever its gauge falls below a mark."""

    mix_pct: float = 0.0
    opening_l: float = OPENING_L

    def pass_hours(self, hour: float, hours: float) -> None:
        """Lose, then open at most once."""
        super().pass_hours(hour, hours)
        if self.volume_l - (self.hold_up_l if self.runs(hour) else 0.0) < SET_L:
            concentrate = self.volume_l * self.concentration_pct + self.opening_l * self.mix_pct
            self.volume_l += self.opening_l
            self.concentration_pct = concentrate / self.volume_l


def mains(name: str = "lathe-01", pace: float = 1.0, **more: float) -> Filled:
    """Return a sump behind mains water; `pace` scales what it loses."""
    return Filled(name, evaporation_l_per_h=1.2 * pace, drag_out_l_per_h=0.9 * pace, **more)  # type: ignore[arg-type]


@lru_cache
def run(seed: int, pace: float = 1.0) -> tuple[Engine, Filled]:
    """Run a week of one such sump, a check on Thursday, and return it with its truth."""
    truth = mains(pace=pace)
    readings = readings_of([truth], 7 * 24.0, seed=seed)
    halfway = mains(pace=pace)
    readings_of([halfway], 82.0, seed=seed)
    at = BEGIN_S + 82 * HOUR_S
    check = Entry("c-1", "lathe-01", EntryKind.CHECK, at, at, value=halfway.concentration_pct, unit="%")
    engine = fed(Engine(plant_of([mains()])), readings, [check], BEGIN_S + 7 * 24 * HOUR_S)
    return engine, truth


def pace_of(engine: Engine) -> float:
    """Return the litres an hour that the sump is thought to lose while it runs."""
    mean = engine.at(BEGIN_S + 7 * 24 * HOUR_S).mean[0]
    return math.exp(mean[LN_RUN] + mean[WEATHER]) + math.exp(mean[LN_DRAG] + mean[JOB])


@pytest.mark.parametrize(("seed", "pace"), [(1, 1.0), (2, 1.0), (3, 0.5), (4, 1.5)])
def test_what_is_lost_shows_between_the_openings(seed: int, pace: float) -> None:
    engine, truth = run(seed, pace)
    state = engine.at(BEGIN_S + 7 * 24 * HOUR_S)
    assert state.valve[0, valves.FLAG] == 1.0
    assert state.valve[0, valves.MARK] == pytest.approx(SET_L, abs=4.0)
    assert pace_of(engine) == pytest.approx(2.1 * pace, rel=0.25)
    assert state.mean[0, VOLUME] == pytest.approx(truth.volume_l, abs=4.0)
    assert state.mean[0, STRENGTH] == pytest.approx(truth.concentration_pct, abs=0.3)


@pytest.mark.parametrize("seed", [1, 2])
def test_openings_of_a_valve_are_no_top_ups_by_people_known_or_not_yet(seed: int) -> None:
    engine, _ = run(seed)
    assert [e for e in engine.events() if e.kind is EventKind.UNLOGGED_TOP_UP] == []


def test_people_filling_up_over_the_mark_are_found() -> None:
    shop: list[Machine] = [replace(mains(), acts=[(100.3, 40.0, 20.0)])]
    engine = engine_over(shop, 110)
    found = [e for e in engine.events() if e.kind is EventKind.UNLOGGED_TOP_UP and e.time_s > BEGIN_S + 90 * HOUR_S]
    assert len(found) == 1
    assert found[0].volume_l == pytest.approx(40.0, rel=0.2)
    assert found[0].mix_pct == pytest.approx(20.0, rel=0.25)


def test_a_sump_behind_mains_water_leaves_lean() -> None:
    engine, _ = run(1)
    at = BEGIN_S + 7 * 24 * HOUR_S
    state = engine.at(at)
    exits = forecast(state, engine.fixed, engine.clock.ahead(state, at), engine.widths())
    leaving = exits.hours[0] < 240.0
    assert (exits.side[0][leaving] == LEAN_SIDE).mean() > 0.8


def test_futures_hold_a_valve_as_often_as_it_is_believed_in() -> None:
    engine, _ = run(1)
    at = BEGIN_S + 7 * 24 * HOUR_S
    state = engine.at(at)
    ahead = engine.clock.ahead(state, at)
    state.valve[0, valves.ODDS] = 0.0
    doubted = forecast(state, engine.fixed, ahead, engine.widths()).path[0, 0]
    state.valve[0, valves.ODDS] = 50.0
    sure = forecast(state, engine.fixed, ahead, engine.widths()).path[0, 0]
    assert valves.there_chance(state)[0] == pytest.approx(1.0)
    assert sure[0, -1] > SET_L - 2 * OPENING_L, "nine in ten hold the level"
    assert doubted[0, -1] < SET_L - 2 * OPENING_L < doubted[2, -1], "some fall, some hold the level"


def test_a_valve_that_stops_opening_is_given_up() -> None:
    truth = mains()
    readings = readings_of([truth], 80.0)
    dry = Machine("lathe-01", volume_l=truth.volume_l, evaporation_l_per_h=1.2, drag_out_l_per_h=0.9)
    readings += readings_of([dry], 40.0, begin_s=BEGIN_S + 80 * HOUR_S)
    engine = fed(Engine(plant_of([mains()])), readings, (), BEGIN_S + 79 * HOUR_S)
    assert engine.at(BEGIN_S + 79 * HOUR_S).valve[0, valves.FLAG] == 1.0
    engine.advance(BEGIN_S + 120 * HOUR_S)
    after = engine.at(BEGIN_S + 120 * HOUR_S)
    assert after.valve[0, valves.FLAG] == 0.0
    assert not after.grid.any(), "what it learnt is taken over at once, whether another sump has a valve or not"


def test_a_restart_and_another_order_of_sumps_change_nothing() -> None:
    shop: list[Machine] = [mains("lathe-01"), mains("mill-02", 0.6), Machine("saw-03")]
    readings = readings_of(shop, 84.0)
    end = BEGIN_S + 84 * HOUR_S
    straight = fed(Engine(plant_of(shop)), readings, (), end)
    half = BEGIN_S + 70 * HOUR_S
    first = fed(Engine(plant_of(shop)), [r for r in readings if r.time_s < half], (), half)
    second = Engine(plant_of(shop))
    second.restore(first.to_bytes())
    resumed = fed(second, [r for r in readings if r.time_s >= half], (), end)
    turned = fed(Engine(plant_of(shop[::-1])), readings, (), end)
    for name in ("mean", "cov", "grid", "valve"):
        expected = getattr(straight.at(end), name)
        assert np.array_equal(expected, getattr(resumed.at(end), name)), name
        assert np.array_equal(expected[::-1], getattr(turned.at(end), name)), name
    assert straight.at(end).grid.any()


def chances(places: Floats) -> Floats:
    """Return a grid of one sump with the same chances at every pace."""
    grid = np.repeat(places[None, None, :], len(filling.LN_PACES), axis=1)
    return np.asarray(grid / grid.sum())


def test_the_grid_loses_nothing_and_moves_by_what_it_should() -> None:
    places = np.exp(-0.5 * ((filling.AT - 0.01) / 0.004) ** 2)
    grid = chances(places)
    fallen = filling._fall(grid, np.full((1, len(filling.LN_PACES)), 1.3))
    assert fallen.sum() == pytest.approx(1.0)
    assert fallen.sum(axis=(0, 1)) @ filling.AT == pytest.approx(0.01 - 1.3 * filling.CELL, abs=1e-4)
    opened = filling._open(fallen, np.array([0.0]), np.array([0.021]))
    assert opened.sum() == pytest.approx(1.0)
    below_mark = filling.AT < -0.004
    assert opened.sum(axis=(0, 1))[below_mark].sum() < 1e-3


@pytest.mark.parametrize("z", [-4.0, -1.2816, -0.3, 0.0, 0.7, 1.6449, 3.0])
def test_the_normal_distribution_is_that_of_the_error_function(z: float) -> None:
    assert below(np.array([z]))[0] == pytest.approx(0.5 * math.erfc(-z / math.sqrt(2.0)), abs=2e-7)


@given(st.integers(0, 2**32 - 1), st.floats(0.0, 20.0), st.floats(-0.08, 0.04), st.floats(0.005, 0.05))
def test_chances_stay_chances(seed: int, shift: float, threshold: float, size: float) -> None:
    rng = np.random.default_rng(seed)
    grid = rng.random((2, len(filling.LN_PACES), len(filling.AT))) ** 40
    moved = filling._fall(grid, np.full(grid.shape[:2], shift))
    opened = filling._open(moved, np.full(2, threshold), np.full(2, size))
    assert (moved >= 0.0).all()
    assert (opened >= 0.0).all()
    assert opened.sum() == pytest.approx(grid.sum())


@pytest.mark.parametrize(("opening_l", "learnt_l"), [(OPENING_L, 8.4), (16.0, 16.0)])
def test_the_size_of_an_opening_is_learnt_where_it_is_clearly_larger(opening_l: float, learnt_l: float) -> None:
    truth = mains(opening_l=opening_l)
    readings = readings_of([truth], 7 * 24.0, seed=5)
    engine = fed(Engine(plant_of([mains()])), readings, [], BEGIN_S + 7 * 24 * HOUR_S)
    assert engine.at(BEGIN_S + 7 * 24 * HOUR_S).valve[0, valves.SIZE] == pytest.approx(learnt_l, rel=0.2)


def test_what_people_fill_in_over_the_mark_says_nothing_of_the_openings() -> None:
    at_mark = 0.80 + 0.02 * (np.arange(60) * 0.17 % 1.0)
    filled = np.concatenate([at_mark, np.linspace(0.92, 0.80, 30), at_mark])
    hours = np.stack([filled, filled, np.ones_like(filled), np.ones_like(filled)], axis=1)
    assert valves._size(hours, 1e-6, 1.0) == valves.FIRST_SIZE
    larger = np.concatenate([at_mark + (at_mark - 0.80), np.linspace(0.92, 0.80, 30)])
    hours = np.stack([larger, larger, np.ones_like(larger), np.ones_like(larger)], axis=1)
    assert valves._size(hours, 1e-6, 1.0) == pytest.approx(0.04, rel=0.15)
