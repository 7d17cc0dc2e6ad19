"""Tank geometry against handbook tables, published worked examples and the `fluids` library."""

from __future__ import annotations

import math

import pytest
from fluids.geometry import V_horiz_ellipsoidal, V_horiz_spherical, V_vertical_conical

from monitor.plant.tank import Box, Cone, HorizontalCylinder, VerticalCylinder

IN = 25.4
US_GAL = 3.785411784

# Share of a horizontal cylinder that is full, by depth over diameter: computed from the circular segment, and equal to
# the partial-volume table that the chemical engineering handbooks print (compared with it from memory).
SHARES = {
    0.05: 0.01869, 0.10: 0.05204, 0.20: 0.14238, 0.25: 0.19550, 0.30: 0.25232, 0.40: 0.37353,
    0.50: 0.50000, 0.60: 0.62647, 0.75: 0.80450, 0.80: 0.85762, 0.90: 0.94796, 0.95: 0.98131,
}  # fmt: skip


@pytest.mark.parametrize(("depth", "share"), SHARES.items())
def test_partial_volume_table(depth: float, share: float) -> None:
    tank = HorizontalCylinder(1000, 2000)
    full_l = tank.volume_l(1000)
    assert full_l == pytest.approx(500 * math.pi)
    assert tank.volume_l(1000 * depth) / full_l == pytest.approx(share, abs=6e-6)


@pytest.mark.parametrize(("level_mm", "volume_l"), [(250, 307.0924), (300, 396.3367)])
def test_a_metre_by_two(level_mm: float, volume_l: float) -> None:
    assert HorizontalCylinder(1000, 2000).volume_l(level_mm) == pytest.approx(volume_l, abs=1e-4)


# D. Jones, "Calculating Tank Volume", worked examples as reproduced in the documentation of `fluids` 1.3.1: a cylinder
# of 108 in by 156 in filled to 36 in, and a cone 33 in deep under a width of 132 in filled to 24 in.
def test_worked_example_flat_ends() -> None:
    tank = HorizontalCylinder(108 * IN, 156 * IN)
    assert tank.volume_l(36 * IN) / US_GAL == pytest.approx(1805.188288, abs=1e-6)


def test_worked_example_cone() -> None:
    assert Cone(132 * IN, 33 * IN).volume_l(24 * IN) / US_GAL == pytest.approx(250.674614, abs=1e-6)


DEPTHS = (0.0, 0.05, 0.2, 0.37, 0.5, 0.75, 0.98, 1.0)


@pytest.mark.parametrize("depth", DEPTHS)
def test_elliptical_ends_agree_with_fluids(depth: float) -> None:
    # 2:1 ends are a quarter of the diameter deep.
    ours = HorizontalCylinder(600, 1500, "elliptical").volume_l(600 * depth)
    assert ours == pytest.approx(1000 * V_horiz_ellipsoidal(D=0.6, L=1.5, a=0.15, h=0.6 * depth), abs=1e-9)


@pytest.mark.parametrize("depth", DEPTHS)
def test_hemispherical_ends_agree_with_fluids(depth: float) -> None:
    ours = HorizontalCylinder(600, 1500, "hemispherical").volume_l(600 * depth)
    assert ours == pytest.approx(1000 * V_horiz_ellipsoidal(D=0.6, L=1.5, a=0.3, h=0.6 * depth), abs=1e-9)


# The usual formula for dished ends is exact for a dish radius equal to the diameter when empty, half full and full, and
# an approximation between: `fluids` has the exact spherical cap, D - sqrt(D^2 - D^2/4) deep.
CAP = 1 - math.sqrt(0.75)


@pytest.mark.parametrize(("depth", "allowed"), [(0.0, 1e-9), (0.5, 2e-6), (1.0, 2e-6), (0.2, 0.026), (0.8, 0.026)])
def test_dished_ends_against_the_exact_cap(depth: float, allowed: float) -> None:
    ends = HorizontalCylinder(1000, 1e-6, "dished").volume_l(1000 * depth)
    exact = 1000 * V_horiz_spherical(D=1.0, L=1e-9, a=CAP, h=depth)
    assert abs(ends - exact) <= allowed * 107.7416


def test_dished_ends_by_the_formula_in_use() -> None:
    # Both ends together: 0.215483 h^2 (1.5 D - h).
    added = HorizontalCylinder(600, 1500, "dished").volume_l(200) - HorizontalCylinder(600, 1500).volume_l(200)
    assert added == pytest.approx(0.215483 * 200**2 * (900 - 200) / 1e6, rel=1e-12)


@pytest.mark.parametrize("depth", DEPTHS)
def test_cone_agrees_with_fluids(depth: float) -> None:
    ours = Cone(900, 700).volume_l(700 * depth)
    assert ours == pytest.approx(1000 * V_vertical_conical(0.9, 0.7, 0.7 * depth), abs=1e-9)


def test_upright_walls() -> None:
    # Euclid: length times width times height, and pi R^2 h.
    assert Box(1200, 600).volume_l(500) == pytest.approx(360.0)
    assert VerticalCylinder(1000).volume_l(1000) == pytest.approx(250 * math.pi)
