"""Levels that near their lowest, overdue checks, limits, and sumps out of use by design."""

from __future__ import annotations

from dataclasses import replace

import pytest

from alerts.lifecycle import step
from alerts.outlook import Measured, MineralFacts
from alerts.setaside import Hygiene
from alerts.types import AlertKind, AlertState, Priority
from alerts.upkeep import EMPTY_STANDS_S, Kept, emptied, suppressed, upkeep
from monitor.model.types import Forecast, Side
from monitor.plant.people import Alerting, Closure
from monitor.plant.reading import Entry, EntryKind
from tests.unit.alerts.hall import DAY, HOUR, MONDAY, a_fluid, a_forecast, a_plant, a_sump, an_estimate

NOON = MONDAY + 12 * HOUR
PLANT, SUMP = a_plant(), a_sump()


def found(left_h: float, kept: Kept | None = None, now_s: float = NOON) -> dict[AlertKind, tuple[Priority, bool]]:
    estimate = an_estimate(230.0, 8.0, now_s)
    ahead = replace(a_forecast(estimate), exit_p50_h=left_h, side=Side.LOW)
    conditions = upkeep(PLANT, SUMP, estimate, ahead, kept or Kept(Hygiene()), now_s)
    return {one.kind: (one.priority, one.enter) for one in conditions}


@pytest.mark.parametrize(
    ("left_h", "said"),
    [(0.4, (Priority.HIGH, True)), (1.9, (Priority.MEDIUM, True)), (2.1, (Priority.MEDIUM, False)), (4.1, None)],
)
def test_a_level_that_nears_its_lowest_enters_and_leaves_at_different_times(
    left_h: float, said: tuple[Priority, bool] | None
) -> None:
    assert found(left_h).get(AlertKind.LOWEST_NEAR) == said


def test_the_last_hours_of_the_window_and_the_night_are_left_to_the_other_condition() -> None:
    assert AlertKind.LOWEST_NEAR not in found(1.0, now_s=MONDAY + 19 * HOUR)
    assert AlertKind.LOWEST_NEAR not in found(1.0, now_s=MONDAY + 23 * HOUR)


def test_a_check_is_overdue_when_somebody_is_there_and_never_where_none_was_made() -> None:
    old = Kept(Hygiene(checked_s=NOON - 9 * DAY))
    assert found(100.0, old)[AlertKind.CHECK_OVERDUE] == (Priority.LOW, True)
    assert found(100.0, old, now_s=MONDAY + 2 * HOUR)[AlertKind.CHECK_OVERDUE] == (Priority.LOW, False)
    assert not found(100.0, Kept(Hygiene(checked_s=NOON - 7 * DAY)))
    assert not found(100.0)


@pytest.mark.parametrize(("value", "enter"), [(401.0, True), (395.0, False), (379.0, None)])
def test_hardness_beyond_the_limit_leaves_inside_it(value: float, enter: bool | None) -> None:
    kept = Kept(Hygiene(), MineralFacts(hardness=Measured(value, NOON)))
    said = found(100.0, kept).get(AlertKind.LIMIT_PASSED)
    assert (None if said is None else said[1]) == enter


def test_a_low_ph_is_told_with_the_usual_caution() -> None:
    estimate = an_estimate(300.0, 8.0, NOON)
    (one,) = upkeep(PLANT, a_sump(fluid=a_fluid()), estimate, None, Kept(Hygiene(ph=8.2, ph_s=NOON)), NOON)
    assert (one.subject, one.priority, one.enter) == ("ph", Priority.MEDIUM, True)
    assert "safety data sheet" in one.text


def removal(litres: float) -> Entry:
    return Entry("r-1", "lathe-04", EntryKind.REMOVAL, NOON, NOON, litres, who="Ana")


def test_a_sump_emptied_for_cleaning_calls_nobody_until_it_is_filled_or_forgotten() -> None:
    state = emptied(SUMP, removal(300.0), None)
    assert state == (NOON, "Ana")
    assert emptied(SUMP, removal(100.0), None) is None
    assert emptied(SUMP, Entry("t-1", "lathe-04", EntryKind.TOP_UP, NOON, NOON, 300.0, 8.0), state) is None
    empty = {"lathe-04": an_estimate(20.0, 8.0, NOON + HOUR)}
    assert suppressed(PLANT, empty, {"lathe-04": state}, NOON + HOUR) == {
        "lathe-04": "emptied for cleaning by Ana, Mon 12:00"
    }
    assert not suppressed(PLANT, {"lathe-04": an_estimate(200.0, 8.0)}, {"lathe-04": state}, NOON + HOUR)
    assert not suppressed(PLANT, empty, {"lathe-04": state}, NOON + EMPTY_STANDS_S + 1)


def test_a_machine_that_is_shut_down_is_suppressed_by_design_and_comes_back() -> None:
    day = 741442  # 2031-01-01 as an ordinal
    closure = Closure(day, day + 365, "overhaul", ("lathe-04",))
    plant = replace(PLANT, alerting=Alerting(closures=(closure,)))
    out = suppressed(plant, {}, {}, NOON)
    assert out == {"lathe-04": "the machine is shut down (overhaul)"}
    low = next(iter(upkeep(PLANT, SUMP, an_estimate(230.0, 8.0, NOON), _near(), Kept(Hygiene()), NOON)))
    living, moves = step({}, [low], {}, NOON)
    assert [move.after for move in moves] == [AlertState.UNACKNOWLEDGED]
    living, moves = step(living, [low], {}, NOON + 900.0, suppressed=out)
    assert [(move.after, move.reason) for move in moves] == [(AlertState.SUPPRESSED_BY_DESIGN, out["lathe-04"])]
    assert not step({}, [low], {}, NOON, suppressed=out)[1]
    _, moves = step(living, [low], {}, NOON + 1800.0)
    assert [move.after for move in moves] == [AlertState.UNACKNOWLEDGED]


def _near() -> Forecast:
    return replace(a_forecast(an_estimate(230.0, 8.0, NOON)), exit_p50_h=1.0, side=Side.LOW)
