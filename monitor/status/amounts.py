"""Numbers, quantities and times as people type them, turned into the house's units with clear complaints."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime
from typing import Final
from zoneinfo import ZoneInfo

from monitor.plant.errors import QuantityError
from monitor.plant.quantity import parse_quantity
from monitor.plant.types import Sump

Amount = float | str
_BARE: Final = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?")
_COMMA: Final = re.compile(r"(\d),(\d{1,2})(?!\d)")
_SPACE_OFFSET: Final = re.compile(r" (\d\d:\d\d)$")
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_EXAMPLE: Final = "2031-03-03T21:30:00+00:00"


class AmountError(ValueError):
    """Something typed that cannot be used; the message says what would be right."""


def finite(value: object) -> float:
    """Return a number that is one; anything else, NaN and the infinities are refused."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise AmountError("is not a number")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise AmountError("is not a finite number")
    return number


def quantity(given: Amount, unit: str, *dimensions: str) -> float:
    """Return a number in the canonical unit: a text may carry its own unit, anything bare is in `unit`."""
    if not isinstance(given, str):
        return _quantity(f"{finite(given)!r} {unit}", dimensions)
    text = _COMMA.sub(r"\1.\2", given.strip())
    return _quantity(f"{text} {unit}" if _BARE.fullmatch(text) else text, dimensions)


def volume_in_l(given: Amount, unit: str = "L") -> float:
    """Return litres: `40`, `"40"`, `"40 L"` or `"5 US gal"`."""
    return quantity(given, unit, "volume")


def percent(given: Amount) -> float:
    """Return percent by volume: `8`, `"8"`, `"8 %"` or `"8,5"`."""
    return quantity(given, "%", "percent")


def strength(given: Amount, unit: str, sump: Sump) -> float:
    """Return percent from a hand check: percent as it stands, degrees Brix times the fluid's refractometer factor."""
    if isinstance(given, str) and not _BARE.fullmatch(_COMMA.sub(r"\1.\2", given.strip())):
        unit = re.sub(r"^[\s\d.,+-]+", "", given)
    if "b" in unit.lower():
        return quantity(given, unit, "brix") * sump.fluid.refractometer_factor
    return quantity(given, unit or "%", "percent")


def hardness(given: Amount, unit: str) -> float:
    """Return ppm as CaCO3: ppm as it stands, or German degrees (`dH`)."""
    return quantity(given, unit or "ppm", "hardness")


def plain(given: Amount) -> float:
    """Return a number without a unit, as a pH is."""
    return quantity(given, "1", "one")


def read_time(given: object, now_s: float, zone: str | None = None) -> float:
    """Return Unix seconds: nothing means now, a number is Unix seconds, a text is RFC 3339.

    A text without an offset is wall-clock time in `zone`; without a zone it is refused.
    """
    if given is None or given == "":
        return now_s
    if not isinstance(given, str):
        return _in_range(finite(given))
    text = _SPACE_OFFSET.sub(r"+\1", given.strip())  # a "+" in an address arrives as a space
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise AmountError(f"{given[:40]!r} is not a time; write for example {_EXAMPLE}") from None
    if moment.tzinfo is None:
        if zone is None:
            raise AmountError(f"{given[:40]!r} has no offset from UTC; write for example {_EXAMPLE}")
        moment = moment.replace(tzinfo=ZoneInfo(zone))
    return _in_range((moment - _EPOCH).total_seconds())


def _in_range(time_s: float) -> float:
    if not 0 <= time_s < 253_402_300_800:  # the year 10000
        raise AmountError("is not a time between 1970 and 9999")
    return time_s


def _quantity(text: str, dimensions: tuple[str, ...]) -> float:
    try:
        return parse_quantity(text, *dimensions)
    except QuantityError as error:
        raise AmountError(str(error)) from None
