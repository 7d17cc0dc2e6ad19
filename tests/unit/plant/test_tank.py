"""Tanks: edges, inverses, arrays, what no tank is."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from monitor.plant.tank import (
    LEVEL_TOLERANCE_MM,
    Box,
    Cone,
    HorizontalCylinder,
    PerHeight,
    Table,
    Tank,
    VerticalCylinder,
)

TABLE = Table((10.0, 80.0, 500.0), (5.0, 60.0, 420.0))
TANKS: list[Tank] = [
    PerHeight(1.25),
    Box(1200, 600),
    VerticalCylinder(914.4),
    TABLE,
    HorizontalCylinder(600, 1500),
    HorizontalCylinder(600, 1500, "dished"),
    HorizontalCylinder(600, 1500, "elliptical"),
    HorizontalCylinder(600, 1500, "hemispherical"),
    Cone(900, 700),
]
CLOSED = [tank for tank in TANKS if tank.height_mm is not None]


@pytest.mark.parametrize("tank", TANKS, ids=repr)
def test_below_the_bottom_is_no_volume(tank: Tank) -> None:
    bottom = 10.0 if tank is TABLE else 0.0
    assert math.isnan(tank.volume_l(bottom - LEVEL_TOLERANCE_MM - 0.1))
    assert math.isnan(tank.area_l_per_mm(bottom - LEVEL_TOLERANCE_MM - 0.1))
    assert tank.volume_l(bottom - LEVEL_TOLERANCE_MM) == tank.volume_l(bottom)
    assert math.isnan(tank.level_mm(-0.1))
    assert math.isnan(tank.volume_l(math.nan))
    assert math.isnan(tank.level_mm(math.nan))


@pytest.mark.parametrize("tank", CLOSED, ids=repr)
def test_above_the_top_is_no_volume(tank: Tank) -> None:
    assert tank.height_mm is not None
    assert tank.capacity_l is not None
    assert math.isnan(tank.volume_l(tank.height_mm + LEVEL_TOLERANCE_MM + 0.1))
    assert tank.volume_l(tank.height_mm + LEVEL_TOLERANCE_MM) == tank.volume_l(tank.height_mm) == tank.capacity_l
    assert math.isnan(tank.level_mm(tank.capacity_l * 1.001))
    assert tank.level_mm(tank.capacity_l) == pytest.approx(tank.height_mm, abs=1e-6)


@pytest.mark.parametrize("tank", TANKS, ids=repr)
def test_arrays_agree_with_single_values(tank: Tank) -> None:
    levels = np.array([[-5.0, -1.0, 0.0, 10.0, 33.3], [499.0, 500.5, 600.0, 701.0, np.nan]])
    single = [[tank.volume_l(float(level)) for level in row] for row in levels]
    np.testing.assert_allclose(tank.volumes_l(levels), single, rtol=1e-12)


@pytest.mark.parametrize("tank", TANKS, ids=repr)
def test_area_is_the_slope_of_volume(tank: Tank) -> None:
    for level in (50.0, 200.0, 300.0, 450.0):
        slope = (tank.volume_l(level + 0.01) - tank.volume_l(level - 0.01)) / 0.02
        assert tank.area_l_per_mm(level) == pytest.approx(slope, rel=1e-6)


def test_a_table_neither_guesses_nor_bends() -> None:
    assert TABLE.volume_l(45.0) == pytest.approx(32.5)
    assert TABLE.volume_l(80.0) == 60.0
    assert math.isnan(TABLE.volume_l(5.0))
    assert TABLE.area_l_per_mm(80.0) == pytest.approx(360 / 420)
    assert TABLE.area_l_per_mm(500.0) == pytest.approx(360 / 420)
    assert math.isnan(TABLE.level_mm(4.9))
    assert TABLE.level_mm(240.0) == pytest.approx(290.0)


def test_open_tanks_have_no_top() -> None:
    for tank in (PerHeight(1.25), Box(1200, 600), VerticalCylinder(900)):
        assert tank.height_mm is None
        assert tank.capacity_l is None
    assert PerHeight(1.25).level_mm(5000) == 4000


@pytest.mark.parametrize(
    "make",
    [
        lambda: PerHeight(0.0),
        lambda: PerHeight(math.nan),
        lambda: Box(0, 600),
        lambda: VerticalCylinder(-1),
        lambda: HorizontalCylinder(600, math.inf),
        lambda: HorizontalCylinder(600, 1500, "round"),  # type: ignore[arg-type]
        lambda: Cone(900, 0),
        lambda: Table((0.0,), (0.0,)),
        lambda: Table((0.0, 1.0), (0.0,)),
        lambda: Table((0.0, 0.0), (0.0, 1.0)),
        lambda: Table((0.0, 1.0), (2.0, 1.0)),
        lambda: Table((-1.0, 1.0), (0.0, 1.0)),
    ],
)
def test_what_no_tank_is(make: Callable[[], Tank]) -> None:
    with pytest.raises(ValueError, match=r"more than 0|rise|two pairs|0 or above|ends are"):
        make()
