"""The report on alerts: acknowledged, stale, flapping, false, missed."""

from __future__ import annotations

from dataclasses import replace

from alerts.conditions import Condition
from alerts.hygiene import Hygiene, Of, judge, say_hygiene
from alerts.lifecycle import acknowledge, step
from alerts.types import Alert, AlertKind, AlertState, Priority, Transition
from monitor.model.types import Side
from tests.unit.alerts.hall import DAY, HOUR, MONDAY, TWO_SHIFT

LEAVES = Condition(
    "lathe-04", AlertKind.LEAVES_BAND_UNATTENDED, "", Side.RICH, Priority.LOW, "It goes rich.", 10.0, enter=True
)
OUTSIDE = replace(LEAVES, kind=AlertKind.OUTSIDE_BAND, text="It is rich.", exit_p50_h=0.0)


class Life:
    """Steps of the life-cycle, and all that moved."""

    def __init__(self) -> None:
        self.living: dict[str, Alert] = {}
        self.moves: list[Transition] = []

    def at(self, time_s: float, *conditions: Condition) -> None:
        self.living, moves = step(self.living, conditions, {}, time_s)
        self.moves += moves

    def acknowledge(self, time_s: float) -> None:
        for name, alert in list(self.living.items()):
            if alert.state is AlertState.UNACKNOWLEDGED:
                self.living[name], move = acknowledge(alert, "ana", time_s)
                self.moves += [move] if move is not None else []

    def report(self, touched: tuple[float, ...] = (), days: float = 7.0) -> Hygiene:
        span = (MONDAY, MONDAY + days * DAY)
        return judge(self.moves, {"lathe-04": touched}, {"ana": 10}, 5, TWO_SHIFT.covers, span)


def called_and_gone(hours: float = 1.0) -> Life:
    """Let a call come on Monday at 20:00, stand for some hours, and go."""
    life = Life()
    for quarter in range(80, int(80 + 4 * hours)):
        life.at(MONDAY + 0.25 * HOUR * quarter, LEAVES)
    for quarter in range(int(80 + 4 * hours), int(100 + 4 * hours)):
        life.at(MONDAY + 0.25 * HOUR * quarter)
    return life


def test_a_call_after_which_nothing_happened_is_false() -> None:
    assert called_and_gone().report().sumps == {"lathe-04": Of(raised=1, false=1)}


def test_a_call_that_was_acted_on_or_came_true_is_not() -> None:
    assert called_and_gone().report((MONDAY + 21 * HOUR,)).sumps["lathe-04"].false == 0
    life = Life()
    life.at(MONDAY + 20 * HOUR, LEAVES)
    life.at(MONDAY + 30 * HOUR, OUTSIDE)
    assert life.report().sumps["lathe-04"] == Of(raised=2, stale=1)


def test_a_call_for_the_weekend_may_come_true_after_more_than_a_day() -> None:
    life = Life()
    life.at(MONDAY + 18 * HOUR, LEAVES)
    life.at(MONDAY + 74 * HOUR, OUTSIDE)
    of = life.report().sumps["lathe-04"]
    assert (of.false, of.missed) == (0, 0)
    late = called_and_gone(hours=60.0)
    assert late.report().sumps["lathe-04"].false == 1
    assert late.report((MONDAY + 70 * HOUR,)).sumps["lathe-04"].false == 0


def test_a_call_that_had_ended_before_the_sump_left_does_not_count_as_said() -> None:
    life = called_and_gone()
    life.at(MONDAY + 29 * HOUR, OUTSIDE)
    of = life.report().sumps["lathe-04"]
    assert (of.false, of.missed) == (1, 1)


def test_leaving_the_band_at_night_without_a_call_is_missed_and_by_day_is_not() -> None:
    for hour, missed in ((26.0, 1), (36.0, 0)):
        life = Life()
        life.at(MONDAY + hour * HOUR, OUTSIDE)
        assert life.report().sumps["lathe-04"].missed == missed


def test_what_stands_for_over_a_day_is_stale_and_acknowledged_counts() -> None:
    life = Life()
    life.at(MONDAY + HOUR, OUTSIDE)
    life.acknowledge(MONDAY + 2 * HOUR)
    report = life.report()
    assert (report.raised, report.acknowledged, report.acknowledged_share, report.stale) == (1, 1, 1.0, 1)
    assert life.report(days=1.0).stale == 0


def test_three_times_in_a_day_is_flapping() -> None:
    life = Life()
    for hour in range(9):
        life.at(MONDAY + hour * HOUR, *([OUTSIDE] if hour % 3 == 0 else []))
    assert life.report().sumps["lathe-04"].flapping == 1


def test_the_text_and_the_json_say_the_same() -> None:
    report = called_and_gone().report()
    said = say_hygiene(report, "Ferry Lane works")
    assert "raised 1, acknowledged 0 (0 %), standing over 24 h 0" in said
    assert "false calls 1, missed 0, flapping 0" in said
    assert "by priority: high 0, medium 0, low 1" in said
    assert "ana: 10 messages, 2.0 a shift" in said
    assert report.as_json()["people"] == {"ana": {"messages": 10, "a_shift": 2.0}}
    assert report.as_json()["sumps"]["lathe-04"]["false"] == 1
    empty = judge([], {}, {}, 0, TWO_SHIFT.covers, (0.0, 1.0))
    assert empty.acknowledged_share is None
