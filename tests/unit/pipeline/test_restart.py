"""A restart at any moment says what an uninterrupted run says: all of it, number for number."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from alerts import lifecycle
from alerts.types import AlertState
from monitor.model.layout import BIN_S
from monitor.plant.errors import RecordError
from monitor.plant.reading import Entry, Reading
from monitor.snapshot import Changes
from tests.unit.pipeline.shop import BEGIN_S, entries_for, machines, plant_of, readings_of
from tests.unit.pipeline.still import SETTLE_S, Still, believed, foreseen, state_of, with_record

HOURS = 36
SHOP = machines()
PLANT = plant_of(SHOP)
READINGS = readings_of(machines(), HOURS)
ENTRIES = entries_for()
END_S = BEGIN_S + HOURS * 3600.0

Lump = tuple[float, Sequence[Reading], Sequence[Entry]]


def lumps(
    readings: Sequence[Reading] = READINGS, entries: Sequence[Entry] = ENTRIES, every_s: float = 900.0
) -> Iterator[Lump]:
    """Give what has arrived since the last look, at moments that lie a minute behind the full quarter."""
    ordered = sorted(readings, key=lambda one: one.arrived_s)
    logged = sorted(entries, key=lambda one: one.logged_s)
    now_s = BEGIN_S + every_s + 60.0
    while now_s <= END_S + 2 * BIN_S:
        heard, ordered = _until(ordered, now_s)
        told = [entry for entry in logged if now_s - every_s < entry.logged_s <= now_s]
        yield now_s, heard, told
        now_s += every_s


def _until(ordered: list[Reading], now_s: float) -> tuple[list[Reading], list[Reading]]:
    count = next((n for n, one in enumerate(ordered) if one.arrived_s > now_s), len(ordered))
    return ordered[:count], ordered[count:]


def told(changes: Sequence[Changes]) -> list[Changes]:
    """Leave out what a restart says first: where it stands (no news)."""
    return [
        change for n, change in enumerate(changes) if n == 0 or change.snapshot.now_s > changes[n - 1].snapshot.now_s
    ]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Still]:
    """Give a run without a break."""
    still = Still(with_record(PLANT, tmp_path_factory.mktemp("whole") / "bandkeeper.db"))
    for lump in lumps():
        still.hear(*lump)
    yield still
    still.kill()


def run_with_breaks(path: Path, breaks_s: Sequence[float], stream: Iterator[Lump]) -> Still:
    """Run, and after each of the moments kill the daemon and start it again at once."""
    plant, waiting = with_record(PLANT, path), sorted(breaks_s)
    still = Still(plant)
    for lump in stream:
        still.hear(*lump)
        if waiting and lump[0] >= waiting[0]:
            waiting.pop(0)
            still.kill()
            still = Still(plant, lump[0])
    return still


def same(one: Still, other: Still) -> None:
    """Hold two runs against each other: state, estimates, forecasts, alerts, what is on record."""
    assert state_of(one.pipeline) == state_of(other.pipeline)
    assert believed(one.pipeline) == believed(other.pipeline)
    assert foreseen(one.pipeline) == foreseen(other.pipeline)
    assert one.pipeline.snapshot == other.pipeline.snapshot
    reader, against = one.daemon.reader(), other.daemon.reader()
    assert one.on_record() == other.on_record()
    assert reader.events(0, END_S * 2) == against.events(0, END_S * 2)
    assert reader.transitions(0, END_S * 2) == against.transitions(0, END_S * 2)
    assert reader.alerts() == against.alerts()
    for sump in PLANT.sumps:
        assert reader.forecasts(sump, 0, END_S * 2) == against.forecasts(sump, 0, END_S * 2)
        assert reader.estimates(sump, BEGIN_S, END_S, 50) == against.estimates(sump, BEGIN_S, END_S, 50)


def test_there_is_something_to_compare(whole: Still) -> None:
    reader = whole.daemon.reader()
    assert {event.kind.value for event in reader.events(0, END_S * 2)} >= {"unlogged_top_up"}
    assert len(reader.transitions(0, END_S * 2)) > 5
    assert reader.latest_checkpoint() is not None
    assert whole.on_record() == READINGS


@pytest.mark.parametrize("hour", [0.4, 3.0, 6.02, 11.9, 18.0, 25.3, 33.4, 35.9])
def test_a_restart_at_any_moment_changes_nothing(whole: Still, tmp_path: Path, hour: float) -> None:
    broken = run_with_breaks(tmp_path / "bandkeeper.db", [BEGIN_S + 3600.0 * hour], lumps())
    same(broken, whole)
    broken.kill()


def test_what_came_later_is_not_known_earlier_when_the_record_is_gone_over(tmp_path: Path) -> None:
    plant = with_record(PLANT, tmp_path / "bandkeeper.db")
    late = [replace(one, arrived_s=one.time_s + 4.0 * 3600.0) for one in READINGS[::11]]
    others = [one for number, one in enumerate(READINGS) if number % 11]
    still = Still(plant)
    for lump in lumps([*late, *others], ()):
        still.hear(*lump)
        if lump[0] > BEGIN_S + 9.2 * 3600.0:
            break
    stored = [still.daemon.reader().estimates(sump, BEGIN_S, lump[0], 50) for sump in PLANT.sumps]
    assert still.daemon.reader().latest_checkpoint() is None, "it has to begin at the beginning"
    still.kill()
    again = Still(plant, lump[0])
    assert [again.daemon.reader().estimates(sump, BEGIN_S, lump[0], 50) for sump in PLANT.sumps] == stored
    again.kill()


def test_many_restarts_change_nothing(whole: Still, tmp_path: Path) -> None:
    broken = run_with_breaks(
        tmp_path / "bandkeeper.db", [BEGIN_S + 3600.0 * 2.3 * number for number in range(1, 17)], lumps()
    )
    same(broken, whole)
    broken.kill()


def test_what_a_restart_says_at_once_is_what_stood_before(tmp_path: Path) -> None:
    plant = with_record(PLANT, tmp_path / "bandkeeper.db")
    still = Still(plant)
    for lump in lumps():
        still.hear(*lump)
        if lump[0] > BEGIN_S + 18 * 3600.0 + SETTLE_S:
            break
    before = still.pipeline.snapshot
    still.kill()
    again = Still(plant, lump[0])
    assert again.pipeline.snapshot == before
    assert before.now_s == BEGIN_S + 18 * 3600.0
    assert [change.snapshot.now_s for change in again.changes] == [before.now_s]
    again.kill()


def test_a_break_of_hours_raises_no_alert_about_itself(tmp_path: Path) -> None:
    plant = with_record(PLANT, tmp_path / "bandkeeper.db")
    before = [reading for reading in READINGS if reading.time_s < BEGIN_S + 20 * 3600.0]
    still = Still(plant)
    for lump in lumps(before, ()):
        if lump[0] < BEGIN_S + 20 * 3600.0:
            still.hear(*lump)
    last_s = still.on_record()[-1].time_s
    still.kill()
    back_s = BEGIN_S + 26 * 3600.0
    again = Still(plant, back_s)
    backlog = [replace(one, arrived_s=back_s + 1.0) for one in READINGS if last_s < one.time_s < back_s]
    again.hear(back_s + 2.0, backlog)
    after = [one for one in READINGS if one.time_s >= back_s]
    for lump in lumps(after, ()):
        if lump[0] > back_s + 2.0:
            again.hear(*lump)
    reader = again.daemon.reader()
    assert [(one.time_s, one.value) for one in again.on_record()] == [(one.time_s, one.value) for one in READINGS]
    assert [event for event in reader.events(0, END_S * 2) if event.kind.value == "silent_signal"] == []
    assert [alert for alert in reader.alerts() if alert.kind.value == "signal_silent"] == []
    whole = Still(with_record(PLANT, tmp_path / "whole.db"))
    for lump in lumps(READINGS, ()):
        whole.hear(*lump)
    assert state_of(again.pipeline) == state_of(whole.pipeline)
    assert believed(again.pipeline) == believed(whole.pipeline)
    again.kill()
    whole.kill()


def test_a_second_restart_still_knows_of_the_break(tmp_path: Path) -> None:
    plant = with_record(PLANT, tmp_path / "bandkeeper.db")
    still = Still(plant)
    for lump in lumps([one for one in READINGS if one.time_s < BEGIN_S + 20 * 3600.0], ()):
        if lump[0] < BEGIN_S + 20 * 3600.0:
            still.hear(*lump)
    still.kill()
    for hour in (24.55, 24.6, 24.7):
        again = Still(plant, BEGIN_S + hour * 3600.0)
        reader = again.daemon.reader()
        assert [event for event in reader.events(0, END_S * 2) if event.kind.value == "silent_signal"] == []
        again.kill()


def test_what_people_did_to_alerts_outlives_a_kill(tmp_path: Path) -> None:
    plant = with_record(PLANT, tmp_path / "bandkeeper.db")
    still = Still(plant)
    done: list[str] = []
    for lump in lumps():
        still.hear(*lump)
        open_now = [alert for alert in still.pipeline.snapshot.alerts if alert.state is AlertState.UNACKNOWLEDGED]
        if open_now and not done:
            done = _move(still, open_now[0].id, lump[0])
            still.kill()
            still = Still(plant, lump[0])
            assert {alert.id: alert.state for alert in still.pipeline.snapshot.alerts}[
                done[0]
            ] is AlertState.ACKNOWLEDGED
    assert done
    moves = still.daemon.reader().transitions(0, END_S * 2, done[0])
    assert [move.after for move in moves].count(AlertState.ACKNOWLEDGED) >= 1
    assert AlertState.RETURNED_UNACKNOWLEDGED not in [move.after for move in moves]
    still.kill()


def test_an_alert_out_of_service_stays_so_over_kills_until_it_is_returned(tmp_path: Path) -> None:
    plant = with_record(PLANT, tmp_path / "bandkeeper.db")
    still = Still(plant)
    ahead = lumps()
    for lump in ahead:
        still.hear(*lump)
        if still.pipeline.snapshot.alerts:
            break
    name = still.pipeline.snapshot.alerts[0].id
    for deed, after in (
        (lambda alert, now_s: lifecycle.take_out_of_service(alert, "new gauge", "Ida", now_s), {"out_of_service"}),
        (lambda alert, now_s: lifecycle.return_to_service(alert, "Ida", now_s), {"unacknowledged", "gone"}),
    ):
        still.hear(*next(ahead))
        moved = still.pipeline.act(name, partial(deed, now_s=still.now_s))
        assert moved is not None
        still.daemon._record.save_transitions(moved[1])
        now_s = still.now_s
        still.kill()
        still = Still(plant, now_s)
        states = {alert.id: alert.state.value for alert in still.pipeline.snapshot.alerts}
        assert states.get(name, "gone") in after
    still.kill()


def _move(still: Still, alert_id: str, now_s: float) -> list[str]:
    moved = still.pipeline.act(alert_id, lambda alert: lifecycle.acknowledge(alert, "Ida", now_s))
    assert moved is not None
    still.daemon._record.save_transitions(moved[1])
    return [alert_id]


def test_an_act_that_cannot_be_put_on_record_has_not_happened(tmp_path: Path) -> None:
    still = Still(with_record(PLANT, tmp_path / "bandkeeper.db"))
    for lump in lumps():
        still.hear(*lump)
        if still.pipeline.snapshot.alerts:
            break
    before = still.pipeline.snapshot
    still.daemon._record._db.execute("PRAGMA query_only = 1")
    with pytest.raises(RecordError, match="read-only"), still.pipeline.undone_on_error():
        _move(still, before.alerts[0].id, lump[0])
    assert still.pipeline.snapshot == before
    assert still.pipeline.memory.alerts[before.alerts[0].id] == before.alerts[0]
    still.kill()


def test_a_sump_taken_out_of_the_plant_file_is_no_trouble(tmp_path: Path) -> None:
    path = tmp_path / "bandkeeper.db"
    still = Still(with_record(PLANT, path))
    for lump in lumps():
        still.hear(*lump)
        if lump[0] > BEGIN_S + 8 * 3600.0:
            break
    still.kill()
    fewer = plant_of([machine for machine in SHOP if machine.name != "saw-01"])
    again = Still(with_record(fewer, path), lump[0])
    for later in lumps():
        if later[0] > lump[0]:
            again.hear(later[0], [one for one in later[1] if one.sump != "saw-01"], later[2])
    late = [replace(one, arrived_s=END_S + 3000.0, time_s=one.time_s + 1.0) for one in READINGS[:3]]
    again.hear(END_S + 3600.0, late)
    assert set(again.pipeline.snapshot.sumps) == {"lathe-04", "mill-07", "hone-02"}
    assert again.worker.counters.step_failures == 0
    again.kill()
