"""Weekly calendars in the plant's own zone: when machines run, when somebody is there.

A span is told in wall-clock time; all is computed in UTC seconds. On the two clock-change nights a wall time
that comes twice means its first coming (as in RFC 5545, 3.3.5), and one that is skipped means the moment of the jump,
so that spans stay in order and neighbours stay joined. A span from 22:00 to 06:00 therefore lasts 7 h on the spring
night and 9 h on the autumn night.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from itertools import chain
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

MINUTES_A_DAY = 1440
DAY_S = 86400.0
_LOOK_AHEAD_S = (8 * DAY_S, 30 * DAY_S, 400 * DAY_S)
_FOREVER_S = 16 * DAY_S

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class WeeklySpan:
    """On each of `days` (0 is Monday) from `from_minute` until `to_minute` after midnight, wall-clock time.

    `to_minute` may be 1440 (24:00); where it is earlier than `from_minute` the span runs over midnight into the next
    day. Raises ValueError for days or minutes out of range and for a span without length.
    """

    days: tuple[int, ...]
    from_minute: int
    to_minute: int

    def __post_init__(self) -> None:
        if not self.days or any(day not in range(7) for day in self.days):
            raise ValueError("days are 0 (Monday) to 6 (Sunday), at least one")
        if not (0 <= self.from_minute < MINUTES_A_DAY and 0 <= self.to_minute <= MINUTES_A_DAY):
            raise ValueError("minutes are 0 to 1440, and a span starts before 24:00")
        if self.from_minute == self.to_minute:
            raise ValueError("a span needs a length: a whole day is 00:00 to 24:00")


@dataclass(frozen=True, slots=True)
class WeeklyCalendar:
    """Spans that come back every week in one time zone. All times are Unix seconds UTC.

    >>> from monitor.plant.calendar import WeeklyCalendar, WeeklySpan
    >>> two_shift = WeeklyCalendar("UTC", (WeeklySpan((0, 1, 2, 3, 4), 360, 1320),))
    >>> two_shift.covers(1930284000.0)  # Monday 2031-03-03 10:00
    True
    """

    zone: str
    spans: tuple[WeeklySpan, ...]
    closed: frozenset[int] = frozenset()

    def covers(self, time_s: float) -> bool:
        """Tell whether the moment lies in a span (start included, end not)."""
        today = _local_date(self.zone, time_s).toordinal()
        return any(start <= time_s < end for start, end in chain(self._day(today - 1), self._day(today)))

    def intervals(self, from_s: float, to_s: float) -> list[Interval]:
        """Return the covered intervals between two moments, merged and clipped to them, in order."""
        if not self.spans or to_s <= from_s:
            return []
        first = _local_date(self.zone, from_s).toordinal() - 1
        last = _local_date(self.zone, to_s).toordinal()
        days = chain.from_iterable(self._day(day) for day in range(first, last + 1))
        return _merged((max(start, from_s), min(end, to_s)) for start, end in days if end > from_s and start < to_s)

    def next_start_s(self, time_s: float) -> float | None:
        """Return when the next interval starts: `time_s` itself if it is covered, None if there is never one."""
        for ahead_s in _LOOK_AHEAD_S:
            found = self.intervals(time_s, time_s + ahead_s)
            if found:
                return found[0][0]
        return None

    def next_end_s(self, time_s: float) -> float | None:
        """Return when the interval covering `time_s`, or else the next one, ends. None: never, or there is none."""
        start_s = self.next_start_s(time_s)
        if start_s is None:
            return None
        end_s = self.intervals(start_s, start_s + _FOREVER_S)[0][1]
        return end_s if end_s < start_s + _FOREVER_S else None

    def shares(self, edges_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the covered share (0..1) of each bin between neighbouring edges.

        `edges_s` has shape (n+1,) and rises; the result has shape (n,). A bin without width gets 0.
        """
        edges = np.asarray(edges_s, dtype=np.float64)
        if edges.size < 2:
            return np.zeros(max(edges.size - 1, 0))
        found = self.intervals(float(edges[0]), float(edges[-1]))
        if not found:
            return np.zeros(edges.size - 1)
        widths = np.diff(edges)
        covered = np.diff(_covered_until(edges, found))
        return np.clip(np.divide(covered, widths, out=np.zeros_like(widths), where=widths > 0), 0.0, 1.0)

    def _day(self, ordinal: int) -> tuple[Interval, ...]:
        return () if ordinal in self.closed else _day_intervals(self.zone, self.spans, ordinal)


def always(zone: str) -> WeeklyCalendar:
    """Return the calendar that covers every moment."""
    return WeeklyCalendar(zone, (WeeklySpan(tuple(range(7)), 0, MINUTES_A_DAY),))


def never(zone: str) -> WeeklyCalendar:
    """Return the calendar that covers nothing."""
    return WeeklyCalendar(zone, ())


def forget_time_zones() -> None:
    """Look every time zone up again from now on: its rules on this machine may have been brought up to date."""
    ZoneInfo.clear_cache()
    _day_intervals.cache_clear()


def _covered_until(times: NDArray[np.float64], found: Sequence[Interval]) -> NDArray[np.float64]:
    """Return the covered seconds before each time: piecewise linear through the intervals' ends."""
    ends = np.asarray(found, dtype=np.float64)
    reached = np.cumsum(ends[:, 1] - ends[:, 0])
    totals = np.column_stack((np.concatenate(([0.0], reached[:-1])), reached))
    return np.asarray(np.interp(times, ends.ravel(), totals.ravel()), dtype=np.float64)


def _merged(found: Iterable[Interval]) -> list[Interval]:
    """Join intervals that touch or overlap."""
    out: list[Interval] = []
    for start, end in sorted(found):
        if out and start <= out[-1][1]:
            out[-1] = (out[-1][0], max(end, out[-1][1]))
        else:
            out.append((start, end))
    return out


@lru_cache(maxsize=16384)
def _day_intervals(zone: str, spans: tuple[WeeklySpan, ...], ordinal: int) -> tuple[Interval, ...]:
    """Return the UTC intervals of the spans that start on one local date."""
    weekday = (ordinal - 1) % 7
    started = (span for span in spans if weekday in span.days)
    pairs = ((_utc_s(zone, ordinal, s.from_minute), _end_s(zone, ordinal, s)) for s in started)
    return tuple((start, end) for start, end in pairs if end > start)


def _end_s(zone: str, ordinal: int, span: WeeklySpan) -> float:
    over_midnight = span.to_minute < span.from_minute
    return _utc_s(zone, ordinal + over_midnight, span.to_minute)


def _local_date(zone: str, time_s: float) -> date:
    return datetime.fromtimestamp(time_s, ZoneInfo(zone)).date()


def _utc_s(zone: str, ordinal: int, minute: int) -> float:
    """Turn a wall time (minutes after the midnight of a local date) into UTC seconds."""
    tz = ZoneInfo(zone)
    wall = datetime.combine(date.fromordinal(ordinal), datetime.min.time()) + timedelta(minutes=minute)
    early, late = (wall.replace(tzinfo=tz, fold=fold).timestamp() for fold in (1, 0))
    if early >= late:  # the usual case, or a wall time that comes twice: fold 0 is its first coming
        return late
    return _jump_s(tz, early, late)


def _jump_s(tz: ZoneInfo, early_s: float, late_s: float) -> float:
    """Find the second between two moments at which the zone's offset changes."""
    low, high = int(early_s), int(late_s)
    before = datetime.fromtimestamp(low, UTC).astimezone(tz).utcoffset()
    while high - low > 1:
        middle = (low + high) // 2
        same = datetime.fromtimestamp(middle, UTC).astimezone(tz).utcoffset() == before
        low, high = (middle, high) if same else (low, middle)
    return float(high)
