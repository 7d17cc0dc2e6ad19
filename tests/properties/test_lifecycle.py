"""Laws of an alert's life, over random courses of conditions, people and time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.codec import alert_from_json, alert_to_json, transition_from_json, transition_to_json
from alerts.conditions import Condition
from alerts.lifecycle import (
    OFF_DELAY_S,
    AlertStateError,
    acknowledge,
    return_to_service,
    shelve,
    step,
    take_out_of_service,
    unshelve,
)
from alerts.recipes import make_recipe
from alerts.types import Alert, AlertKind, AlertState, Priority, Recipe, Transition
from monitor.model.types import Side
from tests.unit.alerts.hall import a_forecast, a_plant, a_sump, an_estimate

NOW = 1930327200.0
SUMPS = ("lathe-04", "mill-02")
KINDS = (
    (AlertKind.OUTSIDE_BAND, ""),
    (AlertKind.LEAVES_BAND_UNATTENDED, ""),
    (AlertKind.SIGNAL_SILENT, "level"),
    (AlertKind.SIGNAL_SILENT, "refractometer"),
)
N, U, A, R = AlertState.NORMAL, AlertState.UNACKNOWLEDGED, AlertState.ACKNOWLEDGED, AlertState.RETURNED_UNACKNOWLEDGED
S, D, O = AlertState.SHELVED, AlertState.SUPPRESSED_BY_DESIGN, AlertState.OUT_OF_SERVICE  # noqa: E741
ALLOWED = {
    *((N, U), (U, A), (U, R), (U, N), (A, N), (R, U), (R, N)),
    *((U, U), (A, A), (S, S)),
    *((before, after) for before in (U, A, R) for after in (S, D, O)),
    *((S, U), (S, N), (S, O), (S, D), (D, U), (D, N), (D, O), (O, U), (O, N)),
}


@dataclass(frozen=True)
class Beat:
    """One thing that happens: time passes, conditions stand, somebody does something."""

    after_s: float
    standing: tuple[Condition, ...]
    act: str
    suppressed: bool


def a_condition(sump: str, kind: tuple[AlertKind, str], priority: Priority, exit_h: float, *, enter: bool) -> Condition:
    return Condition(sump, kind[0], kind[1], Side.RICH, priority, f"{sump} is rich.", exit_h, enter)


conditions = st.builds(
    a_condition,
    st.sampled_from(SUMPS),
    st.sampled_from(KINDS),
    st.sampled_from(tuple(Priority)),
    st.floats(0.0, 200.0),
    enter=st.booleans(),
)
beats = st.builds(
    Beat,
    st.sampled_from((60.0, 900.0, 3600.0, 6 * 3600.0, 30 * 3600.0)),
    st.lists(conditions, max_size=5, unique_by=lambda c: c.key).map(tuple),
    st.sampled_from(("", "", "", "acknowledge", "shelve", "unshelve", "out", "back")),
    st.booleans(),
)


def act(alert: Alert, what: str, now: float) -> tuple[Alert, Transition | None]:
    """Do what somebody does; what the state does not allow is refused and changes nothing."""
    deeds: dict[str, Callable[[], tuple[Alert, Transition | None]]] = {
        "acknowledge": lambda: acknowledge(alert, "Rosa", now),
        "shelve": lambda: shelve(alert, now + 5400.0, "no concentrate left", "Rosa", now),
        "unshelve": lambda: unshelve(alert, "Rosa", now),
        "out": lambda: take_out_of_service(alert, "gauge broken", "Rosa", now),
        "back": lambda: return_to_service(alert, "Rosa", now),
    }
    try:
        return deeds[what]()
    except AlertStateError:
        return alert, None


def play(course: list[Beat], recipes: dict[str, Recipe]) -> tuple[dict[str, Alert], list[Transition]]:
    living: dict[str, Alert] = {}
    told: list[Transition] = []
    now = NOW
    for beat in course:
        now += beat.after_s
        suppressed = {"mill-02": "stopped for the holidays"} if beat.suppressed else {}
        living, transitions = step(living, beat.standing, recipes, now, suppressed=suppressed)
        told += transitions
        if beat.act and living:
            name = min(living)
            moved, transition = act(living[name], beat.act, now + 1.0)
            told += [] if transition is None else [transition]
            living[name] = moved
            living = {name: alert for name, alert in living.items() if alert.state is not AlertState.NORMAL}
    return living, told


def a_recipe() -> Recipe:
    estimate = an_estimate(310.2, 13.1)
    sump = a_sump()
    return make_recipe(a_plant(sump), sump, estimate, a_forecast(estimate), estimate.time_s)


RECIPES = {"lathe-04": a_recipe(), "mill-02": replace(a_recipe(), sump="mill-02")}


@settings(max_examples=300, deadline=None)
@given(st.lists(beats, max_size=25))
def test_every_course_is_a_chain_of_allowed_transitions(course: list[Beat]) -> None:
    living, told = play(course, RECIPES)
    last: dict[str, AlertState] = {}
    for transition in told:
        assert (transition.before, transition.after) in ALLOWED
        assert transition.before is last.get(transition.alert_id, AlertState.NORMAL)
        assert transition.after is transition.alert.state
        last[transition.alert_id] = transition.after
    assert {name for name, state in last.items() if state is not AlertState.NORMAL} == set(living)
    assert len({transition.id for transition in told}) == len(told)


@settings(max_examples=200, deadline=None)
@given(st.lists(beats, max_size=25))
def test_there_is_one_alert_for_a_sump_kind_and_subject(course: list[Beat]) -> None:
    for length in range(len(course) + 1):
        living, _ = play(course[:length], RECIPES)
        keys = [alert.key for alert in living.values()]
        assert len(set(keys)) == len(keys)
        for name, alert in living.items():
            assert name == alert.id
            assert alert.is_open is (alert.cleared_s is None)


@settings(max_examples=200, deadline=None)
@given(st.lists(beats, max_size=20))
def test_closed_alerts_say_when_they_cleared(course: list[Beat]) -> None:
    _, told = play(course, RECIPES)
    for transition in told:
        alert = transition.alert
        if transition.after is AlertState.NORMAL:
            assert alert.cleared_s is not None
            assert alert.raised_s <= alert.cleared_s <= transition.time_s
        if transition.after in (AlertState.UNACKNOWLEDGED, AlertState.ACKNOWLEDGED):
            assert alert.cleared_s is None


@settings(max_examples=150, deadline=None)
@given(st.lists(beats, max_size=20))
def test_alerts_and_transitions_survive_the_record_exactly(course: list[Beat]) -> None:
    living, told = play(course, RECIPES)
    for alert in living.values():
        assert alert_from_json(alert_to_json(alert)) == alert
    for transition in told:
        assert transition_from_json(transition_to_json(transition)) == transition


@settings(max_examples=100, deadline=None)
@given(st.lists(beats, max_size=20), st.integers(0, 20))
def test_a_stop_in_between_changes_nothing(course: list[Beat], stop: int) -> None:
    """Writing the open alerts down, reading them back and going on gives what an uninterrupted run gives."""
    whole, _ = play(course, RECIPES)
    now, living = NOW, dict[str, Alert]()
    for position, beat in enumerate(course):
        if position == stop:
            living = {name: alert_from_json(alert_to_json(alert)) for name, alert in living.items()}
        now += beat.after_s
        suppressed = {"mill-02": "stopped for the holidays"} if beat.suppressed else {}
        living, _ = step(living, beat.standing, RECIPES, now, suppressed=suppressed)
        if beat.act and living:
            name = min(living)
            living[name] = act(living[name], beat.act, now + 1.0)[0]
            living = {name: alert for name, alert in living.items() if alert.state is not AlertState.NORMAL}
    assert living == whole


@given(st.lists(st.booleans(), min_size=2, max_size=60))
def test_a_condition_that_flickers_is_one_alert(flickers: list[bool]) -> None:
    """What comes and goes faster than the off-delay raises once and clears at most once."""
    strong = a_condition("lathe-04", KINDS[0], Priority.MEDIUM, 0.0, enter=True)
    living, told = step({}, [strong], RECIPES, NOW)
    raised = len(told)
    pause = 0
    for position, stands in enumerate(flickers, start=1):
        pause = 0 if stands or pause * 300.0 >= OFF_DELAY_S - 600.0 else pause + 1
        living, more = step(living, [strong] if pause == 0 else [], RECIPES, NOW + 300.0 * position)
        raised += sum(transition.before is AlertState.NORMAL for transition in more)
        assert not [transition for transition in more if transition.after is not transition.before]
    assert raised == 1
    assert len(living) == 1


@given(st.lists(st.sampled_from((0.0, 0.2, -0.3, 0.9)), max_size=40))
def test_small_moves_are_not_announced(moves: list[float]) -> None:
    """An exit that wanders by less than an hour updates the alert and tells nobody."""
    base = a_condition("lathe-04", KINDS[1], Priority.LOW, 10.0, enter=True)
    living, _ = step({}, [base], RECIPES, NOW)
    for position, move in enumerate(moves, start=1):
        now = NOW + 900.0 * position
        moved = replace(base, exit_p50_h=max((NOW + 36000.0 - now) / 3600.0, 0.0) + move)
        if moved.exit_p50_h is not None and now < NOW + 36000.0:
            living, told = step(living, [moved], RECIPES, now)
            assert told == ()
            (alert,) = living.values()
            assert alert.exit_p50_h == moved.exit_p50_h
