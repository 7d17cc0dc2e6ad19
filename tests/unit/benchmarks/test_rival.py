"""The straight line, and the tanks it reads its level through."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.benchmarks.rival import Line, Series, forecast, leaves, rates
from tests.benchmarks.tanks import litres_per_mm, volume_at, volume_of
from tests.unit.benchmarks.halls import days, exit_row, hall, reading


@given(
    values=st.lists(st.floats(-100, 100), min_size=3, max_size=40),
    gaps=st.lists(st.floats(60, 7200), min_size=40, max_size=40),
)
def test_the_line_is_the_least_squares_line_of_the_last_day(values: list[float], gaps: list[float]) -> None:
    time_s = 1.9e9 + np.cumsum(gaps[: len(values)])
    now = time_s[-1]
    line = Series.of(time_s, np.array(values)).line(float(now))
    last = time_s > now - 86400
    if last.sum() > 1:
        slope, height = np.polyfit((time_s[last] - now) / 3600, np.array(values)[last], 1)
        assert line.slope == pytest.approx(slope, rel=1e-4, abs=1e-3)
        assert line.now == pytest.approx(height, rel=1e-4, abs=1e-3)


def test_nothing_heard_gives_no_line_and_no_exit() -> None:
    line = Series.of(np.empty(0), np.empty(0)).line(0.0)
    assert np.isnan(line.now)
    assert leaves(line, line, (6.0, 10.0), 100.0) == (240.0, "none")


@pytest.mark.parametrize(
    ("volume", "strength", "expected"),
    [
        (Line(300.0, -1.0), Line(8.0, 0.1), (20.0, "rich")),
        (Line(300.0, -10.0), Line(8.0, 0.1), (10.0, "low")),
        (Line(300.0, 0.0), Line(8.0, -0.05), (40.0, "lean")),
        (Line(300.0, 0.0), Line(10.5, -0.05), (0.0, "rich")),
        (Line(150.0, 0.0), Line(8.0, 0.0), (0.0, "low")),
        (Line(300.0, 0.1), Line(8.0, 0.001), (240.0, "none")),
    ],
)
def test_the_first_bound_that_is_met_ends_it(volume: Line, strength: Line, expected: tuple[float, str]) -> None:
    hours, side = leaves(volume, strength, (6.0, 10.0), 200.0)
    assert hours == pytest.approx(expected[0])
    assert side == expected[1]


def test_what_the_strength_gains_is_evaporation() -> None:
    evaporation, drag_out = rates(Line(300.0, -1.0), Line(8.0, 8.0 / 300.0 / 2))
    assert evaporation == pytest.approx(12.0)
    assert drag_out == pytest.approx(12.0)


def test_a_recording_that_is_a_straight_line_is_foretold_exactly(tmp_path: Path) -> None:
    hours = np.arange(0, days(5) + 1, 0.5)
    level = [reading(hour, "one", "level", 280.0 - 0.2 * hour) for hour in hours]
    brix = [reading(hour, "one", "refractometer", 5.0 + 0.005 * hour) for hour in hours]
    recording = hall(tmp_path, {"exits": [exit_row(days(5), "one", "", "none")]}, level + brix)
    (row,) = forecast(recording)
    assert float(row["volume_l"]) == pytest.approx((280 - 0.2 * days(5)) * 1.25, abs=1e-3)
    assert float(row["concentration_pct"]) == pytest.approx((5 + 0.005 * days(5)) * 1.5, abs=1e-4)
    assert float(row["exit_p50"]) == pytest.approx((10.0 / 1.5 - 5.6) / 0.005, abs=1e-2)
    assert row["exit_side"] == "rich"


def test_tanks_of_the_benchmarks_have_handbook_volumes() -> None:
    # Horizontal cylinder, flat ends, D 1 m, L 2 m: h 0.25 m 0.3070924 m3, h 0.30 m 0.3963367 m3 (trade facts, 7).
    lying = {"shape": "horizontal-cylinder", "diameter": "1 m", "length": "2 m"}
    assert volume_at(lying, np.array([250.0, 300.0])).tolist() == pytest.approx([307.0924, 396.3367], abs=1e-4)
    box = {"shape": "box", "length": "1 m", "width": "0.5 m"}
    assert volume_at(box, np.array([100.0])).tolist() == pytest.approx([50.0])
    standing = {"shape": "vertical-cylinder", "diameter": "2 m"}
    assert volume_at(standing, np.array([1000.0])).tolist() == pytest.approx([np.pi * 1000])
    table = {"table": [["0 mm", "0 L"], ["80 mm", "60 L"], ["160 mm", "130 L"]]}
    assert volume_at(table, np.array([40.0, 120.0])).tolist() == pytest.approx([30.0, 95.0])
    assert litres_per_mm("1 US gal/in") == pytest.approx(3.785411784 / 25.4)
    gauge = {"volume": {"per_height": "1 US gal/in"}, "signal": {"level": {"unit": "in"}}}
    assert volume_of(gauge, np.array([10.0])).tolist() == pytest.approx([37.85411784])
    told = {"signal": {"level": {"unit": "US gal"}}}
    assert volume_of(told, np.array([2.0])).tolist() == pytest.approx([7.570823568])


def test_a_shape_that_is_not_known_is_refused() -> None:
    with pytest.raises(ValueError, match="none of the benchmarks' shapes"):
        volume_at({"shape": "cone", "diameter": "1 m", "height": "1 m"}, np.array([1.0]))
