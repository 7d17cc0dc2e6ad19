"""Forecast, its calibration, the account of losses and the checks that pay."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from monitor.model import calibration
from monitor.model.checks import checks_that_pay
from monitor.model.clock import Clock
from monitor.model.courses import LOW_SIDE, NO_SIDE, RICH_SIDE
from monitor.model.forecast import DRAWS, HORIZON_H, Exits, forecast
from monitor.model.layout import LN_DRAG, LN_IDLE, LN_RUN, STRENGTH, VOLUME, WIDTH, Flags
from tests.unit.model.runs import HOUR_S, engine_over, idle_state
from tests.unit.pipeline.shop import BEGIN_S, Machine, plant_of

ONES = np.ones(3)


def exits_of(strengths: list[float], volume_l: float = 360.0) -> Exits:
    """Return the futures of three sumps whose state is known all but exactly."""
    state, fixed = idle_state()
    state.mean[:, STRENGTH], state.mean[:, VOLUME] = strengths, volume_l
    state.cov[:] = np.eye(WIDTH) * 1e-8
    clock = Clock(plant_of([Machine(f"lathe-{i:02d}") for i in range(3)]))
    return forecast(state, fixed, clock.ahead(state, BEGIN_S), ONES)


def test_richer_sumps_leave_sooner_and_one_outside_has_left() -> None:
    exits = exits_of([8.0, 9.5, 10.4])
    middle = np.median(exits.hours, axis=1)
    assert middle[0] > middle[1] > middle[2] == 0.0
    assert (exits.side[1:] == RICH_SIDE).all()


def test_a_sump_near_its_lowest_level_leaves_low() -> None:
    exits = exits_of([6.5, 6.5, 6.5], volume_l=163.0)
    assert (exits.side == LOW_SIDE).all()


def test_the_same_futures_every_time() -> None:
    first, second = exits_of([8.0, 9.0, 9.9]), exits_of([8.0, 9.0, 9.9])
    assert (first.hours == second.hours).all()


def test_a_sump_that_loses_nothing_stays() -> None:
    state, fixed = idle_state()
    state.cov[:] = np.eye(WIDTH) * 1e-8
    state.mean[:, [LN_IDLE, LN_RUN, LN_DRAG]] = -12.0
    clock = Clock(plant_of([Machine(f"lathe-{i:02d}") for i in range(3)]))
    exits = forecast(state, fixed, clock.ahead(state, BEGIN_S), ONES)
    assert (exits.hours == HORIZON_H).all()
    assert (exits.side == NO_SIDE).all()


def test_wider_futures_hold_the_narrower_ones() -> None:
    engine = engine_over([Machine("lathe-01")], 60)
    state = engine.at(BEGIN_S + 60 * HOUR_S).copy()
    state.mean[:, STRENGTH] = 8.0
    ahead = engine.clock.ahead(state, BEGIN_S + 60 * HOUR_S)
    narrow, wide = (forecast(state, engine.fixed, ahead, np.array([w])).hours[0] for w in (0.8, 2.0))
    assert np.quantile(wide, 0.1) < np.quantile(narrow, 0.1) <= np.quantile(narrow, 0.9) < np.quantile(wide, 0.9)


@pytest.mark.parametrize(("off", "width"), [(0.0, 0.85), (1.0, 1.144), (1.5, 1.446), (4.0, 2.2)])
def test_intervals_follow_the_errors_of_a_sumps_own_forecasts(off: float, width: float) -> None:
    state, _ = idle_state()
    for case in range(400):
        told = np.array([[case, 300.0, 2.0, 2.0, 0.01]] * 3)
        state.last_bin[:] = case
        state.mean[:, VOLUME] = 300.0 + 2.0 * off
        state.mean[:, STRENGTH] = np.exp(2.0 + 0.01 * off)
        calibration._score(state, told, case)
    assert calibration.widths(state) == pytest.approx(np.full(3, width), abs=0.005)
    assert calibration.coverage(state) == pytest.approx(np.full(3, 1.0 if off < 1.28 else 0.0))


def test_of_few_forecasts_no_share_is_told() -> None:
    state, _ = idle_state()
    for case in range(8):
        state.last_bin[:] = case
        state.mean[:, VOLUME], state.mean[:, STRENGTH] = 300.0, np.exp(2.0)
        calibration._score(state, np.array([[case, 300.0, 2.0, 2.0, 0.01]] * 3), case)
    assert np.isnan(calibration.coverage(state)).all()


def test_what_nobody_looked_at_proves_no_forecast_right() -> None:
    state, _ = idle_state()
    state.mean[:, VOLUME], state.mean[:, STRENGTH] = 300.0, np.exp(2.0)
    calibration._score(state, np.array([[500.0, 300.0, 2.0, 2.0, 0.01]] * 3), 500)
    assert np.isnan(calibration.coverage(state)).all()


def test_an_untried_sump_has_no_coverage_and_the_first_width() -> None:
    state, _ = idle_state()
    assert np.isnan(calibration.coverage(state)).all()
    assert calibration.widths(state) == pytest.approx(np.full(3, calibration.PRIOR_WIDTH))


def test_what_forecasts_tell_of_the_spread_moves_how_fast_a_sump_goes_and_where_it_stands_by_half() -> None:
    state, fixed = idle_state()
    state.cov[:] = np.diag([4.0, 0.01, *[1e-8] * (WIDTH - 2)])
    ahead = Clock(plant_of([Machine(f"lathe-{i:02d}") for i in range(3)])).ahead(state, BEGIN_S)
    narrow, wide = (forecast(state, fixed, ahead, np.full(3, w)) for w in (0.85, 2.2))
    begin = np.diff(wide.path[:, :, :, 0], axis=2) / np.diff(narrow.path[:, :, :, 0], axis=2)
    assert begin == pytest.approx(np.full(begin.shape, np.sqrt(2.2 / 0.85)), rel=0.02)
    assert (np.diff(wide.path[:, 1, :, -1], axis=1) > 1.5 * np.diff(narrow.path[:, 1, :, -1], axis=1)).all()


def test_the_account_of_losses_closes_and_tells_what_happened() -> None:
    shop = [Machine("lathe-01", volume_l=300.0, acts=[(34.0, 60.0, 2.0)])]
    engine = engine_over(shop, 96)
    days = engine.losses("lathe-01")
    for day in days:
        went = day.evaporated_l + day.dragged_out_l + day.leaked_l + day.taken_out_l - day.valve_l - day.added_l
        assert day.start_l - went + day.unexplained_l == pytest.approx(day.end_l, abs=1e-6)
    for one, following in pairwise(days):
        assert one.end_l == following.start_l
    assert days[1].added_l == pytest.approx(60.0, rel=0.06)
    working = days[2]
    assert working.evaporated_l + working.dragged_out_l == pytest.approx(16 * 1.8 + 8 * 0.48, rel=0.12)
    assert abs(working.unexplained_l) < 3.0 * working.unexplained_sd_l


def futures(chances: list[float], spread_pct: float) -> tuple[Exits, Flags]:
    """Return futures that leave within ten hours where the strength is above a mark."""
    rng = np.random.default_rng(5)
    strength = 9.0 + spread_pct * rng.standard_normal((3, DRAWS))
    marks = np.array([np.quantile(row, 1.0 - share) for row, share in zip(strength, chances, strict=True)])
    leaves = strength > marks[:, None]
    hours = np.where(leaves, 10.0, 100.0)
    return Exits(hours, np.zeros((3, DRAWS), dtype=np.int64), np.zeros((3, 2, 3, 1)), strength), leaves


def test_a_check_pays_where_tonight_is_a_toss_up() -> None:
    _, fixed = idle_state()
    exits, _ = futures([0.5, 0.05, 0.0], 0.4)
    found = checks_that_pay(exits, fixed, 12.0)
    assert [one.sump for one in found] == ["lathe-00", "lathe-01"][: len(found)]
    assert 0.2 < found[0].worth < 0.5
    assert found[0].chance_leaves == pytest.approx(0.5, abs=0.01)


def test_a_check_no_better_than_what_is_known_pays_little() -> None:
    _, fixed = idle_state()
    exits, _ = futures([0.5, 0.4, 0.3], 0.4)
    sharp, blunt = (sum(one.worth for one in checks_that_pay(exits, fixed, 12.0, sd)) for sd in (0.1, 2.0))
    assert blunt < 0.35 * sharp


def test_nobody_is_sent_where_nothing_hangs_on_it() -> None:
    _, fixed = idle_state()
    exits, _ = futures([1.0, 0.0, 0.0], 0.4)
    assert not checks_that_pay(exits, fixed, 5.0)
