"""Calendars against the laws that change the clocks, RFC 5545 and a minute-by-minute look at the wall clock."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from monitor.plant.calendar import WeeklyCalendar, WeeklySpan, always


def utc(*parts: int) -> float:
    year, month, day, hour = parts
    return datetime(year, month, day, hour, tzinfo=UTC).timestamp()


# Directive 2000/84/EC, articles 2 and 3: summer time from the last Sunday of March to the last Sunday of October, 01:00
# UTC. United States, Energy Policy Act of 2005, section 110: from the second Sunday of March to the first Sunday of
# November at 02:00 local time. The dates are those Sundays (the articles' texts from memory).
CHANGES = [
    ("Europe/Lisbon", (2027, 3, 28, 1), -1),
    ("Europe/Lisbon", (2027, 10, 31, 1), 1),
    ("Europe/Berlin", (2028, 3, 26, 1), -1),
    ("Europe/Berlin", (2028, 10, 29, 1), 1),
    ("America/New_York", (2027, 3, 14, 7), -1),
    ("America/New_York", (2027, 11, 7, 6), 1),
    ("America/Chicago", (2028, 3, 12, 8), -1),
    ("America/Chicago", (2028, 11, 5, 7), 1),
]


@pytest.mark.parametrize(("zone", "change", "gained_h"), CHANGES)
def test_a_night_shift_over_the_change(zone: str, change: tuple[int, int, int, int], gained_h: int) -> None:
    night = WeeklyCalendar(zone, (WeeklySpan((5,), 22 * 60, 6 * 60),))
    around = utc(*change)
    ((start, end),) = night.intervals(around - 20 * 3600, around + 20 * 3600)
    assert start < around < end
    assert (end - start) / 3600 == 8 + gained_h


@pytest.mark.parametrize(("zone", "change", "gained_h"), CHANGES)
def test_a_skipped_or_doubled_start(zone: str, change: tuple[int, int, int, int], gained_h: int) -> None:
    # A start half an hour into the changed hour. Skipped: at the jump itself. Doubled: at its first coming.
    around = utc(*change)
    wall = datetime.fromtimestamp(around - 3600, ZoneInfo(zone)) + timedelta(minutes=90 if gained_h < 0 else 30)
    minute = wall.hour * 60 + wall.minute
    early = WeeklyCalendar(zone, (WeeklySpan((6,), minute, 12 * 60),))
    expected = around if gained_h < 0 else around - 1800
    assert early.next_start_s(around - 7200) == expected


def test_rfc_5545_a_local_time_that_occurs_twice() -> None:
    # RFC 5545, section 3.3.5: TZID=America/New_York:20071104T013000 is 1:30 A.M. EDT (UTC-04:00), the first occurrence.
    calendar = WeeklyCalendar("America/New_York", (WeeklySpan((6,), 90, 360),))
    expected = datetime(2007, 11, 4, 5, 30, tzinfo=UTC).timestamp()
    assert calendar.next_start_s(utc(2007, 11, 4, 4)) == expected


@pytest.mark.parametrize("zone", ["Europe/Lisbon", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata", "UTC"])
def test_minute_by_minute_over_a_year(zone: str) -> None:
    # The wall clock says whether a span that touches no changed hour covers a moment; every 7 minutes of a year.
    calendar = WeeklyCalendar(zone, (WeeklySpan((0, 2, 4, 6), 6 * 60 + 15, 22 * 60), WeeklySpan((5,), 22 * 60, 5 * 60)))
    tz = ZoneInfo(zone)
    times = np.arange(utc(2031, 1, 1, 0), utc(2032, 1, 1, 0), 420.0)
    walls = [datetime.fromtimestamp(time, tz) for time in times]
    minutes = [(wall.weekday(), wall.hour * 60 + wall.minute) for wall in walls]
    expected = [
        (day in {0, 2, 4, 6} and 375 <= minute < 1320) or (day == 5 and minute >= 1320) or (day == 6 and minute < 300)
        for day, minute in minutes
    ]
    assert [calendar.covers(time) for time in times[::13]] == expected[::13]
    starts = calendar.shares(np.column_stack((times, times + 1e-3)).ravel())[::2] > 0.5
    assert starts.tolist() == expected


def test_a_year_of_hours_is_all_there() -> None:
    edges = np.arange(utc(2031, 1, 1, 0), utc(2032, 1, 1, 0), 3600.0)
    np.testing.assert_allclose(always("America/New_York").shares(edges), 1.0)
