"""Coolant temperature as driver of evaporation: what it moves, what it leaves alone, what a sick thermometer may do."""

from __future__ import annotations

import io
import math
from dataclasses import fields, replace

import numpy as np
import pytest

from monitor.fence import possible_reading
from monitor.model import warmth
from monitor.model.balance import day_curve
from monitor.model.clock import Clock
from monitor.model.engine import Engine
from monitor.model.forecast import forecast
from monitor.model.layout import LN_RUN, Fixed, Floats
from monitor.model.state import State
from monitor.plant.reading import Reading, Signal
from tests.unit.model.runs import HOUR_S, fed
from tests.unit.pipeline.shop import ALL, BEGIN_S, WARM, Machine, plant_of, readings_of

STEPS = 96
RESTING, WORKING = np.zeros(2), np.ones(2)


def two() -> tuple[State, Fixed]:
    """Return the first state of a sump with the signal and of one without."""
    fixed = Fixed.of(plant_of([Machine("warm-01", signals=WARM), Machine("plain-02", signals=ALL)]))
    return State.first(fixed), fixed


def passed(state: State, fixed: Fixed, celsius: list[float], running: Floats = RESTING, begin: int = 0) -> Floats:
    """Let bins pass with the first sump at these temperatures; return the factors (bins, 2)."""
    return np.array(
        [
            warmth.factor(state, fixed, np.array([one, np.nan]), running, begin + k, (begin + k) / 4.0 % 24.0, 0.25)
            for k, one in enumerate(celsius)
        ]
    )


def swing(days: int) -> list[float]:
    """Return temperatures that swing between 18 and 26 degrees a day, warmest at 16:00."""
    hours = np.arange(days * STEPS) / 4.0
    return [22.0 + 4.0 * math.cos((hour - 16.0) * math.pi / 12.0) for hour in hours]


def test_a_sump_without_the_signal_has_the_days_curve_and_remembers_nothing() -> None:
    state, fixed = two()
    before = state.take(np.array([1]))
    factors = passed(state, fixed, swing(3))
    assert factors[:, 1].tolist() == [day_curve(k / 4.0 % 24.0) for k in range(3 * STEPS)]
    after = state.take(np.array([1]))
    assert (after.warm_hours == before.warm_hours).all()
    assert warmth.anomaly(state)[1] == 0.0
    bare = Fixed.of(plant_of([Machine("plain-02", signals=ALL)]))
    first = State.first(bare)
    alone = warmth.factor(first, bare, np.array([np.nan]), np.zeros(1), 5, 7.0, 0.25)
    assert alone.tolist() == [day_curve(7.0)]
    assert all(
        np.array_equal(getattr(first, f.name), getattr(State.first(bare), f.name), equal_nan=True)
        for f in fields(first)
    )


def test_evaporation_follows_the_deficit_over_the_coolest_hour() -> None:
    state, fixed = two()
    factors = passed(state, fixed, swing(4))[-STEPS:, 0]
    pressure = warmth.saturation_hpa(np.array(swing(1)))
    deficit = pressure - warmth.AIR_SHARE * pressure.min()
    assert factors / factors.mean() == pytest.approx(deficit / deficit.mean(), rel=1e-6)


def test_a_machine_that_warms_its_fluid_is_not_counted_twice() -> None:
    """The rate while running knows that running warms; the factor then tells of the rest alone."""
    state, fixed = two()
    for _ in range(14):
        passed(state, fixed, [20.0] * 48, RESTING)
        working = passed(state, fixed, [26.0] * 48, WORKING, 48)
    resting = passed(state, fixed, [20.0] * 48, RESTING)
    assert working[-1, 0] == pytest.approx(resting[-1, 0], rel=0.1)
    assert state.warmth[0, warmth.RUNS] == pytest.approx(1.61, abs=0.1)


def test_hours_without_a_reading_hold_it_for_a_while_and_then_are_as_usual() -> None:
    state, fixed = two()
    passed(state, fixed, swing(5))
    usual = state.warm_hours[0, :, warmth.FACTOR].copy()
    silent = passed(state, fixed, [float("nan")] * STEPS)[:, 0]
    held = int(warmth.HELD_FOR_H * 4)
    assert silent[:held] == pytest.approx(np.full(held, silent[0]), rel=1e-6)
    assert silent[held + 4 :] == pytest.approx(np.repeat(usual, 4)[held + 4 :])


def test_the_hours_ahead_have_the_shape_of_the_sumps_own() -> None:
    state, fixed = two()
    passed(state, fixed, swing(7))
    curve = warmth.ahead(state, np.array([3.5, 15.5, 21.5]))
    assert curve.shape == (2, 3)
    assert curve[1].tolist() == [day_curve(3.5), day_curve(15.5), day_curve(21.5)]
    assert curve[0, 1] > 1.3 * curve[0, 0]
    assert warmth.ahead(State.first(fixed), np.array([3.5])).shape == (1, 1)


def test_a_warm_spell_is_an_anomaly_until_it_is_usual() -> None:
    state, fixed = two()
    passed(state, fixed, [20.0] * 7 * STEPS)
    assert warmth.anomaly(state)[0] == pytest.approx(0.0, abs=0.02)
    passed(state, fixed, [25.0] * 2 * STEPS)
    spell = warmth.anomaly(state)[0]
    assert 0.1 < spell < 0.5
    passed(state, fixed, [25.0] * 30 * STEPS)
    assert abs(warmth.anomaly(state)[0]) < 0.35 * spell


@pytest.mark.parametrize("celsius", [85.0, -9.0, 0.0])
def test_a_thermometer_gone_mad_moves_evaporation_by_half_or_twice_at_most(celsius: float) -> None:
    state, fixed = two()
    passed(state, fixed, swing(5))
    usual = np.repeat(state.warm_hours[0, :, warmth.FACTOR], 4)[0]
    (mad,) = passed(state, fixed, [celsius])[:, 0]
    assert 0.49 * usual < mad < 2.01 * usual


@pytest.mark.parametrize(("celsius", "possible"), [(-40.0, False), (5.0, True), (60.0, True), (850.0, False)])
def test_a_temperature_no_coolant_has_is_fenced_off(celsius: float, possible: bool) -> None:
    plant = plant_of([Machine("warm-01", signals=WARM)])
    reading = Reading("warm-01", Signal.COOLANT_TEMPERATURE, celsius, BEGIN_S, BEGIN_S)
    assert possible_reading(plant, reading) is possible


def hall() -> list[Machine]:
    """Return two sumps with the signal and one without."""
    return [
        Machine("warm-01", signals=WARM, acts=[(20.0, 40.0, 2.0)]),
        Machine("warm-02", signals=WARM, volume_l=300.0),
        Machine("plain-03", signals=ALL),
    ]


def test_a_restart_leaves_no_trace_with_temperatures() -> None:
    readings, end_s = readings_of(hall(), 40), BEGIN_S + 40 * HOUR_S
    straight = fed(Engine(plant_of(hall())), readings, (), end_s)
    for hour in (7.0, 23.25):
        cut_s = BEGIN_S + hour * HOUR_S
        first = fed(Engine(plant_of(hall())), [one for one in readings if one.time_s < cut_s], (), cut_s)
        second = Engine(plant_of(hall()))
        second.restore(first.to_bytes())
        fed(second, [one for one in readings if one.time_s >= cut_s], (), end_s)
        one, other = straight.at(end_s), second.at(end_s)
        assert all(np.array_equal(getattr(one, f.name), getattr(other, f.name), equal_nan=True) for f in fields(one))


def test_a_checkpoint_of_an_earlier_release_is_taken_over_as_far_as_it_goes() -> None:
    """An array the earlier release did not have, or had in another shape, begins anew; the rest is kept."""
    state, fixed = two()
    state.mean[:, LN_RUN] = 0.25
    state.warmth[:] = 7.0
    fresh = State.first(fixed)
    fresh.take_over(np.array([0]), _without_warm_hours(state), np.array([1]))
    assert fresh.mean[:, LN_RUN].tolist() == [0.25, State.first(fixed).mean[1, LN_RUN]]
    assert (fresh.warm_hours == 0.0).all()
    assert fresh.warmth[0].tolist() == State.first(fixed).warmth[0].tolist()


def _without_warm_hours(state: State) -> bytes:
    sink = io.BytesIO()
    arrays = {f.name: getattr(state, f.name) for f in fields(state) if f.name != "warm_hours"}
    np.savez(sink, **(arrays | {"warmth": state.warmth[:, :3]}))
    return sink.getvalue()


def test_sumps_with_and_without_the_signal_know_the_weather_apart() -> None:
    """What is left for the weather to tell differs, so neither group moves the other's."""
    readings, end_s = readings_of(hall(), 40), BEGIN_S + 40 * HOUR_S
    together = fed(Engine(plant_of(hall())), readings, (), end_s).at(end_s)
    alone = [machine for machine in hall() if machine.name == "plain-03"]
    apart = fed(Engine(plant_of(alone)), [one for one in readings if one.sump == "plain-03"], (), end_s).at(end_s)
    assert np.array_equal(together.mean[2], apart.mean[0])
    assert np.array_equal(together.cov[2], apart.cov[0])


def test_the_forecast_runs_with_both_kinds_of_sumps() -> None:
    engine = fed(Engine(plant_of(hall())), readings_of(hall(), 40), (), BEGIN_S + 40 * HOUR_S)
    state = engine.at(BEGIN_S + 40 * HOUR_S)
    ahead = Clock(engine.plant).ahead(state, BEGIN_S + 40 * HOUR_S)
    exits = forecast(state, engine.fixed, ahead, np.ones(3))
    lone = forecast(
        state.take(np.array([2])), engine.fixed.take(np.array([2])), replace(ahead, share=ahead.share[[2]]), np.ones(1)
    )
    assert np.isfinite(exits.hours).all()
    assert (exits.hours[2] == lone.hours[0]).all()
