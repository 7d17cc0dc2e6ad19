"""What counts as a case, and what each figure makes of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks.recording import Cases, back_at, cases, seconds
from tests.benchmarks.scoring import by_horizon, figures, inside, relative_errors, scored
from tests.unit.benchmarks.halls import at, days, exit_row, hall, said

NOON = days(5) + 12


def table_of(folder: Path, *truth: tuple[float | str, float]) -> Cases:
    """Return cases with the given true and said exits, a moment each."""
    rows = [exit_row(NOON + i, "one", hours, "rich" if hours != "" else "none") for i, (hours, _) in enumerate(truth)]
    forecasts = [said(row, p50 * 0.8, p50, p50 * 1.2, "rich") for row, (_, p50) in zip(rows, truth, strict=True)]
    return cases(hall(folder, {"exits": rows}), forecasts)


def test_cases_are_those_whose_true_exit_lies_4_to_240_hours_ahead(tmp_path: Path) -> None:
    table = table_of(tmp_path, (3.99, 4.0), (4.0, 4.0), (240.0, 200.0), ("", 240.0), (0.0, 0.0))
    assert scored(table).true_h.tolist() == [4.0, 240.0]


def test_errors_are_relative_to_six_hours_at_least(tmp_path: Path) -> None:
    table = table_of(tmp_path, (4.0, 7.0), (100.0, 90.0))
    assert relative_errors(scored(table)).tolist() == pytest.approx([0.5, 0.1])


def test_a_moment_without_a_forecast_counts_as_nothing_will_happen(tmp_path: Path) -> None:
    row = exit_row(NOON, "one", 60.0, "rich")
    table = cases(hall(tmp_path, {"exits": [row]}), [])
    assert table.missing.tolist() == [True]
    assert table.p50.tolist() == [240.0]
    assert relative_errors(table).tolist() == [3.0]


def test_the_interval_holds_its_own_ends(tmp_path: Path) -> None:
    table = table_of(tmp_path, (80.0, 100.0), (120.0, 100.0), (79.0, 100.0), (121.0, 100.0))
    assert inside(table).tolist() == [True, True, False, False]


def test_a_perfect_forecast_has_perfect_figures(tmp_path: Path) -> None:
    rows = [exit_row(days(5) + 6 * i, "one", 60.0 - 6 * i, "rich") for i in range(4)]
    forecasts = [said(row, float(row["hours"]), float(row["hours"]), float(row["hours"]), "rich") for row in rows]
    result = figures(hall(tmp_path, {"exits": rows}), forecasts, [])
    assert result["relative error, 90th"] == 0.0
    assert result["truth inside 10-90 %"] == 1.0
    assert result["side right"] == 1.0
    assert result["strength error points, 95th"] == 0.0
    assert result["pinball h, mean"] == 0.0


def test_somebody_is_back_on_monday_after_a_friday_evening(tmp_path: Path) -> None:
    recording = hall(tmp_path, {})
    spans = recording.attended_s(seconds(at(0)), seconds(at(days(7))))
    assert back_at(spans, seconds(at(days(4) + 18))) == seconds(at(days(7) + 6))
    assert back_at(spans, seconds(at(days(3) + 18))) == seconds(at(days(4) + 6))
    assert back_at(spans, seconds(at(days(5) + 18))) is None


def test_evenings_ask_whether_the_sump_leaves_before_somebody_is_back(tmp_path: Path) -> None:
    friday = days(11) + 18
    truth = [(59.0, 50.0), (59.0, 61.0), (61.0, 50.0), (61.0, 70.0)]
    rows = [exit_row(friday, f"{'one' if i % 2 else 'two'}", hours, "rich") for i, (hours, _) in enumerate(truth)]
    rows = [row | {"time": at(friday + i // 2)} for i, row in enumerate(rows)]
    forecasts = [said(row, p10, 65.0, 80.0, "rich") for row, (_, p10) in zip(rows, truth, strict=True)]
    rows[2] |= {"hours": "60"}
    result = figures(hall(tmp_path, {"exits": rows}), forecasts, None)
    assert result["evenings: leaves, cases"] == 2
    assert result["evenings: recall"] == 0.5
    assert result["evenings: false share"] == 0.5


def test_lean_exits_are_told_by_the_side(tmp_path: Path) -> None:
    sides = [("lean", "lean"), ("lean", "rich"), ("rich", "lean"), ("none", "lean")]
    rows = [exit_row(NOON + i, "one", "" if true == "none" else 50.0, true) for i, (true, _) in enumerate(sides)]
    forecasts = [said(row, 40.0, 50.0, 60.0, told) for row, (_, told) in zip(rows, sides, strict=True)]
    result = figures(hall(tmp_path, {"exits": rows}), forecasts, None)
    assert result["lean side: recall"] == 0.5
    assert result["lean side: false share"] == 0.5
    assert result["lean side: false share, stayers counted too"] == pytest.approx(2 / 3)


def test_losses_are_read_at_the_end_of_their_day(tmp_path: Path) -> None:
    rows = [exit_row(days(d), "one", 60.0, "rich") for d in (5, 6)]
    forecasts = [said(row, 50.0, 60.0, 70.0, "rich") for row in rows]
    losses = [{"day": at(days(5))[:10], "sump": "one", "evaporated_l": 16.0, "dragged_out_l": 7.0}]
    result = figures(hall(tmp_path, {"exits": rows, "losses": losses}), forecasts, None)
    assert result["evaporation error % of full a day, mean"] == pytest.approx(1.0)
    assert result["drag-out bias % of full a day"] == pytest.approx(-0.5)


def test_every_case_falls_into_one_bucket(tmp_path: Path) -> None:
    table = scored(table_of(tmp_path, *[(float(hours), 50.0) for hours in np.linspace(4, 240, 60)]))
    assert sum(part["cases"] for part in by_horizon(table).values()) == len(table)
