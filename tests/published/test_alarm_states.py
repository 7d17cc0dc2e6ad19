"""The life of an alert against the alarm state transitions of ISA-18.2 (2016) / IEC 62682 (2014).

The transition list is the standards' state diagram as documented by open alarm-server libraries (normal,
unacknowledged, acknowledged, return-to-normal unacknowledged, shelved, suppressed by design, out of service); the
letters are the standard's, from memory.
"""

from __future__ import annotations

from collections.abc import Callable

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

NORMAL, UNACK, ACKED = AlertState.NORMAL, AlertState.UNACKNOWLEDGED, AlertState.ACKNOWLEDGED
RTN_UNACK, SHELVED = AlertState.RETURNED_UNACKNOWLEDGED, AlertState.SHELVED
DESIGN, SERVICE = AlertState.SUPPRESSED_BY_DESIGN, AlertState.OUT_OF_SERVICE

Move = Callable[[Alert, float], tuple[dict[str, Alert], tuple[Transition, ...]]]


def stands(alert: Alert, now: float) -> tuple[dict[str, Alert], tuple[Transition, ...]]:
    return step({alert.id: alert}, [RICH], {}, now)


def goes_away(alert: Alert, now: float) -> tuple[dict[str, Alert], tuple[Transition, ...]]:
    missed, first = step({alert.id: alert}, [], {}, now)
    gone, last = step(missed, [], {}, now + OFF_DELAY_S)
    return gone, first + last


def stays_away(alert: Alert, now: float) -> tuple[dict[str, Alert], tuple[Transition, ...]]:
    return step({alert.id: alert}, [], {}, now + LINGER_S + 1.0)


def sump_out_of_use(alert: Alert, now: float) -> tuple[dict[str, Alert], tuple[Transition, ...]]:
    return step({alert.id: alert}, [RICH], {}, now, suppressed={"lathe-04": "emptied for cleaning"})


def is_acknowledged(alert: Alert, now: float) -> tuple[dict[str, Alert], tuple[Transition, ...]]:
    return _one(*acknowledge(alert, "night shift", now))


def is_shelved(alert: Alert, now: float) -> tuple[dict[str, Alert], tuple[Transition, ...]]:
    return _one(*shelve(alert, now + 1200.0, "waiting for concentrate", "night shift", now))


def is_taken_off_the_shelf(alert: Alert, now: float) -> tuple[dict[str, Alert], tuple[Transition, ...]]:
    return _one(*unshelve(alert, "night shift", now))


def is_taken_out_of_service(alert: Alert, now: float) -> tuple[dict[str, Alert], tuple[Transition, ...]]:
    return _one(*take_out_of_service(alert, "gauge being replaced", "night shift", now))


def is_returned_to_service(alert: Alert, now: float) -> tuple[dict[str, Alert], tuple[Transition, ...]]:
    return _one(*return_to_service(alert, "night shift", now))


def _one(alert: Alert, transition: Transition | None) -> tuple[dict[str, Alert], tuple[Transition, ...]]:
    return {alert.id: alert}, () if transition is None else (transition,)


def reach(*moves: Move) -> tuple[Alert, float]:
    """Raise an alert and lead it through the moves, an hour apart."""
    alerts, _ = step({}, [RICH], {}, NOW)
    (alert,) = alerts.values()
    now = NOW
    for move in moves:
        now += 7200.0
        (alert,) = move(alert, now)[0].values()
        now += OFF_DELAY_S
    return alert, now + 60.0


@pytest.mark.parametrize(
    ("path", "move", "before", "after"),
    [
        ((), is_acknowledged, UNACK, ACKED),  # B -> C acknowledge
        ((is_acknowledged,), goes_away, ACKED, NORMAL),  # C -> A process returns to normal
        ((), goes_away, UNACK, RTN_UNACK),  # B -> D process returns to normal
        ((goes_away,), is_acknowledged, RTN_UNACK, NORMAL),  # D -> A acknowledge
        ((goes_away,), stands, RTN_UNACK, UNACK),  # D -> B re-alarm
        ((goes_away,), stays_away, RTN_UNACK, NORMAL),  # our reset of an unacknowledged alert that stays away
        ((), is_shelved, UNACK, SHELVED),  # any -> G shelve
        ((is_acknowledged,), is_shelved, ACKED, SHELVED),
        ((goes_away,), is_shelved, RTN_UNACK, SHELVED),
        ((is_shelved,), stands, SHELVED, UNACK),  # G -> B the shelf's time is over, in alarm
        ((is_shelved,), goes_away, SHELVED, NORMAL),  # G -> A the shelf's time is over, normal
        ((is_shelved,), is_taken_off_the_shelf, SHELVED, UNACK),  # G -> B un-shelve
        ((), sump_out_of_use, UNACK, DESIGN),  # any -> H designed suppression
        ((is_acknowledged,), sump_out_of_use, ACKED, DESIGN),
        ((sump_out_of_use,), stands, DESIGN, UNACK),  # H -> B unsuppressed, in alarm
        ((), is_taken_out_of_service, UNACK, SERVICE),  # any -> I remove from service
        ((is_shelved,), is_taken_out_of_service, SHELVED, SERVICE),
        ((is_taken_out_of_service,), is_returned_to_service, SERVICE, UNACK),  # I -> B return to service, in alarm
    ],
)
def test_transition(path: tuple[Move, ...], move: Move, before: AlertState, after: AlertState) -> None:
    alert, now = reach(*path)
    assert alert.state is before
    living, transitions = move(alert, now)
    assert [(t.before, t.after) for t in transitions] == [(before, after)]
    (transition,) = transitions
    assert transition.reason
    assert transition.alert_id == alert.id
    assert transition.alert.state is after
    assert (alert.id in living and living[alert.id].state is not NORMAL) is (after is not NORMAL)


def test_normal_to_unacknowledged_and_never_twice() -> None:
    living, transitions = step({}, [RICH], {}, NOW)
    assert [(t.before, t.after) for t in transitions] == [(NORMAL, UNACK)]
    assert step(living, [RICH], {}, NOW + 300.0)[1] == ()


@pytest.mark.parametrize(
    ("path", "move"),
    [
        ((is_shelved,), is_acknowledged),
        ((sump_out_of_use,), is_acknowledged),
        ((is_taken_out_of_service,), is_shelved),
        ((), is_taken_off_the_shelf),
        ((), is_returned_to_service),
        ((is_taken_out_of_service,), is_taken_out_of_service),
    ],
)
def test_what_the_standard_has_no_transition_for_is_refused(path: tuple[Move, ...], move: Move) -> None:
    alert, now = reach(*path)
    with pytest.raises(AlertStateError, match="lathe-04-outside-band"):
        move(alert, now)


def test_suppressed_and_out_of_service_stay_silent_while_they_last() -> None:
    for path in ((sump_out_of_use,), (is_taken_out_of_service,)):
        alert, now = reach(*path)
        keep = {"lathe-04": "emptied for cleaning"} if path == (sump_out_of_use,) else {}
        living, transitions = step({alert.id: alert}, [RICH], {}, now + 86400.0, suppressed=keep)
        assert transitions == ()
        assert living[alert.id].state is alert.state


def test_a_sump_out_of_use_raises_nothing() -> None:
    assert step({}, [RICH], {}, NOW, suppressed={"lathe-04": "emptied for cleaning"}) == ({}, ())
