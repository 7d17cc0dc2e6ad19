"""The axis, the dots and the drawings: every dot is drawn, nothing leaves the picture, hours are local hours."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.attendance import attendance
from monitor.model.types import Side
from monitor.plant.calendar import WeeklyCalendar, WeeklySpan, always, never
from monitor.status.axis import AXIS_PCT, Axis, away, hours_ahead
from monitor.status.charts import PLOT, Chart, Limit, Mark, draw, scale
from monitor.status.strips import COLUMNS, ROWS, glass, ruler, stacked, strip
from tests.fixtures.board import NOW_S, STORIES, forecast

LISBON = "Europe/Lisbon"
DAY_SHIFT = WeeklyCalendar(LISBON, (WeeklySpan((0, 1, 2, 3, 4), 360, 1320),))
BACK_S = attendance(DAY_SHIFT, NOW_S).back_s
LATHE = STORIES[0]


def _ahead(calendar: WeeklyCalendar = DAY_SHIFT, now_s: float = NOW_S) -> Axis:
    return hours_ahead(calendar, now_s, LISBON)


def test_on_friday_evening_the_axis_reaches_monday() -> None:
    axis = _ahead()
    assert axis.hours == 72
    assert axis.from_s < BACK_S < axis.to_s


def test_on_a_weekday_and_without_an_end_it_is_two_days() -> None:
    assert _ahead(now_s=NOW_S - 2 * 86400).hours == 48
    assert _ahead(always(LISBON)).hours == 48
    assert _ahead(never(LISBON)).hours == 48


@given(st.floats(0, 4e9))
def test_away_and_attended_fill_the_axis(now_s: float) -> None:
    to_s = now_s + 72 * 3600
    alone = sum(end - start for start, end in away(DAY_SHIFT, now_s, to_s))
    there = sum(end - start for start, end in DAY_SHIFT.intervals(now_s, to_s))
    assert alone + there == pytest.approx(72 * 3600)


@pytest.mark.parametrize(
    ("now_s", "midnights"),
    [(1932508800.0, 2), (1950652800.0, 2)],  # before the spring and the autumn change of 2031
)
def test_midnight_is_midnight_across_a_clock_change(now_s: float, midnights: int) -> None:
    ticks = Axis(now_s, now_s + 48 * 3600, LISBON, ()).ticks(6)
    assert sum(tick.day for tick in ticks) >= midnights
    assert {tick.text for tick in ticks if not tick.day} == {"06", "12", "18"}
    assert sorted(tick.x for tick in ticks) == [tick.x for tick in ticks]


@given(st.lists(st.floats(0, COLUMNS - 0.001), max_size=20))
def test_every_dot_finds_a_place_of_its_own(places: list[float]) -> None:
    found = stacked(sorted(places))
    assert len(set(found)) == len(places)
    assert all(0 <= column < COLUMNS and 0 <= row < ROWS for column, row in found)


def test_dots_stand_where_they_belong_while_there_is_room() -> None:
    assert stacked([0.2, 0.4, 5.9]) == [(0, 0), (0, 1), (5, 0)]


def test_more_dots_than_places_is_an_error() -> None:
    with pytest.raises(ValueError, match="places"):
        stacked([0.0] * 5, columns=1, rows=4)


@given(st.lists(st.floats(0.01, 240), min_size=20, max_size=20))
def test_a_strip_counts_twenty(dots: list[float]) -> None:
    made = forecast(LATHE)
    assert made is not None
    rising = tuple(sorted(dots))
    text = strip("lathe-04", replace(made, dots_h=rising, exit_p50_h=rising[10]), _ahead(), BACK_S, "words")
    later = re.search(r">\+(\d+)<", text)
    assert text.count("<circle") + (int(later[1]) if later else 0) == 20
    assert text.count('"dot before"') == sum(NOW_S + dot * 3600 < BACK_S for dot in rising if dot < 72)
    assert all(0 <= float(x) <= AXIS_PCT for x in re.findall(r'cx="([\d.]+)%"', text))


def test_a_sump_outside_its_band_has_no_dots_but_a_word() -> None:
    made = forecast(STORIES[3])
    text = strip("mill-11", made, _ahead(), BACK_S, "words")
    assert "<circle" not in text
    assert "too rich now" in text


def test_without_a_forecast_the_strip_says_so() -> None:
    assert "no forecast yet" in strip("mill-12", None, _ahead(), BACK_S, "words")


def test_words_are_escaped() -> None:
    assert "<b>" not in strip("lathe-04", None, _ahead(), BACK_S, "<b>")


def test_the_ruler_names_the_days() -> None:
    assert re.findall(r">(Sat|Sun|Mon)<", ruler(_ahead())) == ["Sat", "Sun", "Mon"]


@pytest.mark.parametrize(("volume", "height"), [(None, 0.0), (-5.0, 0.0), (200.0, 28.0), (400.0, 56.0), (900.0, 56.0)])
def test_the_sight_glass_stays_a_glass(volume: float | None, height: float) -> None:
    assert f'height="{height:.1f}"' in glass(volume, 400, 200)


def _chart(past: list[tuple[float, float, float, float]], ahead: list[tuple[float, float, float, float]]) -> Chart:
    limits = (Limit(10.0, "too rich above 10 %"), Limit(6.0, "too lean below 6 %"))
    marks = (Mark(NOW_S - 3600, "in", "topped up"), Mark(NOW_S - 9e6, "out", "long ago"))
    return Chart("strength-x", "Strength", "words", NOW_S, past, ahead, limits, marks)


_value = st.floats(-1e4, 1e4) | st.just(math.nan)
_bands = st.lists(st.tuples(st.floats(NOW_S - 5e5, NOW_S + 5e5), _value, _value, _value), max_size=8)


@given(_bands, _bands)
def test_a_drawing_stays_inside_its_frame(
    past: list[tuple[float, float, float, float]], ahead: list[tuple[float, float, float, float]]
) -> None:
    chart = _chart(sorted(past), sorted(ahead))
    low, high = scale(chart)
    assert low < 6.0
    assert high > 10.0
    text = draw(chart, Axis(NOW_S - 432000, NOW_S + 259200, LISBON, ()))
    assert "nan" not in text
    for points in re.findall(r'points="([^"]*)"', text):
        for pair in points.split():
            assert all(0 <= float(part) <= 1000 for part in pair.split(","))
    assert all(0 <= float(y) <= PLOT for y in re.findall(r'class="limit" x1="0" x2="100%" y1="([\d.]+)"', text))
    assert text.count('class="mark') == 1


def test_sides_have_words() -> None:
    from monitor.status.words import SIDES

    assert set(SIDES) == set(Side)
