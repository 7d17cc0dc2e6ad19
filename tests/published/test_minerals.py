"""Build-up of minerals against the derived curve and the cooling-tower relation it follows.

Source of the relation: US DOE FEMP best management practice on cooling towers (make-up = evaporation + blowdown;
cycles of concentration = hardness of the tower over hardness of the make-up). The numbers are derived from it for 150
ppm water, 5 %/d evaporation, 1 %/d drag-out.
"""

from __future__ import annotations

import math

import pytest

from alerts.minerals import hardness_after, soft_share, steady_hardness


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
