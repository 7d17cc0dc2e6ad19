"""How people see values."""

from __future__ import annotations

import math

import pytest

from monitor.plant.show import show_height, show_small_volume, show_strength, show_temperature, show_volume
from monitor.plant.types import UnitSystem

L_PER_US_GAL = 3.785411784


@pytest.mark.parametrize(
    ("volume_l", "units", "text"),
    [
        (165.0, "metric", "165 L"),
        (19.94, "metric", "19.9 L"),
        (4.56, "metric", "4.6 L"),
        (0.0, "metric", "0.0 L"),
        (1234.5, "metric", "1234 L"),
        (-12.0, "metric", "−12.0 L"),
        (-0.01, "metric", "0.0 L"),
        (165.0, "us", "43.6 US gal"),
        (400.0, "us", "106 US gal"),
        (math.nan, "metric", "–"),
        (math.inf, "us", "–"),
    ],
)
def test_volume(volume_l: float, units: UnitSystem, text: str) -> None:
    assert show_volume(volume_l, units) == text


@pytest.mark.parametrize(
    ("volume_l", "units", "text"),
    [
        (0.2, "metric", "200 mL"),
        (0.2031, "metric", "205 mL"),
        (0.0123, "metric", "12 mL"),
        (0.9974, "metric", "995 mL"),
        (0.9976, "metric", "1.00 L"),
        (1.65, "metric", "1.65 L"),
        (25.04, "metric", "25.0 L"),
        (L_PER_US_GAL * 7 / 128, "us", "7 US fl oz"),
        (L_PER_US_GAL * 7.3 / 128, "us", "7.25 US fl oz"),
        (L_PER_US_GAL * 12.3 / 128, "us", "12.5 US fl oz"),
        (math.nan, "us", "–"),
    ],
)
def test_small_volume(volume_l: float, units: UnitSystem, text: str) -> None:
    assert show_small_volume(volume_l, units) == text


@pytest.mark.parametrize(
    ("height_mm", "units", "text"),
    [
        (172.4, "metric", "172 mm"),
        (171.45, "us", "6 3/4 in"),
        (25.4, "us", "1 in"),
        (12.7, "us", "1/2 in"),
        (0.0, "us", "0 in"),
        (-12.7, "us", "−1/2 in"),
        (math.nan, "metric", "–"),
        (math.nan, "us", "–"),
    ],
)
def test_height(height_mm: float, units: UnitSystem, text: str) -> None:
    assert show_height(height_mm, units) == text


def test_temperature_and_strength() -> None:
    assert show_temperature(22.2, "metric") == "22 °C"
    assert show_temperature(22.2, "us") == "72 °F"
    assert show_temperature(-20.0, "metric") == "−20 °C"
    assert show_strength(8.06) == "8.1 %"
    assert show_strength(math.nan) == "–"
