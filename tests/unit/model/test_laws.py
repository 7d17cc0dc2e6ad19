"""Duty, weather, leaks, draining, noise: each learns what it should and leaves alone what it must."""

from __future__ import annotations

from collections.abc import Sequence
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


def learn(state: State, runs: float | Sequence[float], hour: int, hours: float = 1.0) -> None:
    """Take in an hour of a working day, duty from six to ten at night; `runs` is the share that each machine ran."""
    told = np.full(3, float(6 <= hour < 22))
    usual = duty.chance(state, told[:, None], EXPECTED, np.array([hour]))[:, 0]
    duty.learn(state, np.broadcast_to(runs, 3), np.full(3, hours), told, hour, usual)


def chance_at(state: State, hour: int) -> float:
    """Return the first machine's chance to run in an hour of a working day."""
    told = np.full((3, 1), float(6 <= hour < 22))
    return float(duty.chance(state, told, EXPECTED, np.array([hour]))[0, 0])


def two_weeks_of_work() -> State:
    """Return a state that saw ten working days of all machines from six to ten at night."""
    state, _ = idle_state()
    for _day in range(10):
        for hour in range(24):
            learn(state, 1.0 if 6 <= hour < 22 else 0.0, hour)
    return state


def test_an_hour_that_is_never_worked_is_learnt_in_two_weeks() -> None:
    state, _ = idle_state()
    for _day in range(10):
        for hour in range(24):
            learn(state, float(6 <= hour < 15), hour)
    assert chance_at(state, 18) < 0.25
    assert chance_on_duty(state) > 0.8


def test_a_machine_that_stands_through_its_duty_may_stand_for_days() -> None:
    state, _ = idle_state()
    ranks, monday_h = np.array([0.25, 0.5, 0.75]), 100.0
    assert not duty.stands_for(state, ranks, ranks, monday_h).any()
    for hour in range(6, 16):
        learn(state, [0.0, 1.0, 1.0], hour)
    yet = duty.stands_for(state, ranks, ranks, monday_h)
    assert yet[0] == pytest.approx([30.0, 10.0, 10.0 / 3.0])
    assert not yet[1:].any()
    learn(state, 1.0, 16, 0.25)
    assert not duty.stands_for(state, ranks, ranks, monday_h).any()


def test_machines_that_all_stand_when_they_should_run_are_a_hall_that_is_shut() -> None:
    ranks = np.array([0.25, 0.5, 0.75])
    state = two_weeks_of_work()
    for hour in (6, 7):
        learn(state, 0.0, hour)
    assert (state.stands[:, duty.SHUT_H] > 0.0).all()
    early = duty.stands_for(state, ranks, ranks, 110.0)
    assert (early > 0.0).all(), "before any of them has stood for a shift"
    assert not (early == 110.0).any()
    for hour in range(8, 22):
        learn(state, 0.0, hour)
    assert duty.stands_for(state, ranks, ranks, 97.0)[0] == pytest.approx([97.0, 97.0, 6.0])
    learn(state, 1.0, 6)
    assert not duty.stands_for(state, ranks, ranks, 87.0).any()


def test_a_hall_in_which_one_machine_of_three_runs_is_not_shut() -> None:
    state = two_weeks_of_work()
    for hour in range(6, 10):
        learn(state, [0.0, 0.0, 1.0], hour)
    assert not state.stands[:, duty.SHUT_H].any()


def test_two_machines_that_are_left_of_a_shut_hall_are_no_shut_hall() -> None:
    state = two_weeks_of_work()
    for hour in range(6, 10):
        learn(state, 0.0, hour)
    left = state.take(np.array([0, 1]))
    duty.learn(left, np.ones(2), np.ones(2), np.ones(2), 10, np.full(2, 0.9))
    assert not left.stands[:, duty.SHUT_H].any()
    duty.learn(left, np.zeros(2), np.ones(2), np.zeros(2), 23, np.full(2, 0.1))
    assert not duty.stands_for(left, np.array([0.5]), np.array([0.01]), 90.0).any(), "an idle night is no closed week"


def test_a_holiday_week_does_not_unteach_the_duty() -> None:
    state = two_weeks_of_work()
    before = chance_on_duty(state)
    for _day in range(5):
        for hour in range(24):
            learn(state, 0.0, hour)
    assert chance_on_duty(state) > before - 0.05


def test_a_shift_that_falls_away_is_learnt_when_the_machine_runs_the_next_morning() -> None:
    state = two_weeks_of_work()
    for hour in [*range(6, 24), *range(6)]:
        learn(state, [float(6 <= hour < 14), float(6 <= hour < 22), float(6 <= hour < 22)], hour)
    before = chance_at(state, 18)
    assert before > 0.8, "it may as well be a stop"
    learn(state, 1.0, 6)
    assert chance_at(state, 18) < 0.6 * before
    assert chance_at(state, 10) > 0.9
    assert not state.stands[:, duty.SHUT_H].any()


def test_a_shift_that_is_new_is_learnt_faster_than_one_hour_that_differs() -> None:
    state = two_weeks_of_work()
    for hour in (22, 23, 0, 1, 2, 3, 4, 5):
        learn(state, [1.0, 0.0, 0.0], hour)
    alone = two_weeks_of_work()
    learn(alone, [1.0, 0.0, 0.0], 3)
    assert chance_at(state, 3) > 2.0 * chance_at(alone, 3)
    assert chance_at(state, 3) > 0.35


def test_how_often_a_machine_stopped_tells_how_likely_it_stops_again() -> None:
    state = two_weeks_of_work()
    before = duty.stops_a_day(state)
    for hour in range(6, 16):
        learn(state, [0.0, 1.0, 1.0], hour)
    after = duty.stops_a_day(state)
    assert after[0] > 5.0 * before[0]
    assert (after[1:] <= before[1:]).all()


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


def test_a_stop_that_one_gauge_showed_teaches_nothing_of_the_others() -> None:
    state, _ = idle_state()
    before, seen = state.drain.copy(), Bin.empty(3)
    seen.level_l[1, DRAINING:] = state.mean[1, 0] - 0.3 * state.mean[1, 6]
    seen.level_n[1, DRAINING:] = 3
    watch.learn_draining(state, seen, np.zeros(3), np.ones(3, dtype=np.bool_))
    assert (state.drain[[0, 2]] == before[[0, 2]]).all()
    assert (state.drain[1, :, 0] != before[1, :, 0]).all()


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
