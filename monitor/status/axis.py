"""The common axis of the hours ahead: where a moment lies, where the days begin, when nobody is there."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from alerts.attendance import attendance
from monitor.plant.calendar import WeeklyCalendar
from monitor.status.words import local

LENGTHS_H: Final = (48, 60, 72, 84)
"""How far the opening page looks ahead: the first of these that shows somebody back at work for a while."""
SEEN_AFTER_H: Final = 6.0
AXIS_PCT: Final = 87.0
"""Share of a strip's width that the hours take; what is left counts the dots that lie later."""

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Tick:
    """A mark on the axis: position in percent, what to write, whether a day begins here."""

    x: float
    text: str
    day: bool


@dataclass(frozen=True, slots=True)
class Axis:
    """Hours from `from_s` to `to_s` drawn over `width_pct` of the width."""

    from_s: float
    to_s: float
    zone: str
    away: tuple[Interval, ...]
    width_pct: float = 100.0

    @property
    def hours(self) -> float:
        """How many hours the axis shows."""
        return (self.to_s - self.from_s) / 3600

    def x(self, time_s: float) -> float:
        """Return the position of a moment in percent, kept on the axis."""
        share = (time_s - self.from_s) / (self.to_s - self.from_s)
        return round(min(max(share, 0.0), 1.0) * self.width_pct, 2)

    def ticks(self, every_h: int) -> list[Tick]:
        """Return the local full hours that are multiples of `every_h`; midnight is named by its day."""
        return [
            Tick(self.x(moment), f"{then:%a}" if then.hour == 0 else f"{then:%H}", then.hour == 0)
            for moment, then in _hours(self.from_s, self.to_s, self.zone, every_h)
        ]


def hours_ahead(calendar: WeeklyCalendar, now_s: float, zone: str) -> Axis:
    """Return the axis of the opening page."""
    wanted_h = attendance(calendar, now_s).hours_to_back + SEEN_AFTER_H
    hours = next((length for length in LENGTHS_H if length >= wanted_h), LENGTHS_H[0 if math.isinf(wanted_h) else -1])
    end_s = now_s + hours * 3600
    return Axis(now_s, end_s, zone, away(calendar, now_s, end_s), AXIS_PCT)


def away(calendar: WeeklyCalendar, from_s: float, to_s: float) -> tuple[Interval, ...]:
    """Return when nobody is there: what the attended intervals leave over."""
    out, reached = [], from_s
    for start, end in calendar.intervals(from_s, to_s):
        if start > reached:
            out.append((reached, start))
        reached = end
    if reached < to_s:
        out.append((reached, to_s))
    return tuple(out)


def _hours(from_s: float, to_s: float, zone: str, every_h: int) -> Iterator[tuple[float, datetime]]:
    day, last = local(from_s, zone).date(), local(to_s, zone).date()
    while day <= last:
        for hour in range(0, 24, every_h):
            then = datetime.combine(day, time(hour), ZoneInfo(zone))
            if from_s <= then.timestamp() <= to_s:
                yield then.timestamp(), then
        day += timedelta(days=1)
