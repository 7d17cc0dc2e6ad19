"""Who is there when: the moments that decide whether something can wait."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

from monitor.plant.calendar import WeeklyCalendar


@dataclass(frozen=True, slots=True)
class Attendance:
    """The attended calendar as seen from `now_s`.

    `until_s` is when the present attended window ends (`now_s` itself if nobody is there, infinite if it never
    ends); `back_s` is when somebody is next there after that (infinite if never).
    """

    now_s: float
    attended: bool
    until_s: float
    back_s: float

    @property
    def hours_left(self) -> float:
        """Hours until the present window ends: 0 when nobody is there."""
        return (self.until_s - self.now_s) / 3600.0

    @property
    def hours_to_back(self) -> float:
        """Hours until somebody is there after the present window."""
        return (self.back_s - self.now_s) / 3600.0

    @property
    def hours_to_cover(self) -> float:
        """Hours a sump has to last by itself: until somebody is back, a day where that has no answer."""
        return self.hours_to_back if math.isfinite(self.back_s) else 24.0


@lru_cache(maxsize=512)
def attendance(calendar: WeeklyCalendar, now_s: float) -> Attendance:
    """Look at the calendar from `now_s`."""
    attended = calendar.covers(now_s)
    until = _or_never(calendar.next_end_s(now_s)) if attended else now_s
    back = math.inf if math.isinf(until) else _or_never(calendar.next_start_s(until))
    return Attendance(now_s, attended, until, back)


def window_after(calendar: WeeklyCalendar, time_s: float) -> tuple[float, float]:
    """Return the attended window that covers `time_s` or comes next: from (not before `time_s`) and to.

    Infinite where there is none or it never ends.
    """
    start = _or_never(calendar.next_start_s(time_s))
    return start, (math.inf if math.isinf(start) else _or_never(calendar.next_end_s(start)))


def _or_never(time_s: float | None) -> float:
    return math.inf if time_s is None else time_s
