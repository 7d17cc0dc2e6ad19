"""How people see values: in metric or US units, rounded to what a gauge, a cart or a jug can show.

All arguments are canonical (L, mm, degC). A value that is not finite shows as an en dash.
"""

from __future__ import annotations

import math

from monitor.plant.quantity import L_PER_US_FL_OZ, L_PER_US_GAL, MM_PER_INCH
from monitor.plant.types import UnitSystem

NOTHING = "–"
MINUS = "−"


def show_volume(volume_l: float, units: UnitSystem) -> str:
    """Show a volume of fluid: `165 L`, `4.5 L`, `43.6 US gal`."""
    if units == "us":
        return _with(volume_l / L_PER_US_GAL, "US gal", decimals=_decimals(volume_l / L_PER_US_GAL, (100, 0), (0, 1)))
    return _with(volume_l, "L", decimals=_decimals(volume_l, (20, 0), (0, 1)))


def show_small_volume(volume_l: float, units: UnitSystem) -> str:
    """Show a measure of concentrate: `200 mL`, `1.65 L`, `7.0 US fl oz`.

    Below a litre to 5 mL (below 50 mL to 1 mL); fluid ounces to a quarter below 8, else to a half.
    """
    if units == "us":
        ounces = volume_l / L_PER_US_FL_OZ
        step = 0.25 if abs(ounces) < 8 else 0.5
        return _with(_to_step(ounces, step), "US fl oz", decimals=2 if step < 0.5 else 1, trim=True)
    millilitres = volume_l * 1000
    if abs(millilitres) >= 997.5:
        return _with(volume_l, "L", decimals=_decimals(volume_l, (20, 1), (0, 2)))
    return _with(_to_step(millilitres, 5 if abs(millilitres) >= 50 else 1), "mL", decimals=0)


def show_height(height_mm: float, units: UnitSystem) -> str:
    """Show a level as a rule reads it: `172 mm`, `6 3/4 in` (to an eighth)."""
    if units == "us":
        return _inches(height_mm / MM_PER_INCH)
    return _with(height_mm, "mm", decimals=0)


def show_temperature(temperature_degc: float, units: UnitSystem) -> str:
    """Show a temperature to a degree: `22 °C`, `72 °F`."""
    if units == "us":
        return _with(temperature_degc * 1.8 + 32, "°F", decimals=0)
    return _with(temperature_degc, "°C", decimals=0)


def show_strength(percent: float) -> str:
    """Show a strength as it is spoken: `8.1 %`."""
    return _with(percent, "%", decimals=1)


def _decimals(value: float, *steps: tuple[float, int]) -> int:
    """Pick the decimals of the first step that the size of the value reaches."""
    return next((decimals for least, decimals in steps if abs(value) >= least), 0)


def _to_step(value: float, step: float) -> float:
    return round(value / step) * step if math.isfinite(value) else value


def _with(value: float, unit: str, *, decimals: int, trim: bool = False) -> str:
    if not math.isfinite(value):
        return NOTHING
    text = f"{abs(value):.{decimals}f}"
    if trim and "." in text:
        text = text.rstrip("0").rstrip(".")
    sign = MINUS if value < 0 and float(text) else ""
    return f"{sign}{text} {unit}"


def _inches(inches: float) -> str:
    """Write inches with eighths, in lowest terms."""
    if not math.isfinite(inches):
        return NOTHING
    eighths = round(abs(inches) * 8)
    whole, part = divmod(eighths, 8)
    common = math.gcd(part, 8)
    fraction = f"{part // common}/{8 // common}" if part else ""
    number = f"{whole} {fraction}" if whole and part else fraction or str(whole)
    return f"{MINUS if inches < 0 and eighths else ''}{number} in"
