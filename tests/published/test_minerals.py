"""Build-up of minerals against the derived curve and the cooling-tower relation it follows.

Source of the relation: US DOE FEMP best management practice on cooling towers (make-up = evaporation + blowdown;
cycles of concentration = hardness of the tower over hardness of the make-up). The numbers are derived from it for 150
ppm water, 5 %/d evaporation, 1 %/d drag-out.
"""

from __future__ import annotations

import math

import pytest

from alerts.minerals import days_until, hardness_after, soft_share, steady_hardness, value_after


@pytest.mark.parametrize(
    ("days", "ppm"),
    [(0.0, 150.0), (10.0, 221.37), (20.0, 285.95), (30.0, 344.39), (60.0, 488.39), (100.0, 624.09)],
)
def test_hardness_curve(days: float, ppm: float) -> None:
    assert hardness_after(150.0, 0.05, 0.01, days) == pytest.approx(ppm, abs=0.01)


def test_steady_state_is_the_cycles_of_concentration() -> None:
    assert steady_hardness(150.0, 5.0, 1.0) == 900.0
    assert hardness_after(150.0, 0.05, 0.01, 5000.0) == pytest.approx(900.0)
    assert steady_hardness(1.0, 5.0, 2.0) == 3.5  # E 5, D 2: 3.5 cycles


def test_without_drag_out_it_doubles_in_twenty_days_and_never_ends() -> None:
    assert hardness_after(150.0, 0.05, 0.0, 20.0) == pytest.approx(300.0)
    assert math.isinf(steady_hardness(150.0, 5.0, 0.0))
    assert steady_hardness(0.0, 5.0, 0.0) == 0.0


@pytest.mark.parametrize("limit", [100.0, 300.0, 500.0])
def test_the_share_of_soft_water_ends_at_the_limit(limit: float) -> None:
    share = soft_share(limit, 180.0, 5.0, 6.0)
    assert share is not None
    blended = share * 5.0 + (1.0 - share) * 180.0
    assert steady_hardness(blended, 5.0, 1.0) == pytest.approx(limit)


def test_soft_water_that_is_not_needed_or_not_enough() -> None:
    assert soft_share(2000.0, 180.0, 5.0, 6.0) == 0.0
    assert soft_share(20.0, 180.0, 5.0, 6.0) is None


@pytest.mark.parametrize(
    ("cycles", "blowdown", "make_up"),
    [(1.5, 10000, 15000), (2, 5000, 10000), (3, 2500, 7500), (4, 1667, 6667), (5, 1250, 6250), (8, 714, 5714)],
)
def test_cycles_of_concentration_table(cycles: float, blowdown: float, make_up: float) -> None:
    """Table of the University of Illinois campus sustainability office (2017), 5000 gallons evaporated."""
    assert blowdown == pytest.approx(5000.0 / (cycles - 1.0), abs=0.5)
    assert make_up == pytest.approx(5000.0 * cycles / (cycles - 1.0), abs=0.5)
    assert steady_hardness(100.0, 5000.0, 5000.0 / (cycles - 1.0)) == pytest.approx(100.0 * cycles)
    assert steady_hardness(100.0, 5000.0, blowdown) == pytest.approx(100.0 * make_up / blowdown, rel=0.002)


@pytest.mark.parametrize("start", [20.0, 150.0, 400.0])
@pytest.mark.parametrize("drag_out", [0.0, 0.01, 0.03])
def test_the_day_it_passes_the_limit_is_where_the_curve_meets_it(start: float, drag_out: float) -> None:
    days = days_until(390.0, start, 150.0, 0.06, drag_out)
    if start >= 390.0:
        assert days == 0.0
    else:
        assert value_after(start, 150.0, 0.06, drag_out, days) == pytest.approx(390.0)


def test_what_ends_below_the_limit_never_passes_it() -> None:
    assert math.isinf(days_until(950.0, 150.0, 150.0, 0.05, 0.01))
    assert math.isinf(days_until(100.0, 0.0, 0.0, 0.05, 0.0))
