"""Troubles of the watch itself: raised after a delay, told by the routes, acknowledged, gone; also over a restart."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from alerts.lifecycle import OFF_DELAY_S, acknowledge
from alerts.types import Alert, AlertKind, AlertState, Priority, Transition
from monitor.health import ClockWatch
from monitor.own_alerts import ON_DELAY_S, OwnAlerts, Trouble
from tests.unit.post.office import Office, at

NOON = at("2031-03-04T12:00")
DISK = Trouble(AlertKind.OWN_FAULT, "disk", "only 20 MB are free beside bandkeeper.db", "make room on the disk")
DOWN = Trouble(AlertKind.SOURCE_DOWN, "Hall MQTT", "source hall-mqtt: refused", "see to the broker")


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    found = Office(tmp_path)
    yield found
    found.close()


def own(office: Office) -> OwnAlerts:
    return OwnAlerts(office.record, office.post.moved, office.record.reader().alerts(open_only=True))


def on_it(alert: Alert) -> tuple[Alert, Transition | None]:
    return acknowledge(alert, "ana", NOON + 900.0)


def test_a_trouble_that_passes_is_no_alert_and_one_that_stays_is(office: Office) -> None:
    watch = own(office)
    assert not watch.turn([DISK], NOON)
    assert not watch.turn([], NOON + 60.0)
    assert not watch.turn([DISK, DOWN], NOON + 120.0)
    assert not watch.turn([DISK], NOON + 120.0 + ON_DELAY_S - 1.0)
    (move,) = watch.turn([DISK], NOON + 120.0 + ON_DELAY_S)
    assert move.alert.text == "only 20 MB are free beside bandkeeper.db: make room on the disk."
    assert move.alert_id.startswith("own-fault-disk-")
    assert {person for person, _ in office.told()} == {"cleo", "log", "ana"}


def test_it_is_known_after_a_restart_acknowledged_and_goes(office: Office) -> None:
    first = own(office)
    first.turn([DOWN], NOON)
    (move,) = first.turn([DOWN], NOON + ON_DELAY_S)
    office.restart()
    watch = own(office)
    assert not watch.turn([DOWN], NOON + ON_DELAY_S + 60.0)
    assert watch.act("nothing", on_it) is None
    done = watch.act(move.alert_id, on_it)
    assert done is not None
    assert done[0].state is AlertState.ACKNOWLEDGED
    assert not watch.turn([], NOON + 1000.0)
    (gone,) = watch.turn([], NOON + 1000.0 + OFF_DELAY_S)
    assert gone.after is AlertState.NORMAL
    assert not watch.alerts


def test_what_cannot_be_put_on_record_has_not_happened(office: Office) -> None:
    watch = own(office)
    watch.turn([DISK], NOON)
    (move,) = watch.turn([DISK], NOON + ON_DELAY_S)

    def fails() -> None:
        with watch.undone_on_error():
            watch.act(move.alert_id, on_it)
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fails()
    assert watch.alerts[move.alert_id].state is AlertState.UNACKNOWLEDGED


def test_what_only_somebody_can_mend_is_said_at_once(office: Office) -> None:
    watch = own(office)
    what = "channel post takes no messages since 0 min: mail.example.org refuses the log-in of watch: 535"
    remedy = "put the right name into username, the right password into password_file"
    trouble = Trouble(AlertKind.OWN_FAULT, "channel post takes no messages", what, remedy, at_once=True)
    (move,) = watch.turn([trouble], NOON)
    assert move.alert.text == f"{what}: {remedy}."
    assert move.alert.priority is Priority.MEDIUM


def test_a_source_that_comes_and_goes_is_held_over_a_restart_too(office: Office) -> None:
    now, calls = NOON, []
    for _ in range(6):
        recent = office.record.reader().transitions(now - 86400.0, 4e9)
        watch = OwnAlerts(office.record, office.post.moved, office.record.reader().alerts(open_only=True), recent)
        moves = [*watch.turn([DOWN], now), *watch.turn([DOWN], now + ON_DELAY_S)]
        moves += [*watch.turn([], now + 1200.0), *watch.turn([], now + 1200.0 + 4 * OFF_DELAY_S)]
        quiet = (AlertState.NORMAL, AlertState.RETURNED_UNACKNOWLEDGED)
        calls += [m.alert.flapping for m in moves if m.before in quiet and m.after is AlertState.UNACKNOWLEDGED]
        now += 9000.0
    assert calls == [False, False, True]


def test_a_clock_that_is_set_is_noticed_and_one_that_is_slewed_is_not() -> None:
    wall, steady = [1000.0], [0.0]
    watch = ClockWatch(lambda: wall[0], lambda: steady[0])
    assert watch.jumped_by_s() == 0.0
    for _ in range(50):  # a minute ahead in ten, as time services do it
        wall[0] += 11.0
        steady[0] += 10.0
        assert watch.jumped_by_s() == 0.0
    wall[0] -= 3600.0
    assert watch.jumped_by_s() == -3600.0
    wall[0] += 600.0
    steady[0] += 600.0
    assert watch.jumped_by_s() == -3600.0, "it is said for an hour"
    wall[0] += 3600.0
    steady[0] += 3600.0
    assert watch.jumped_by_s() == 0.0
