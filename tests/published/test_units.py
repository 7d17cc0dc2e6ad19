"""Units against the tables of NIST and against pint, an independent units library."""

from __future__ import annotations

import pint
import pytest

from monitor.plant.quantity import PPM_PER_DH, UNITS, parse_quantity

# NIST Handbook 44, Appendix C, and NIST Special Publication 811 (2008), Appendix B: exact by definition.
EXACT = [
    ("1 in", "length", 25.4),
    ("1 ft", "length", 304.8),
    ("1 US gal", "volume", 3.785411784),
    ("1 US fl oz", "volume", 0.0295735295625),
    ("128 US fl oz", "volume", 3.785411784),
    ("1 imp gal", "volume", 4.54609),
    ("1 ft2", "area", 0.09290304),
    ("32 degF", "temperature", 0.0),
    ("212 degF", "temperature", 100.0),
    ("-40 degF", "temperature", -40.0),
    # 231 cubic inches over an inch of height are 231 square inches: 231 * 25.4**2 mm2 = 0.14903196 m2 = L/mm.
    ("1 US gal/in", "volume_per_height", 231 * 25.4**2 / 1e6),
]


@pytest.mark.parametrize(("text", "dimension", "canonical"), EXACT)
def test_definitions(text: str, dimension: str, canonical: float) -> None:
    assert parse_quantity(text, dimension) == pytest.approx(canonical, rel=1e-14, abs=1e-12)


# Our names as pint writes them; brix, percent, ppm and dH have no counterpart there.
PINT_NAMES = {
    "mm": "millimeter", "cm": "centimeter", "m": "meter", "in": "inch", "ft": "foot",
    "L": "liter", "mL": "milliliter", "m3": "meter**3",
    "US gal": "gallon", "imp gal": "imperial_gallon", "US fl oz": "US_fluid_ounce",
    "L/mm": "liter/millimeter", "US gal/in": "gallon/inch", "m2": "meter**2", "ft2": "foot**2",
    "degC": "degC", "degF": "degF", "s": "second", "min": "minute", "h": "hour", "d": "day",
    "uS/cm": "microsiemens/centimeter", "mS/cm": "millisiemens/centimeter", "1": "dimensionless",
}  # fmt: skip
REGISTRY: pint.UnitRegistry[float] = pint.UnitRegistry()
REGISTRY.define("US_fluid_ounce = 231 * inch**3 / 128")


@pytest.mark.parametrize("name", PINT_NAMES)
@pytest.mark.parametrize("value", [0.0, 1.0, 3.7, -12.5])
def test_agrees_with_pint(name: str, value: float) -> None:
    unit = UNITS[name]
    theirs = REGISTRY.Quantity(value, PINT_NAMES[name]).to(PINT_NAMES[unit.canonical]).magnitude
    assert unit.to_canonical(value) == pytest.approx(theirs, rel=1e-12, abs=1e-9)
    assert unit.from_canonical(unit.to_canonical(value)) == pytest.approx(value, rel=1e-12, abs=1e-9)


def test_pint_covers_all_units_but_four() -> None:
    assert set(UNITS) - set(PINT_NAMES) == {"degBx", "%", "ppm", "dH"}


def test_pints_own_fluid_ounce_is_the_us_one() -> None:
    assert REGISTRY.Quantity(1.0, "fluid_ounce").to("milliliter").magnitude == pytest.approx(29.5735295625)


def test_german_degree_of_hardness() -> None:
    # One German degree is 10 mg/L CaO; as CaCO3 by molar masses 100.0869 and 56.0774 g/mol: 17.848 mg/L.
    assert round(10 * 100.0869 / 56.0774, 3) == PPM_PER_DH


def test_strength_of_a_fluid_ounce_in_a_gallon() -> None:
    # 1 US fl oz in 1 US gal of finished mix is 1/128 = 0.78125 %.
    share = parse_quantity("1 US fl oz", "volume") / parse_quantity("1 US gal", "volume")
    assert 100 * share == pytest.approx(0.78125, rel=1e-12)
