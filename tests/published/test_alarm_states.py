"""An alert's life against the whole state table of ISA-18.2 (2016) / IEC 62682 (2014), and a trace of OPC UA Part 9.

States, with the standard's letters: A normal, B unacknowledged, C acknowledged, D returned to normal unacknowledged,
E latched unacknowledged, F latched acknowledged, G shelved, H suppressed by design, I out of service. The transitions
are the standard's state diagram as open alarm libraries document it (those from A, B and C seen; those from D, G, H and
I, the latched states and the letters from memory).

Where we are narrower than the diagram:

- *E, F*: no condition of ours has to be reset by hand once it is gone, so nothing latches.
- *A to G, H, I*: there is an alert only while something is wrong. A sump that is out of use raises nothing (A to H);
  before there is an alert there is nothing to shelve or to take out of service.
- *D to A by itself*: an alert that nobody acknowledged and that stays away is closed after two hours.
- *G, H, I to B*: what was acknowledged before it was set aside comes back unacknowledged, for another shift reads it.

Trace: OPC 10000-9 (Part 9, v1.05) annex B.1.2, table B.1, seen; its rows about confirmation, which we do not ask for
(optional there), are left out, and `Retain` is compared where nothing waits to be confirmed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

import pytest

from alerts.conditions import Condition
from alerts.lifecycle import (
    LINGER_S,
    OFF_DELAY_S,
    AlertStateError,
    acknowledge,
    return_to_service,
    shelve,
    step,
    take_out_of_service,
    unshelve,
)
from alerts.types import Alert, AlertKind, AlertState, Priority, Transition
from monitor.model.types import Side

NOW = 1930327200.0  # 2031-03-03T18:00:00+00:00
RICH = Condition(
    "lathe-04", AlertKind.OUTSIDE_BAND, "", Side.RICH, Priority.MEDIUM, "lathe-04 is rich.", 0.0, enter=True
)
OUT_OF_USE = {"lathe-04": "emptied for cleaning"}
SHELF_S = 3 * 86400.0

NORMAL, UNACK, ACKED = AlertState.NORMAL, AlertState.UNACKNOWLEDGED, AlertState.ACKNOWLEDGED
RTN_UNACK, SHELVED = AlertState.RETURNED_UNACKNOWLEDGED, AlertState.SHELVED
DESIGN, SERVICE = AlertState.SUPPRESSED_BY_DESIGN, AlertState.OUT_OF_SERVICE

Moved = tuple[dict[str, Alert], tuple[Transition, ...]]
Move = Callable[[Alert, float], Moved]


class Answer(Enum):
    """What there is instead of a transition."""

    NOTHING = "nothing happens"
    REFUSED = "it is refused, with a reason"


NOTHING, REFUSED = Answer.NOTHING, Answer.REFUSED


def _use(alert: Alert) -> dict[str, str]:
    return OUT_OF_USE if alert.state is DESIGN else {}


def _as_it_is(alert: Alert) -> list[Condition]:
    return [] if alert.absent_s is not None else [RICH]


def _one(alert: Alert, transition: Transition | None) -> Moved:
    return {alert.id: alert}, () if transition is None else (transition,)


def stands(alert: Alert, now: float) -> Moved:
    return step({alert.id: alert}, [RICH], {}, now, suppressed=_use(alert))


def goes_away(alert: Alert, now: float) -> Moved:
    missed, first = step({alert.id: alert}, [], {}, now, suppressed=_use(alert))
    gone, last = step(missed, [], {}, now + OFF_DELAY_S, suppressed=_use(alert))
    return gone, first + last


def is_acknowledged(alert: Alert, now: float) -> Moved:
    return _one(*acknowledge(alert, "night shift", now))


def is_shelved(alert: Alert, now: float) -> Moved:
    return _one(*shelve(alert, now + SHELF_S, "waiting for concentrate", "night shift", now))


def is_taken_off_the_shelf(alert: Alert, now: float) -> Moved:
    return _one(*unshelve(alert, "night shift", now))


def shelf_time_is_over(alert: Alert, now: float) -> Moved:
    at = max(now, alert.shelved_until_s or now)
    return step({alert.id: alert}, _as_it_is(alert), {}, at, suppressed=_use(alert))


def sump_out_of_use(alert: Alert, now: float) -> Moved:
    return step({alert.id: alert}, _as_it_is(alert), {}, now, suppressed=OUT_OF_USE)


def sump_in_use(alert: Alert, now: float) -> Moved:
    return step({alert.id: alert}, _as_it_is(alert), {}, now)


def is_taken_out_of_service(alert: Alert, now: float) -> Moved:
    return _one(*take_out_of_service(alert, "gauge being replaced", "night shift", now))


def is_returned_to_service(alert: Alert, now: float) -> Moved:
    return _one(*return_to_service(alert, "night shift", now))


STATES: dict[str, tuple[tuple[Move, ...], AlertState]] = {
    "B": ((), UNACK),
    "C": ((is_acknowledged,), ACKED),
    "D": ((goes_away,), RTN_UNACK),
    "G in alarm": ((is_shelved,), SHELVED),
    "G normal": ((is_shelved, goes_away), SHELVED),
    "H in alarm": ((sump_out_of_use,), DESIGN),
    "H normal": ((sump_out_of_use, goes_away), DESIGN),
    "I in alarm": ((is_taken_out_of_service,), SERVICE),
    "I normal": ((is_taken_out_of_service, goes_away), SERVICE),
}
"""How each state is reached from a raised alert; set aside, it may stand or not, and comes back accordingly."""
ACKNOWLEDGING: dict[str, AlertState | Answer] = {"B": ACKED, "C": NOTHING, "D": NORMAL}
SETTING_ASIDE = {"B", "C", "D"}
TABLE: dict[Move, dict[str, AlertState | Answer]] = {
    stands: dict.fromkeys(STATES, NOTHING) | {"D": UNACK},
    goes_away: dict.fromkeys(STATES, NOTHING) | {"B": RTN_UNACK, "C": NORMAL},
    is_acknowledged: {name: ACKNOWLEDGING.get(name, REFUSED) for name in STATES},
    is_shelved: {name: SHELVED if name in SETTING_ASIDE or name.startswith("G") else REFUSED for name in STATES},
    is_taken_off_the_shelf: dict.fromkeys(STATES, REFUSED) | {"G in alarm": UNACK, "G normal": NORMAL},
    shelf_time_is_over: dict.fromkeys(STATES, NOTHING) | {"G in alarm": UNACK, "G normal": NORMAL},
    sump_out_of_use: {name: DESIGN if name in SETTING_ASIDE else NOTHING for name in STATES},
    sump_in_use: dict.fromkeys(STATES, NOTHING) | {"H in alarm": UNACK, "H normal": NORMAL},
    is_taken_out_of_service: {name: REFUSED if name.startswith("I") else SERVICE for name in STATES},
    is_returned_to_service: dict.fromkeys(STATES, REFUSED) | {"I in alarm": UNACK, "I normal": NORMAL},
}
"""Where each event leads from each state."""
CELLS = [(event, name) for event, row in TABLE.items() for name in row]


def reach(*moves: Move) -> tuple[Alert, float]:
    """Raise an alert and lead it through the moves, two hours apart; return it and the next moment."""
    alerts, _ = step({}, [RICH], {}, NOW)
    (alert,) = alerts.values()
    now = NOW
    for move in moves:
        now += 7200.0
        (alert,) = move(alert, now)[0].values()
        now += OFF_DELAY_S
    return alert, now + 60.0


def test_the_table_has_every_state_and_every_event_once() -> None:
    assert {state for _, state in STATES.values()} | {NORMAL} == set(AlertState)
    assert len(CELLS) == 10 * 9
    assert all(row.keys() == STATES.keys() for row in TABLE.values())


@pytest.mark.parametrize(("event", "name"), CELLS, ids=[f"{name}, {event.__name__}" for event, name in CELLS])
def test_cell_of_the_table(event: Move, name: str) -> None:
    path, before = STATES[name]
    alert, now = reach(*path)
    assert alert.state is before
    assert (alert.absent_s is None) is (name in {"B", "C"} or name.endswith("in alarm"))
    leads_to = TABLE[event][name]
    if leads_to is REFUSED:
        with pytest.raises(AlertStateError, match="lathe-04-outside-band"):
            event(alert, now)
        return
    living, transitions = event(alert, now)
    if leads_to is NOTHING:
        assert transitions == ()
        assert living[alert.id].state is before
        return
    (transition,) = transitions
    assert (transition.before, transition.after) == (before, leads_to)
    assert transition.reason
    assert transition.alert_id == alert.id
    assert transition.alert.state is leads_to
    assert (alert.id in living and living[alert.id].state is not NORMAL) is (leads_to is not NORMAL)


def test_from_normal_an_alert_is_raised_and_never_twice() -> None:
    living, transitions = step({}, [RICH], {}, NOW)
    assert [(t.before, t.after) for t in transitions] == [(NORMAL, UNACK)]
    assert step(living, [RICH], {}, NOW + 300.0)[1] == ()


def test_from_normal_a_sump_out_of_use_raises_nothing() -> None:
    assert step({}, [RICH], {}, NOW, suppressed=OUT_OF_USE) == ({}, ())


def test_what_nobody_acknowledged_and_stays_away_is_closed_by_itself() -> None:
    alert, now = reach(goes_away)
    living, transitions = step({alert.id: alert}, [], {}, now + LINGER_S)
    assert [(t.before, t.after) for t in transitions] == [(RTN_UNACK, NORMAL)]
    assert living == {}


@pytest.mark.parametrize("condition", [[RICH], []])
def test_a_shelf_whose_time_ends_while_the_sump_is_out_of_use_calls_nobody(condition: list[Condition]) -> None:
    """G to H directly, not by way of B: that would call somebody to a machine that stands still by design."""
    alert, now = reach(is_shelved)
    _, transitions = step({alert.id: alert}, condition, {}, now + SHELF_S, suppressed=OUT_OF_USE)
    assert [(t.before, t.after) for t in transitions] == [(SHELVED, DESIGN if condition else NORMAL)]


@pytest.mark.parametrize("name", ["H in alarm", "H normal", "I in alarm", "I normal"])
def test_suppressed_and_out_of_service_stay_silent_for_as_long_as_they_last(name: str) -> None:
    alert, now = reach(*STATES[name][0])
    for days in range(1, 30):
        living, transitions = step({alert.id: alert}, [RICH], {}, now + days * 86400.0, suppressed=_use(alert))
        assert transitions == ()
        assert living[alert.id].state is alert.state
        alert = living[alert.id]


@pytest.mark.parametrize("aside", [is_shelved, is_taken_out_of_service])
def test_who_set_it_aside_since_when_and_why_is_kept_until_it_is_back(aside: Move) -> None:
    alert, now = reach(aside)
    assert (alert.aside_by, bool(alert.shelved_reason), alert.aside_s is not None) == ("night shift", True, True)
    back = is_taken_off_the_shelf if alert.state is SHELVED else is_returned_to_service
    (moved,) = back(alert, now)[0].values()
    assert (moved.aside_by, moved.shelved_reason, moved.aside_s, moved.shelved_until_s) == ("", "", None, None)


# OPC UA Part 9


@dataclass(frozen=True)
class Reported:
    """A row of table B.1: what happens, and the values of the state variables after it; Retain None: not compared."""

    event: str
    active: bool
    acked: bool
    retain: bool | None


TRACE = (
    Reported("active", active=True, acked=False, retain=True),
    Reported("acknowledged", active=True, acked=True, retain=True),
    Reported("inactive", active=False, acked=True, retain=None),
    Reported("active", active=True, acked=False, retain=True),
    Reported("inactive", active=False, acked=False, retain=True),
    Reported("acknowledged", active=False, acked=True, retain=None),
)
VARIABLES = {NORMAL: (False, True), UNACK: (True, False), ACKED: (True, True), RTN_UNACK: (False, False)}
"""Active and Acked of Part 9 for our states."""


def test_the_trace_of_a_condition_that_keeps_only_its_latest_state() -> None:
    living: dict[str, Alert] = {}
    now = NOW
    for reported in TRACE:
        now += 3 * 3600.0
        if reported.event == "active":
            living, transitions = step(living, [RICH], {}, now)
        else:
            (alert,) = living.values()
            event = goes_away if reported.event == "inactive" else is_acknowledged
            living, transitions = event(alert, now)
            living = {name: one for name, one in living.items() if one.state is not NORMAL}
        (transition,) = transitions
        assert VARIABLES[transition.after] == (reported.active, reported.acked)
        if reported.retain is not None:
            assert bool(living) is reported.retain
    assert living == {}


@pytest.mark.parametrize("name", STATES)
def test_what_is_set_aside_is_suppressed_or_shelved_and_nothing_else(name: str) -> None:
    """`SuppressedOrShelved` is true in the suppressed, the out-of-service and the shelved state (Part 9, 5.8.2)."""
    alert, _ = reach(*STATES[name][0])
    assert (alert.aside_s is not None) is (name[0] in "GHI")
