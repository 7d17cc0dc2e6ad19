"""Numbers and moments as people of the plant read them: their units, their zone, no more digits than they can use."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from monitor.plant.quantity import L_PER_US_GAL
from monitor.plant.show import show_height, show_small_volume, show_strength, show_volume
from monitor.plant.types import Plant

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_FEW_DAYS_S = 6 * 86400.0


def number(value: float, decimals: int) -> str:
    """Write a number with at most so many decimals and no idle zeros."""
    text = f"{value:.{decimals}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text


def about(plant: Plant, litres: float) -> str:
    """Write a volume that is estimated, as a gauge shows it: `310 L`, `81.9 US gal`."""
    return show_volume(litres, plant.units)


def volume(plant: Plant, litres: float) -> str:
    """Write a volume that is to be measured out: `60 L`, `16.25 US gal`."""
    if plant.units == "us":
        return f"{number(litres / L_PER_US_GAL, 2)} US gal"
    return f"{number(litres, 1)} L"


def pour(plant: Plant, litres: float) -> str:
    """Write an amount of concentrate: `200 mL`, `2.6 L`, `7 US fl oz`, `1.25 US gal`."""
    if plant.units == "us":
        return show_small_volume(litres, "us") if litres < 0.995 * L_PER_US_GAL else volume(plant, litres)
    return show_small_volume(litres, "metric") if litres < 0.9975 else f"{number(litres, 2)} L"


def jug(plant: Plant, litres: float) -> str:
    """Write an amount of rich fluid measured with a jug: `4.3 L`, `12 US fl oz`, `1.25 US gal`."""
    return pour(plant, litres) if plant.units == "us" else f"{number(litres, 1)} L"


def level(plant: Plant, millimetres: float) -> str:
    """Write a height on the gauge: `212 mm`, `8 3/8 in`."""
    return show_height(millimetres, plant.units)


def percent(value: float) -> str:
    """Write a strength: `8.1 %`."""
    return show_strength(value)


def mix(value: float) -> str:
    """Write the strength of a mix to be made: `1 %`, `1.25 %`."""
    return f"{number(value, 2)} %"


def moment(plant: Plant, time_s: float, now_s: float) -> str:
    """Write a moment in the plant's zone: `Tue 22:40`, with the date where it lies more than some days off."""
    local = datetime.fromtimestamp(round(time_s), ZoneInfo(plant.zone))
    day = _DAYS[local.weekday()]
    if abs(time_s - now_s) < _FEW_DAYS_S:
        return f"{day} {local:%H:%M}"
    return f"{day} {local:%Y-%m-%d %H:%M}"


def quarter(time_s: float) -> float:
    """Round a forecast moment to the quarter of an hour."""
    return round(time_s / 900.0) * 900.0


def duration(hours: float) -> str:
    """Write a length of time: `40 min`, `5 h`, `3 days`."""
    if hours < 1:
        return f"{max(round(hours * 60), 0)} min"
    if hours < 48:
        return f"{number(hours, 0)} h"
    return f"{number(hours / 24, 0)} days"


def twentieths(share: float) -> str:
    """Write a chance as so many of 20, as the page draws it; 0 and 20 of 20 only from 99 % on."""
    count = round(share * 20)
    if 0.01 < share < 0.99:
        count = min(max(count, 1), 19)
    return f"{count} of 20"


def chance(share: float) -> str:
    """Write a chance in whole percent, never rounded up: `97 %`, `over 99 %`."""
    if share > 0.99:
        return "over 99 %"
    return f"{int(100 * share + 1e-9)} %" if share >= 0.01 else "under 1 %"
