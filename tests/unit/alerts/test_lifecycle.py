"""The life-cycle's own rules: updates, delays, names, recipes, the shelf."""

from __future__ import annotations

from dataclasses import replace

import pytest

from alerts.conditions import Condition
from alerts.lifecycle import (
    LINGER_S,
    OFF_DELAY_S,
    AlertStateError,
    Raises,
    acknowledge,
    noted,
    shelve,
    step,
)
from alerts.recipes import make_recipe
from alerts.types import Alert, AlertKind, AlertState, Priority, Transition
from monitor.model.types import Side
from monitor.plant.people import Calling
from tests.unit.alerts.hall import a_forecast, a_plant, a_sump, an_estimate

NOW = 1930327200.0
LEAVES = Condition(
    "lathe-04",
    AlertKind.LEAVES_BAND_UNATTENDED,
    "",
    Side.RICH,
    Priority.LOW,
    "lathe-04 goes rich before somebody is back.",
    10.0,
    enter=True,
)
OUTSIDE = replace(LEAVES, kind=AlertKind.OUTSIDE_BAND, text="lathe-04 is rich.", exit_p50_h=0.0)
SILENT = replace(LEAVES, kind=AlertKind.SIGNAL_SILENT, subject="level", side=Side.NONE, exit_p50_h=None)
ESTIMATE = an_estimate(310.2, 13.1)
RECIPE = make_recipe(a_plant(), a_sump(), ESTIMATE, a_forecast(ESTIMATE), NOW)


def raised(condition: Condition = LEAVES) -> Alert:
    living, _ = step({}, [condition], {"lathe-04": RECIPE}, NOW)
    (alert,) = living.values()
    return alert


def test_ids_tell_sump_kind_subject_and_moment() -> None:
    assert raised().id == "lathe-04-leaves-band-unattended-1930327200"
    assert raised(SILENT).id == "lathe-04-signal-silent-level-1930327200"


def test_the_recipe_goes_with_alerts_about_the_fluid_and_not_with_those_about_signals() -> None:
    assert raised().recipe == RECIPE
    assert raised(SILENT).recipe is None


def test_a_condition_too_weak_to_enter_raises_nothing_and_keeps_what_is_open() -> None:
    weak = replace(LEAVES, enter=False)
    assert step({}, [weak], {}, NOW) == ({}, ())
    alert = raised()
    living, told = step({alert.id: alert}, [weak], {}, NOW + 6 * 3600.0)
    assert living[alert.id].state is AlertState.UNACKNOWLEDGED
    assert living[alert.id].absent_s is None
    assert all(transition.before is transition.after for transition in told)


def test_an_open_alert_is_brought_up_to_date_in_silence() -> None:
    alert = raised()
    newer = replace(LEAVES, text="lathe-04 goes rich a little later.", exit_p50_h=9.5)
    living, told = step({alert.id: alert}, [newer], {}, NOW + 900.0)
    assert told == ()
    assert living[alert.id].text == newer.text
    assert living[alert.id].exit_p50_h == 9.5
    assert living[alert.id].updated_s == NOW + 900.0
    assert living[alert.id].recipe == RECIPE


@pytest.mark.parametrize(
    ("change", "after_s", "reason"),
    [
        ({"priority": Priority.HIGH}, 60.0, "now of high priority"),
        ({"side": Side.LOW, "exit_p50_h": 8.9}, 4000.0, "what to do has changed"),
        ({"exit_p50_h": 4.0}, 4000.0, "the likely exit has moved"),
        ({"exit_p50_h": None}, 4000.0, "the likely exit has moved"),
        ({"exit_p50_h": 4.0}, 1800.0, None),  # not more than once an hour
        ({"priority": Priority.LOW, "exit_p50_h": 8.0}, 4000.0, None),  # moved by less than an hour
    ],
)
def test_only_what_changes_the_work_is_announced(change: dict[str, object], after_s: float, reason: str | None) -> None:
    alert = raised()
    newer = replace(LEAVES, **change)  # type: ignore[arg-type]
    _, told = step({alert.id: alert}, [newer], {}, NOW + after_s)
    assert [transition.reason for transition in told] == ([] if reason is None else [reason])
    _, again = step({alert.id: told[0].alert} if told else {}, [newer] if told else [], {}, NOW + after_s + 1.0)
    assert again == ()


def test_an_alert_clears_only_after_its_condition_has_been_away_for_a_while() -> None:
    alert = raised()
    living, told = step({alert.id: alert}, [], {}, NOW + 60.0)
    assert told == ()
    living, told = step(living, [], {}, NOW + 60.0 + OFF_DELAY_S - 1.0)
    assert told == ()
    living, (cleared,) = step(living, [], {}, NOW + 60.0 + OFF_DELAY_S)
    assert cleared.after is AlertState.RETURNED_UNACKNOWLEDGED
    assert cleared.alert.cleared_s == NOW + 60.0 + OFF_DELAY_S


def test_leaving_the_band_ends_the_warning_at_once() -> None:
    alert = raised()
    living, told = step({alert.id: alert}, [OUTSIDE], {}, NOW + 7200.0)
    assert [(t.alert.kind, t.after) for t in told] == [
        (AlertKind.LEAVES_BAND_UNATTENDED, AlertState.NORMAL),
        (AlertKind.OUTSIDE_BAND, AlertState.UNACKNOWLEDGED),
    ]
    assert told[0].reason == "it has left its band"
    assert [a.kind for a in living.values()] == [AlertKind.OUTSIDE_BAND]


class Life:
    """One alert's course: `raises` is kept as the pipeline keeps it."""

    def __init__(self) -> None:
        self.living: dict[str, Alert] = {}
        self.raises: Raises = {}
        self.told: list[Transition] = []

    def step(self, now_s: float, *conditions: Condition, touched: tuple[str, ...] = ()) -> list[Transition]:
        self.living, told = step(self.living, conditions, {}, now_s, raises=self.raises)
        self.raises = noted(self.raises, told, touched, now_s)
        self.told += told
        return list(told)

    def come_and_go(self, now_s: float, condition: Condition = SILENT) -> float:
        """Let it come, go, and clear; return when."""
        self.step(now_s, condition)
        self.step(now_s + 300.0)
        for hour in (1, 2, 3):
            self.step(now_s + 300.0 + 3600.0 * hour)
            if not self.living or next(iter(self.living.values())).cleared_s is not None:
                break
        return now_s + 300.0 + 3600.0 * hour

    def calls(self) -> list[Transition]:
        quiet = (AlertState.NORMAL, AlertState.RETURNED_UNACKNOWLEDGED)
        return [t for t in self.told if t.after is AlertState.UNACKNOWLEDGED and t.before in quiet]


def test_one_that_comes_for_the_third_time_in_a_day_is_held_and_says_so_once() -> None:
    life = Life()
    now = life.come_and_go(NOW)
    now = life.come_and_go(now + 900.0)
    assert len(life.calls()) == 2
    assert not any(call.alert.flapping for call in life.calls())
    (third,) = life.step(now + 900.0, SILENT)
    assert third.alert.flapping
    assert third.alert.text.endswith(
        "It came 3 times within a day and is held now: it calls again only after 6 h of quiet."
    )
    began = now = now + 900.0
    while now < began + 60 * 3600.0:  # five hours of quiet, a quarter of an hour of trouble, and so on
        now += 5 * 3600.0
        assert life.step(now) == []
        assert life.step(now + 900.0, SILENT) == []
    (alert,) = life.living.values()
    assert (alert.state, alert.flapping) == (AlertState.UNACKNOWLEDGED, True)
    assert len(life.calls()) == 3
    life.step(now + 1800.0)
    assert life.step(now + 1800.0 + 6 * 3600.0 - 60.0) == []
    (cleared,) = life.step(now + 1800.0 + 6 * 3600.0)
    assert cleared.after is AlertState.RETURNED_UNACKNOWLEDGED


def test_acknowledged_and_closed_in_between_it_still_counts_as_the_same_coming_and_going() -> None:
    life, now = Life(), NOW
    for _ in range(2):
        life.step(now, SILENT)
        (name,) = life.living
        life.living[name] = acknowledge(life.living[name], "Rosa", now + 60.0)[0]
        life.step(now + 300.0)
        life.step(now + 300.0 + 3 * 3600.0)
        assert life.living == {}
        now += 4 * 3600.0
    assert life.step(now, SILENT)[0].alert.flapping


def test_the_second_time_it_has_to_be_away_for_longer() -> None:
    life = Life()
    now = life.come_and_go(NOW) + 900.0
    life.step(now, SILENT)
    life.step(now + 60.0)
    assert life.step(now + 60.0 + 4 * OFF_DELAY_S - 1.0) == []
    assert len(life.step(now + 60.0 + 4 * OFF_DELAY_S)) == 1


def test_what_comes_again_after_somebody_filled_the_sump_does_not_flap() -> None:
    life, now = Life(), NOW
    for _ in range(4):
        now = life.come_and_go(now, OUTSIDE) + 900.0
        life.step(now, touched=("lathe-04",))
    assert len(life.calls()) == 4
    assert not any(call.alert.flapping for call in life.calls())
    assert [key for key in life.raises if key[1] is AlertKind.OUTSIDE_BAND] == []


def test_once_it_has_stood_for_a_day_it_is_no_longer_held() -> None:
    life = Life()
    now = life.come_and_go(life.come_and_go(NOW) + 900.0) + 900.0
    life.step(now, SILENT)
    for hour in range(1, 26):
        life.step(now + 3600.0 * hour, SILENT)
    (alert,) = life.living.values()
    assert not alert.flapping
    assert "held" not in alert.text


def test_one_that_stays_away_is_closed_and_the_next_is_a_new_one() -> None:
    alert = raised()
    living, _ = step({alert.id: alert}, [], {}, NOW + 60.0)
    living, _ = step(living, [], {}, NOW + 60.0 + OFF_DELAY_S)
    living, (closed,) = step(living, [], {}, NOW + 60.0 + OFF_DELAY_S + LINGER_S)
    assert (living, closed.after) == ({}, AlertState.NORMAL)
    assert closed.alert.cleared_s == NOW + 60.0 + OFF_DELAY_S
    living, (again,) = step(living, [LEAVES], {}, NOW + 86400.0)
    assert again.alert_id != alert.id


def test_who_acknowledged_and_when_is_kept_and_a_second_time_changes_nothing() -> None:
    alert, transition = acknowledge(raised(), "Rosa", NOW + 60.0)
    assert transition is not None
    assert (alert.acknowledged_by, alert.acknowledged_s) == ("Rosa", NOW + 60.0)
    assert acknowledge(alert, "Nuno", NOW + 120.0) == (alert, None)


@pytest.mark.parametrize(
    ("until_s", "reason", "message"),
    [
        (NOW + 3600.0, "  ", "say why"),
        (NOW, "no concentrate", "has to lie ahead"),
        (NOW + 8 * 86400.0, "no concentrate", "by a week at most"),
    ],
)
def test_the_shelf_wants_a_reason_and_an_end(until_s: float, reason: str, message: str) -> None:
    with pytest.raises(AlertStateError, match=message):
        shelve(raised(), until_s, reason, "Rosa", NOW)


def test_a_shelved_alert_is_updated_in_silence() -> None:
    shelved, _ = shelve(raised(), NOW + 7200.0, "no concentrate", "Rosa", NOW + 1.0)
    living, told = step({shelved.id: shelved}, [replace(LEAVES, priority=Priority.HIGH)], {}, NOW + 3600.0)
    assert told == ()
    assert living[shelved.id].priority is Priority.HIGH
    _, (back,) = step(living, [LEAVES], {}, NOW + 7200.0)
    assert back.after is AlertState.UNACKNOWLEDGED
    assert back.reason == "the shelf's time is over"


def test_a_sump_that_is_outside_is_not_said_to_leave() -> None:
    alert = raised(OUTSIDE)
    living, told = step({alert.id: alert}, [replace(OUTSIDE, enter=False), LEAVES], {}, NOW + 7200.0)
    assert told == ()
    assert [a.kind for a in living.values()] == [AlertKind.OUTSIDE_BAND]


def test_the_plant_file_says_for_how_long_a_condition_has_to_be_away() -> None:
    calling = Calling(off_delay_s=300.0)
    alert = raised()
    living, _ = step({alert.id: alert}, [], {}, NOW + 60.0, calling=calling)
    assert step(living, [], {}, NOW + 60.0 + 299.0, calling=calling)[1] == ()
    assert len(step(living, [], {}, NOW + 60.0 + 300.0, calling=calling)[1]) == 1
