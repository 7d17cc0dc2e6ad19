"""Duty, weather, leaks, draining, noise: each learns what it should and leaves alone what it must."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from monitor.model import duty, leaks, watch, weather
from monitor.model.bins import DRAINING, Bin
from monitor.model.layout import LEAK, LN_IDLE, LN_RUN, WEATHER
from monitor.model.state import State
from tests.unit.model.runs import idle_state

EXPECTED = np.full(3, 0.8)
NOON = np.array([12])


def chance_on_duty(state: State) -> float:
    """Return the chance to run at noon on a working day in the told calendar."""
    return float(duty.chance(state, np.ones((3, 1)), EXPECTED, NOON)[0, 0])


def test_hours_of_the_week_have_their_slots() -> None:
    assert duty.slot_of(datetime(2031, 3, 3, 7, tzinfo=UTC)) == 7
    assert duty.slot_of(datetime(2031, 3, 7, 7, tzinfo=UTC)) == 7
    assert duty.slot_of(datetime(2031, 3, 8, 7, tzinfo=UTC)) == 31
    assert duty.slot_of(datetime(2031, 3, 9, 23, tzinfo=UTC)) == 71


def test_the_told_share_stands_until_something_is_seen() -> None:
    state, _ = idle_state()
    assert chance_on_duty(state) == pytest.approx(0.8)


def test_an_hour_that_is_never_worked_is_learnt_in_two_weeks() -> None:
    state, _ = idle_state()
    for _day in range(10):
        for hour in range(6, 22):
            belief = np.full(3, 0.0 if hour >= 15 else 1.0)
            duty.learn(state, belief, np.ones(3), np.ones(3), hour)
    evening = float(duty.chance(state, np.ones((3, 1)), EXPECTED, np.array([18]))[0, 0])
    assert evening < 0.35
    assert chance_on_duty(state) > 0.8


def test_a_machine_that_stands_through_its_duty_may_stand_for_days() -> None:
    state, _ = idle_state()
    ranks = np.array([0.25, 0.5, 0.75])
    assert not duty.stands_for(state, ranks).any()
    for hour in range(6, 16):
        duty.learn(state, np.zeros(3), np.ones(3), np.ones(3), hour)
    assert duty.stands_for(state, ranks)[0] == pytest.approx([30.0, 10.0, 10.0 / 3.0])
    duty.learn(state, np.ones(3), np.full(3, 0.25), np.ones(3), 16)
    assert not duty.stands_for(state, ranks).any()


def test_a_holiday_week_does_not_unteach_the_duty() -> None:
    state, _ = idle_state()
    for _day in range(10):
        for hour in range(6, 22):
            duty.learn(state, np.ones(3), np.ones(3), np.ones(3), hour)
    before = chance_on_duty(state)
    for _day in range(5):
        for hour in range(6, 22):
            duty.learn(state, np.zeros(3), np.ones(3), np.ones(3), hour)
    assert chance_on_duty(state) > before - 0.15


def test_levelling_the_weather_out_changes_no_evaporation() -> None:
    state, _ = idle_state()
    state.mean[:, WEATHER] = [-0.3, -0.28, -0.31]
    state.cov[:, WEATHER, WEATHER] = 0.01
    dries = [np.exp(state.mean[:, rate] + state.mean[:, WEATHER]) for rate in (LN_IDLE, LN_RUN)]
    shift = weather._level_out(state, -0.3, 20.0, np.ones(3, dtype=np.bool_))
    assert shift < 0
    for rate, before in zip((LN_IDLE, LN_RUN), dries, strict=True):
        assert np.exp(state.mean[:, rate] + state.mean[:, WEATHER]) == pytest.approx(before, rel=1e-12)


def test_pooled_weather_is_better_known_than_any_sumps_own() -> None:
    state, _ = idle_state()
    state.mean[:, WEATHER] = [0.1, 0.12, 0.08]
    state.cov[:, WEATHER, WEATHER] = 0.008
    hall = weather.pool(state, np.array([0.0, 0.16**2, 0.0]), np.ones(3, dtype=np.bool_))
    assert hall[1] < 0.008
    assert (state.cov[:, WEATHER, WEATHER] < 0.008).all()


def test_nothing_leaks_in() -> None:
    state, fixed = idle_state()
    state.mean[:, LEAK] = [-0.2, 0.0, 0.3]
    leaks.keep_positive(state, fixed)
    assert state.mean[0, LEAK] > -0.15
    assert state.mean[2, LEAK] == 0.3


def test_draining_is_learnt_from_levels_after_a_stop() -> None:
    state, _ = idle_state()
    seen = Bin.empty(3)
    seen.level_l[:, DRAINING] = state.mean[:, 0] - 0.6 * state.mean[:, 6]
    seen.level_n[:, DRAINING] = 3
    state.cov[:, 0, 0] = 0.5
    for _ in range(60):
        watch.learn_draining(state, seen, np.zeros(3), np.ones(3, dtype=np.bool_))
    assert state.drain[:, 0, 0] == pytest.approx(np.full(3, 0.6), abs=0.05)
    assert state.drain[:, 1, 0] == pytest.approx(np.full(3, 0.1))


def test_noise_never_grows_beyond_its_bound() -> None:
    state, _ = idle_state()
    there = watch.Seen(np.zeros(3), np.ones(3), np.full(3, 1.0), np.ones(3, dtype=np.bool_))
    bounds = np.full(3, 0.01), np.full(3, 4.0)
    for _ in range(300):
        watch.learn_noise(state, (0, 1), there, np.full(3, 50.0), np.zeros(3), np.ones(3), bounds, np.zeros(3) > 0)
    assert (state.noise[:, 1] == 4.0).all()


def test_a_leak_behind_a_filling_valve_is_not_read_off_the_level() -> None:
    state, fixed = idle_state()
    state.leak_watch[:, leaks.HEARD] = 1000.0
    state.mean[:, LEAK], state.cov[:, LEAK, LEAK] = 0.005 * fixed.full_l, 1e-9
    state.valve[1, 0] = 1.0
    began = [leaks.judge_leaks(state, fixed, np.zeros(3, dtype=np.bool_), k) for k in range(40)]
    assert np.any(began, axis=0).tolist() == [True, False, True]
