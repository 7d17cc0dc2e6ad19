"""Troubles of the watch itself: raised after a delay, told by the routes, acknowledged, gone; also over a restart."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from alerts.lifecycle import OFF_DELAY_S, acknowledge
from alerts.types import Alert, AlertKind, AlertState, Transition
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
