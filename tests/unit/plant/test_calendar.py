"""Weekly calendars: spans, nights, clock changes, shares."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from monitor.plant.calendar import WeeklyCalendar, WeeklySpan, always, never

WORKDAYS = (0, 1, 2, 3, 4)
TWO_SHIFT = WeeklyCalendar("Europe/Lisbon", (WeeklySpan(WORKDAYS, 360, 1320),))


def at(zone: str, *parts: int, fold: int = 0) -> float:
    year, month, day, hour, minute = parts
    return datetime(year, month, day, hour, minute, tzinfo=ZoneInfo(zone), fold=fold).timestamp()


def lisbon(*parts: int) -> float:
    return at("Europe/Lisbon", *parts)


def test_start_is_inside_and_end_is_not() -> None:
    assert TWO_SHIFT.covers(lisbon(2031, 3, 3, 6, 0))
    assert not TWO_SHIFT.covers(lisbon(2031, 3, 3, 6, 0) - 0.001)
    assert not TWO_SHIFT.covers(lisbon(2031, 3, 3, 22, 0))
    assert TWO_SHIFT.covers(lisbon(2031, 3, 3, 22, 0) - 0.001)
    assert not TWO_SHIFT.covers(lisbon(2031, 3, 8, 12, 0))


def test_next_start_and_end() -> None:
    friday_night = lisbon(2031, 3, 7, 23, 0)
    assert TWO_SHIFT.next_start_s(friday_night) == lisbon(2031, 3, 10, 6, 0)
    assert TWO_SHIFT.next_end_s(friday_night) == lisbon(2031, 3, 10, 22, 0)
    inside = lisbon(2031, 3, 10, 9, 30)
    assert TWO_SHIFT.next_start_s(inside) == inside
    assert TWO_SHIFT.next_end_s(inside) == lisbon(2031, 3, 10, 22, 0)
    at_the_end = lisbon(2031, 3, 10, 22, 0)
    assert TWO_SHIFT.next_start_s(at_the_end) == lisbon(2031, 3, 11, 6, 0)


def test_one_day_a_week_comes_back_after_a_week() -> None:
    sundays = WeeklyCalendar("UTC", (WeeklySpan((6,), 0, 60),))
    assert sundays.next_start_s(at("UTC", 2031, 3, 2, 1, 0)) == at("UTC", 2031, 3, 9, 0, 0)


def test_spans_that_touch_or_overlap_are_one_interval() -> None:
    spans = (WeeklySpan((0,), 360, 840), WeeklySpan((0,), 840, 1320), WeeklySpan((0,), 600, 1000))
    found = WeeklyCalendar("UTC", spans).intervals(at("UTC", 2031, 3, 3, 0, 0), at("UTC", 2031, 3, 4, 0, 0))
    assert found == [(at("UTC", 2031, 3, 3, 6, 0), at("UTC", 2031, 3, 3, 22, 0))]


def test_midnight_to_midnight_days_join() -> None:
    days = WeeklyCalendar("UTC", (WeeklySpan((0, 1), 0, 1440), WeeklySpan((2,), 0, 720)))
    start = at("UTC", 2031, 3, 3, 0, 0)
    assert days.intervals(start - 86400, start + 6 * 86400) == [(start, start + 2.5 * 86400)]


def test_over_midnight() -> None:
    night = WeeklyCalendar("UTC", (WeeklySpan((6,), 1320, 360),))
    sunday = at("UTC", 2031, 3, 2, 22, 0)
    assert night.intervals(sunday - 86400, sunday + 86400) == [(sunday, sunday + 8 * 3600)]
    assert night.covers(sunday + 7 * 3600)
    assert night.intervals(sunday + 3600, sunday + 7200) == [(sunday + 3600, sunday + 7200)]


def test_until_midnight_may_be_written_both_ways() -> None:
    early = WeeklyCalendar("Asia/Kolkata", (WeeklySpan((0,), 1320, 0),))
    late = WeeklyCalendar("Asia/Kolkata", (WeeklySpan((0,), 1320, 1440),))
    start = at("Asia/Kolkata", 2031, 3, 1, 0, 0)
    assert early.intervals(start, start + 7 * 86400) == late.intervals(start, start + 7 * 86400)


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        ("Europe/Lisbon", (2031, 3, 29), 7),
        ("Europe/Lisbon", (2031, 10, 25), 9),
        ("Europe/Lisbon", (2031, 6, 14), 8),
        ("America/New_York", (2031, 3, 8), 7),
        ("America/New_York", (2031, 11, 1), 9),
        ("Australia/Lord_Howe", (2031, 4, 5), 8.5),
        ("Australia/Lord_Howe", (2031, 10, 4), 7.5),
    ],
)
def test_the_saturday_night_shift_on_clock_change_nights(zone: str, day: tuple[int, int, int], hours: float) -> None:
    night = WeeklyCalendar(zone, (WeeklySpan((5,), 1320, 360),))
    start = at(zone, *day, 22, 0)
    assert night.intervals(start - 3600, start + 86400) == [(start, start + hours * 3600)]
    assert night.next_end_s(start) == start + hours * 3600


@pytest.mark.parametrize(("day", "hours"), [((2031, 3, 9), 23), ((2031, 11, 2), 25)])
def test_whole_days_on_clock_changes(day: tuple[int, int, int], hours: int) -> None:
    sundays = WeeklyCalendar("America/New_York", (WeeklySpan((6,), 0, 1440),))
    start = at("America/New_York", *day, 0, 0)
    assert sundays.intervals(start - 86400, start + 3 * 86400) == [(start, start + hours * 3600)]


def test_the_day_after_a_change_starts_by_the_new_clock() -> None:
    summer = lisbon(2031, 3, 31, 6, 0)
    assert TWO_SHIFT.next_start_s(lisbon(2031, 3, 29, 12, 0)) == summer
    assert summer - lisbon(2031, 3, 30, 0, 0) == 29 * 3600


def test_a_skipped_wall_time_is_the_moment_of_the_jump() -> None:
    calendar = WeeklyCalendar("America/New_York", (WeeklySpan((6,), 150, 300),))
    jump = at("America/New_York", 2031, 3, 9, 1, 59) + 60
    assert calendar.intervals(jump - 86400, jump + 86400) == [(jump, jump + 2 * 3600)]


def test_a_span_inside_the_skipped_hour_is_no_span_that_day() -> None:
    calendar = WeeklyCalendar("America/New_York", (WeeklySpan((6,), 130, 170),))
    start = at("America/New_York", 2031, 3, 8, 12, 0)
    assert calendar.intervals(start, start + 86400) == []
    assert calendar.next_start_s(start) == at("America/New_York", 2031, 3, 16, 2, 10)


def test_a_wall_time_that_comes_twice_is_its_first_coming() -> None:
    before = WeeklyCalendar("America/New_York", (WeeklySpan((5,), 1320, 90),))
    after = WeeklyCalendar("America/New_York", (WeeklySpan((6,), 90, 360),))
    first = at("America/New_York", 2031, 11, 2, 1, 30, fold=0)
    assert before.next_end_s(first - 3600) == first
    assert after.next_start_s(first - 3600) == first
    both = WeeklyCalendar("America/New_York", before.spans + after.spans)
    assert both.intervals(first - 3600, first + 3600) == [(first - 3600, first + 3600)]


def test_shares() -> None:
    edges = np.array([lisbon(2031, 3, 3, hour, 0) for hour in (0, 4, 8, 12, 23)])
    np.testing.assert_allclose(TWO_SHIFT.shares(edges), [0, 0.5, 1, 10 / 11], atol=1e-12)


def test_shares_of_bins_without_width_and_of_too_few_edges() -> None:
    monday = lisbon(2031, 3, 3, 12, 0)
    np.testing.assert_array_equal(TWO_SHIFT.shares(np.array([monday, monday, monday + 60])), [0, 1])
    assert TWO_SHIFT.shares(np.array([monday])).shape == (0,)
    assert TWO_SHIFT.shares(np.array([])).shape == (0,)


def test_always_and_never() -> None:
    edges = np.linspace(0.0, 5e6, 50)
    np.testing.assert_allclose(always("Europe/Lisbon").shares(edges), 1.0)
    np.testing.assert_array_equal(never("Europe/Lisbon").shares(edges), 0.0)
    assert always("UTC").covers(1.9e9)
    assert not never("UTC").covers(1.9e9)
    assert always("UTC").next_start_s(5.0) == 5.0
    assert always("UTC").next_end_s(5.0) is None
    assert never("UTC").next_start_s(5.0) is None
    assert never("UTC").next_end_s(5.0) is None
    assert never("UTC").intervals(0.0, 1e9) == []


def test_an_empty_stretch_has_no_intervals() -> None:
    assert TWO_SHIFT.intervals(1.9e9, 1.9e9) == []
    assert TWO_SHIFT.intervals(1.9e9, 1.8e9) == []


@pytest.mark.parametrize(
    ("days", "start", "end"),
    [((), 0, 60), ((7,), 0, 60), ((-1,), 0, 60), ((0,), 60, 60), ((0,), -1, 60), ((0,), 1440, 60), ((0,), 0, 1441)],
)
def test_spans_that_cannot_be(days: tuple[int, ...], start: int, end: int) -> None:
    with pytest.raises(ValueError, match=r"days are|minutes are|needs a length"):
        WeeklySpan(days, start, end)
