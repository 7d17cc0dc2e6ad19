"""The leak watch: when a loss began, how long it has to show, and how much more is asked of a new sump."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.model import leaks, nights, regained, suspects, trust
from monitor.model.layout import LEAK, Fixed, Flags
from monitor.model.state import State
from tests.unit.model.runs import idle_state

BEGAN = 200
QUIET = 0.4
"""Standard deviations of a bin's score before the loss: the sum stands at zero most of the time."""


def watched(stands: bool, per_h: float, heard: float = 1000.0) -> tuple[State, Fixed, int | None]:
    """Pass bins of quiet and then of a loss (share of full an hour); return the bin in which it was said."""
    state, fixed = idle_state(1)
    state.leak_watch[:, leaks.HEARD] = heard - BEGAN
    rng, use = np.random.default_rng(3), np.ones(1, dtype=np.bool_)
    for k in range(BEGAN + 100):
        score = QUIET * rng.standard_normal(1) - (1.5 if k >= BEGAN else 0.0)
        leaks.watch_losses(state, fixed, score, use, use & stands, k)
        if state.cov[0, LEAK, LEAK] > (0.001 * fixed.full_l[0]) ** 2:  # freed: let the filter have learnt it
            state.mean[:, LEAK], state.cov[:, LEAK, LEAK] = per_h * fixed.full_l, (0.1 * per_h * fixed.full_l) ** 2
        if leaks.judge_leaks(state, fixed, _none(), k)[0]:
            return state, fixed, k
    return state, fixed, None


def _none() -> Flags:
    return np.zeros(1, dtype=np.bool_)


def test_a_leak_is_said_with_the_time_it_began() -> None:
    state, _, said = watched(stands=True, per_h=0.004)
    assert said is not None
    assert BEGAN + leaks.LASTS_BINS <= said <= BEGAN + leaks.LASTS_BINS + 12
    assert state.leak_watch[0, leaks.SINCE] == pytest.approx(BEGAN, abs=3)


def test_what_is_lost_only_while_the_machine_runs_has_to_show_for_longer() -> None:
    *_, said = watched(stands=False, per_h=0.003)
    assert said is not None
    assert said >= BEGAN + leaks.RUNS_LASTS_BINS


def test_more_than_any_job_takes_need_not() -> None:
    *_, said = watched(stands=False, per_h=0.01)
    assert said is not None
    assert said <= BEGAN + leaks.LASTS_BINS + 12


def test_of_a_new_sump_only_a_large_leak_is_said() -> None:
    *_, small = watched(stands=True, per_h=0.002, heard=150.0)
    *_, large = watched(stands=True, per_h=0.004, heard=150.0)
    assert small is None
    assert large is not None


def test_a_leak_that_nights_told_began_with_the_first_of_them_within_reason() -> None:
    state, fixed = idle_state(1)
    state.leak_watch[:, leaks.HEARD] = 1000.0
    for rose, since in ((900.0, 900.0), (100.0, 1000.0 - leaks.SLOW_BINS)):
        state.leak_watch[:, leaks.LEAKING] = 0.0
        state.nights[:, nights.ROSE] = rose
        assert leaks.judge_leaks(state, fixed, ~_none(), 1000)[0]
        assert state.leak_watch[0, leaks.SINCE] == since


@pytest.mark.parametrize(("a_day", "leaks_too"), [(-0.1, True), (-0.03, False), (0.1, False)])
def test_a_doubted_level_that_falls_faster_than_gauges_drift_tells_of_a_leak(a_day: float, leaks_too: bool) -> None:
    state, fixed = idle_state(1)
    k = 200 * regained.RING_BINS
    state.leak_watch[:, leaks.HEARD] = 1000.0
    state.said[:, trust.LEVEL], state.doubted[:, trust.LEVEL, trust.SINCE] = trust.DRIFTED, k - 200.0
    for back in range(4):
        slot = (k // regained.RING_BINS - back) % regained.RING
        state.offset_ring[:, trust.LEVEL, slot, 0] = -0.25 * back * a_day * fixed.full_l
    assert regained._leaks(state, fixed, ~_none(), k).tolist() == [leaks_too]
    assert leaks.judge_leaks(state, fixed, _none(), k + 1).tolist() == [leaks_too]
    if leaks_too:
        assert state.mean[0, LEAK] == pytest.approx(-a_day * fixed.full_l[0] / 24.0)
        assert state.leak_watch[0, leaks.SINCE] == k - 72.0


def test_a_drift_that_was_none_teaches_to_ask_for_more() -> None:
    state, _ = idle_state(2)
    state.unrest[:, :, 1] = 6.0
    before = suspects.unrest(state, 0)
    suspects.know_better(state, 0, np.array([1]))
    after = suspects.unrest(state, 0)
    assert after[0] == before[0]
    assert after[1] > 1.5 * before[1]
    assert (suspects.unrest(state, 1) == before).all()
