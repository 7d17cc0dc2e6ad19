"""Quantities and units: a number with a unit in, the canonical number out.

The canonical units are mm (heights and lengths), L, L/mm, m2, degC, degBx, %, ppm as CaCO3, s, uS/cm and 1.
Factors are exact: the inch is 25.4 mm (NIST SP 811), the US gallon 231 cubic inches and the US fluid ounce 1/128 of it
(NIST Handbook 44, Appendix C), the imperial gallon 4.54609 L (NIST SP 811). A German degree of hardness is 10 mg/L CaO,
which is 17.848 mg/L CaCO3 (molar masses 100.0869 and 56.0774).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final

from monitor.plant.errors import QuantityError

MM_PER_INCH: Final = 25.4
MM_PER_FOOT: Final = 304.8
L_PER_US_GAL: Final = 3.785411784
L_PER_IMP_GAL: Final = 4.54609
L_PER_US_FL_OZ: Final = L_PER_US_GAL / 128
PPM_PER_DH: Final = 17.848


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: canonical value = (value + `shift`) * `factor`, in the unit named by `canonical`."""

    name: str
    dimension: str
    canonical: str
    factor: float = 1.0
    shift: float = 0.0

    def to_canonical(self, value: float) -> float:
        """Convert a value in this unit to the canonical unit of its dimension."""
        return (value + self.shift) * self.factor

    def from_canonical(self, value: float) -> float:
        """Convert a canonical value to this unit."""
        return value / self.factor - self.shift


_ALL: Final = (
    Unit("mm", "length", "mm"),
    Unit("cm", "length", "mm", 10.0),
    Unit("m", "length", "mm", 1000.0),
    Unit("in", "length", "mm", MM_PER_INCH),
    Unit("ft", "length", "mm", MM_PER_FOOT),
    Unit("L", "volume", "L"),
    Unit("mL", "volume", "L", 0.001),
    Unit("m3", "volume", "L", 1000.0),
    Unit("US gal", "volume", "L", L_PER_US_GAL),
    Unit("imp gal", "volume", "L", L_PER_IMP_GAL),
    Unit("US fl oz", "volume", "L", L_PER_US_FL_OZ),
    Unit("L/mm", "volume_per_height", "L/mm"),
    Unit("US gal/in", "volume_per_height", "L/mm", L_PER_US_GAL / MM_PER_INCH),
    Unit("m2", "area", "m2"),
    Unit("ft2", "area", "m2", 0.09290304),
    Unit("degC", "temperature", "degC"),
    Unit("degF", "temperature", "degC", 1 / 1.8, -32.0),
    Unit("degBx", "brix", "degBx"),
    Unit("%", "percent", "%"),
    Unit("ppm", "hardness", "ppm"),
    Unit("dH", "hardness", "ppm", PPM_PER_DH),
    Unit("s", "time", "s"),
    Unit("min", "time", "s", 60.0),
    Unit("h", "time", "s", 3600.0),
    Unit("d", "time", "s", 86400.0),
    Unit("uS/cm", "conductivity", "uS/cm"),
    Unit("mS/cm", "conductivity", "uS/cm", 1000.0),
    Unit("1", "one", "1"),
)
UNITS: Final[dict[str, Unit]] = {unit.name: unit for unit in _ALL}
DIMENSIONS: Final = tuple(dict.fromkeys(unit.dimension for unit in _ALL))

# Other spellings people and devices use; compared in lower case with single spaces.
_SPELLINGS: Final[dict[str, tuple[str, ...]]] = {
    "mm": ("millimetre", "millimetres", "millimeter", "millimeters"),
    "cm": ("centimetre", "centimetres", "centimeter", "centimeters"),
    "m": ("metre", "metres", "meter", "meters"),
    "in": ("inch", "inches", '"'),
    "ft": ("foot", "feet"),
    "L": ("l", "litre", "litres", "liter", "liters"),
    "mL": ("ml", "millilitre", "millilitres", "milliliter", "milliliters"),
    "m3": ("m³", "m^3"),
    "US gal": ("us gal", "us gallon", "us gallons"),
    "imp gal": ("imp gal", "imperial gallon", "imperial gallons"),
    "US fl oz": ("us fl oz", "us fluid ounce", "us fluid ounces"),
    "L/mm": ("l/mm",),
    "US gal/in": ("us gal/in", "us gallons/inch", "us gal/inch"),
    "m2": ("m²", "m^2"),
    "ft2": ("ft²", "ft^2", "sq ft"),
    "degC": ("degc", "°c", "cel", "celsius"),
    "degF": ("degf", "°f", "fahrenheit"),
    "degBx": ("degbx", "°bx", "brix", "°brix", "bx"),
    "%": ("percent", "vol%", "vol %", "% v/v"),
    "ppm": ("mg/l",),
    "dH": ("dh", "°dh", "degdh"),
    "s": ("sec", "second", "seconds"),
    "min": ("minute", "minutes"),
    "h": ("hour", "hours"),
    "d": ("day", "days"),
    "uS/cm": ("us/cm", "µs/cm", "μs/cm"),
    "1": ("",),
}
_BY_SPELLING: Final = {spelling: UNITS[name] for name, many in _SPELLINGS.items() for spelling in many}

_EXAMPLES: Final = {
    "length": "250 mm or 18 in",
    "volume": "400 L or 105 US gal",
    "volume_per_height": "1.25 L/mm or 8.4 US gal/in",
    "area": "1.25 m2 or 13.5 ft2",
    "temperature": "22 degC or 72 degF",
    "brix": "5.2 degBx",
    "percent": "8 %",
    "hardness": "180 ppm or 10 dH",
    "time": "5 min",
    "conductivity": "850 uS/cm",
    "one": "1",
}
_BARE_GALLON: Final = re.compile(r"(?i)^(gal|gals|gallon|gallons)(\s*/\s*.+)?$")
_BARE_OUNCE: Final = re.compile(r"(?i)^(fl\.? ?oz\.?|fluid ounces?|oz)$")
_NUMBER: Final = re.compile(r"\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)(?![\d.,])\s*(.*?)\s*", re.DOTALL)
_ODD_NUMBER: Final = re.compile(r"\s*[+-]?\d[\d.,' ]*[.,'][\d.,' ]*")


def example(*dimensions: str) -> str:
    """Give an example of a quantity of these dimensions, for messages and descriptions."""
    return ", ".join(_EXAMPLES[_dimension(name)] for name in dimensions)


def parse_unit(text: str, *dimensions: str) -> Unit:
    """Find the unit that `text` names; with `dimensions` given it must be of one of them.

    Raises QuantityError for an unknown or ambiguous unit and for one of another kind; the message says what fits.
    """
    wanted = tuple(_dimension(name) for name in dimensions)
    spelled = " ".join(text.split())
    unit = UNITS.get(spelled) or _BY_SPELLING.get(spelled.lower())
    if unit is None:
        raise QuantityError(_unknown(spelled, wanted))
    if wanted and unit.dimension not in wanted:
        raise QuantityError(f"{unit.name} is a unit of {_said(unit.dimension)}: use {_fitting(wanted)}")
    return unit


def parse_quantity(text: str, *dimensions: str) -> float:
    """Read a number with its unit and return it in the canonical unit.

    Raises QuantityError where the text has no number, no unit, an unclear unit or one of another dimension, and where
    the number is not finite.
    """
    number, unit_text = _split(text, dimensions)
    if not unit_text and "one" not in dimensions:
        raise QuantityError(f'"{text.strip()}" has no unit: write for example {example(*dimensions or ("volume",))}')
    value = parse_unit(unit_text, *dimensions).to_canonical(number)
    if not math.isfinite(value):
        raise QuantityError(f'"{text.strip()}" is not a finite number')
    return value


def _split(text: str, dimensions: tuple[str, ...]) -> tuple[float, str]:
    """Split a text into its number and the text of its unit."""
    match = _NUMBER.fullmatch(text)
    if match:
        return float(match[1]), match[2]
    if _ODD_NUMBER.match(text):
        raise QuantityError(f'"{text.strip()}": write the number with a decimal point and nothing else, as in 1250.5')
    raise QuantityError(
        f'"{text.strip()}" is no number with a unit: write for example {example(*dimensions or ("volume",))}'
    )


def _dimension(name: str) -> str:
    """Accept "height" for length; anything unknown is a mistake in the calling code."""
    name = "length" if name == "height" else name
    if name not in DIMENSIONS:
        raise ValueError(f"no dimension is called {name!r}")
    return name


def _unknown(spelled: str, wanted: tuple[str, ...]) -> str:
    """Say what is wrong with a unit that is not in the table."""
    gallon = _BARE_GALLON.match(spelled)
    if gallon:
        if gallon[2]:
            return f'"{spelled}": which gallon? Write "US gal/in" for US gallons, or L/mm'
        return f'"{spelled}": which gallon? Write "US gal" (3.785 L) or "imp gal" (4.546 L)'
    if _BARE_OUNCE.match(spelled):
        return f'"{spelled}": which ounce? Write "US fl oz" (29.57 mL) or mL'
    return f'"{spelled}" is no unit known here: use {_fitting(wanted)}'


def _fitting(wanted: tuple[str, ...]) -> str:
    """List the units of the wanted dimensions."""
    names = [unit.name for unit in _ALL if not wanted or unit.dimension in wanted]
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " or " + names[-1]


def _said(dimension: str) -> str:
    """Name a dimension as people say it."""
    return {"volume_per_height": "volume per height", "one": "plain numbers", "percent": "strength"}.get(
        dimension, dimension
    )
