"""Times, chances and sides in the words of the page; times in the plant's own zone."""

from __future__ import annotations

import math
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from alerts.types import Priority
from monitor.model.types import Forecast, Side
from monitor.plant.reading import EntryKind, Signal

DAY_S: Final = 86400.0
NBSP: Final = "\u00a0"
"""A space at which a line does not break: a moment stays in one piece."""

SIDES: Final = {
    Side.RICH: "too rich",
    Side.LEAN: "too lean",
    Side.LOW: "too low",
    Side.NONE: "stays inside",
}
URGENCY: Final = {
    Priority.HIGH: "Now",
    Priority.MEDIUM: "Before you leave",
    Priority.LOW: "When you can",
}
SIGNALS: Final = {
    Signal.LEVEL: "level",
    Signal.REFRACTOMETER: "refractometer",
    Signal.RUNNING: "machine running",
    Signal.COOLANT_TEMPERATURE: "coolant temperature",
    Signal.PH: "pH",
    Signal.CONDUCTIVITY: "conductivity",
    Signal.MAKE_UP_METER: "make-up meter",
}
ENTRIES: Final = {
    EntryKind.TOP_UP: "topped up",
    EntryKind.REMOVAL: "took out",
    EntryKind.CHARGE: "emptied and filled",
    EntryKind.CHECK: "hand check",
    EntryKind.HARDNESS: "hardness",
    EntryKind.PH: "pH",
}


def signal_name(subject: str) -> str:
    """Return a signal's name as a sentence begins with it; an unknown one stays as it is."""
    name = next((text for signal, text in SIGNALS.items() if signal.value == subject), subject or "signal")
    return name if name == "pH" else name[:1].upper() + name[1:]


def local(time_s: float, zone: str) -> datetime:
    """Return a moment in the plant's zone."""
    return datetime.fromtimestamp(time_s, ZoneInfo(zone))


def at(time_s: float, now_s: float, zone: str) -> str:
    """Say a moment as people do: `22:10` today, `Sun 02:30` within six days, else `Mon 10 Mar`."""
    if not math.isfinite(time_s):
        return "later"
    then, now = local(time_s, zone), local(now_s, zone)
    days = (then.date() - now.date()).days
    if days == 0:
        return f"{then:%H:%M}"
    if abs(days) <= 6:
        return f"{then:%a}{NBSP}{then:%H:%M}"
    return f"{then:%a}{NBSP}{then.day}{NBSP}{then:%b}"


def full(time_s: float, zone: str) -> str:
    """Say a moment with its date: `Fri 7 Mar, 21:30`."""
    then = local(time_s, zone)
    return f"{then:%a} {then.day} {then:%b}, {then:%H:%M}"


def ahead(time_s: float, now_s: float, zone: str) -> str:
    """Say a moment that lies ahead; one that has come already is `now`."""
    return "now" if time_s <= now_s else at(time_s, now_s, zone)


def ago(time_s: float, now_s: float) -> str:
    """Say how long ago something was: `just now`, `12 min ago`, `5 h ago`, `3 days ago`."""
    return "just now" if now_s - time_s < 90 else f"{span(now_s - time_s)} ago"


def span(seconds: float) -> str:
    """Say a length of time in one unit: minutes below 90, hours below 48, else days."""
    if seconds < 90 * 60:
        return f"{max(round(seconds / 60), 1)} min"
    if seconds < 2 * DAY_S:
        return f"{round(seconds / 3600)} h"
    return f"{round(seconds / DAY_S)} days"


def count(number: int, one: str, many: str = "") -> str:
    """Say a number with its noun: `1 sump`, `3 sumps`."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def is_out(forecast: Forecast) -> bool:
    """Tell whether the sump is outside its band already."""
    return forecast.exit_p50_h <= 0.0


def dots_before(forecast: Forecast, time_s: float) -> int:
    """Count the dots (of twenty) that lie before a moment."""
    return sum(forecast.made_s + dot * 3600 < time_s for dot in forecast.dots_h)


def likely(forecast: Forecast, now_s: float, zone: str) -> str:
    """Say when and how the sump most likely leaves its band."""
    if is_out(forecast):
        return f"{SIDES[forecast.side].capitalize()} now"
    if forecast.exit_p50_h >= forecast.horizon_h:
        return f"Stays inside for the next {round(forecast.horizon_h / 24)} days, more likely than not"
    when = ahead(forecast.made_s + forecast.exit_p50_h * 3600, now_s, zone)
    return f"Likely {SIDES[forecast.side]} {when}"


def early_late(forecast: Forecast, now_s: float, zone: str) -> str:
    """Say the early and the late exit, one chance in ten each."""
    if is_out(forecast):
        return ""
    early, late = (
        ahead(forecast.made_s + hours * 3600, now_s, zone) if hours < forecast.horizon_h else f"after {_days(forecast)}"
        for hours in (forecast.exit_p10_h, forecast.exit_p90_h)
    )
    return f"early {early}, late {late}" if early != late else ""


def _days(forecast: Forecast) -> str:
    return f"{round(forecast.horizon_h / 24)} days"


def chances(forecast: Forecast, until_s: float, now_s: float, zone: str) -> str:
    """Say how many of twenty chances lie before somebody is back."""
    if is_out(forecast):
        return ""
    return f"{dots_before(forecast, until_s)} of {len(forecast.dots_h)} chances before {at(until_s, now_s, zone)}"
