"""Reading quantities and units: what is accepted, what is refused, in which words."""

from __future__ import annotations

import pytest

from monitor.plant.errors import QuantityError
from monitor.plant.quantity import UNITS, parse_quantity, parse_unit


@pytest.mark.parametrize(
    ("text", "dimension", "canonical"),
    [
        ("1.25 L/mm", "volume_per_height", 1.25),
        ("400 L", "volume", 400.0),
        ("400L", "volume", 400.0),
        ("  4e2   litres ", "volume", 400.0),
        (".5 m3", "volume", 500.0),
        ("250 mL", "volume", 0.25),
        ("18 in", "length", 457.2),
        ("18 in", "height", 457.2),
        ("-3 mm", "length", -3.0),
        ("8%", "percent", 8.0),
        ("5.2 °Bx", "brix", 5.2),
        ("10 dH", "hardness", 178.48),
        ("5 min", "time", 300.0),
        ("1.5 h", "time", 5400.0),
        ("2 d", "time", 172800.0),
        ("0.85 mS/cm", "conductivity", 850.0),
        ("32 degF", "temperature", 0.0),
        ("0.88", "one", 0.88),
        ("0.88 1", "one", 0.88),
    ],
)
def test_accepted(text: str, dimension: str, canonical: float) -> None:
    assert parse_quantity(text, dimension) == pytest.approx(canonical, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("105 gal", 'which gallon? Write "US gal" (3.785 L) or "imp gal" (4.546 L)'),
        ("105 Gallons", "which gallon?"),
        ("8 gal/in", 'which gallon? Write "US gal/in"'),
        ("7 fl oz", 'which ounce? Write "US fl oz"'),
        ("400", "has no unit: write for example 400 L or 105 US gal"),
        ("400 psi", "is no unit known here: use L, mL, m3, US gal, imp gal or US fl oz"),
        ("400 mm", "mm is a unit of length: use L"),
        ("1,25 L", "with a decimal point"),
        ("1.000,5 L", "with a decimal point"),
        ("1 000 L", "is no unit known here"),
        ("nan L", "no number with a unit"),
        ("inf L", "no number with a unit"),
        ("1e999 L", "is not a finite number"),
        ("", "no number with a unit"),
        ("L", "no number with a unit"),
        ("0x10 L", "is no unit known here"),
        ("4 L 5", "is no unit known here"),
    ],
)
def test_refused_with_a_remedy(text: str, words: str) -> None:
    with pytest.raises(QuantityError) as caught:
        parse_quantity(text, "volume")
    assert words in str(caught.value)


def test_units_are_found_by_other_spellings_but_kept_by_name() -> None:
    assert [parse_unit(text).name for text in ("Cel", "litres", "US gallons", "µS/cm", "m³", "")] == [
        "degC", "L", "US gal", "uS/cm", "m3", "1",
    ]  # fmt: skip


def test_capital_letters_that_mean_something_else_are_not_guessed_at() -> None:
    assert parse_unit("mS/cm").name == "mS/cm"
    assert parse_unit("us/cm").name == "uS/cm"
    with pytest.raises(QuantityError):
        parse_unit("ms/cm")


def test_a_unit_of_several_kinds() -> None:
    assert parse_unit("%", "brix", "percent").name == "%"
    with pytest.raises(QuantityError, match="use degBx or %"):
        parse_unit("mm", "brix", "percent")


def test_an_unknown_dimension_is_a_mistake_of_the_caller() -> None:
    with pytest.raises(ValueError, match="no dimension"):
        parse_unit("mm", "mass")


def test_canonical_units_convert_to_themselves() -> None:
    for unit in UNITS.values():
        canonical = UNITS[unit.canonical]
        assert canonical.to_canonical(1.7) == 1.7
        assert canonical.dimension == unit.dimension
