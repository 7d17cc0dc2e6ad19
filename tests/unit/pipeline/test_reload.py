"""A plant file read anew while the daemon runs: what is the same goes on as if nothing had been, the rest honestly."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from alerts.lifecycle import acknowledge
from alerts.types import Alert, AlertKind, AlertState
from monitor.model.types import EventKind
from monitor.plant.errors import RecordError
from monitor.plant.reading import Signal
from monitor.plant.tank import PerHeight
from monitor.plant.types import Plant
from monitor.recall import GONE
from tests.unit.pipeline.shop import BEGIN_S, Machine, plant_of, readings_of
from tests.unit.pipeline.still import Still, believed, foreseen, state_of, with_record
from tests.unit.pipeline.test_restart import END_S, PLANT, Lump, lumps, same

HOUR_S = 3600.0


def without(plant: Plant, *names: str) -> Plant:
    return replace(plant, sumps={name: sump for name, sump in plant.sumps.items() if name not in names})


def run(still: Still, stream: Iterator[Lump], until_hour: float = math.inf) -> None:
    """Hear what comes up to an hour, of the sumps that are in the plant file then."""
    for at_s, heard, told in stream:
        known = still.daemon.plant.sumps
        still.hear(at_s, [one for one in heard if one.sump in known], [one for one in told if one.sump in known])
        if at_s >= BEGIN_S + until_hour * HOUR_S:
            return


def alerts_of(still: Still, sump: str) -> list[Alert]:
    return [alert for alert in still.daemon.snapshot().alerts if alert.sump == sump]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Still]:
    """Give a run whose plant file was never read again."""
    still = Still(with_record(PLANT, tmp_path_factory.mktemp("whole") / "bandkeeper.db"))
    run(still, lumps())
    yield still
    still.kill()


@pytest.mark.parametrize("hours", [(0.4,), (6.02,), (11.9, 12.3), (25.3,), tuple(range(3, 36, 4))])
def test_an_unchanged_file_changes_nothing(whole: Still, tmp_path: Path, hours: Sequence[float]) -> None:
    plant = with_record(PLANT, tmp_path / "bandkeeper.db")
    still, stream = Still(plant), lumps()
    for hour in hours:
        run(still, stream, hour)
        still.reload(plant)
    run(still, stream)
    same(still, whole)
    still.kill()


def test_the_picture_from_before_a_reload_is_kept_as_long_as_it_is_shown(tmp_path: Path) -> None:
    plant = with_record(PLANT, tmp_path / "bandkeeper.db")
    still, stream = Still(plant), lumps()
    run(still, stream, 3.0)
    picture = still.pipeline.snapshot
    still.daemon._exchange(plant)
    assert still.daemon.snapshot() is still.daemon._before
    assert still.daemon.snapshot().now_s == picture.now_s
    while still.worker.behind:
        still.round()
    run(still, stream, 4.0)
    assert still.daemon.snapshot().now_s > BEGIN_S + 3.0 * HOUR_S
    assert still.daemon._before is None
    still.kill()


def test_a_kill_after_a_reload_finds_the_same_numbers(tmp_path: Path) -> None:
    lives = []
    for name, killed in (("one", False), ("other", True)):
        plant = with_record(PLANT, tmp_path / f"{name}.db")
        bigger = with_record(_bigger_tank(plant), plant.database)
        still, stream = Still(plant), lumps()
        run(still, stream, 13.1)
        still.reload(without(bigger, "saw-01"))
        run(still, stream, 14.2)
        if killed:
            still.kill()
            still = Still(without(bigger, "saw-01"), still.now_s)
        run(still, stream, 20.0)
        lives.append(still)
    one, other = lives
    assert state_of(one.pipeline) == state_of(other.pipeline)
    assert believed(one.pipeline) == believed(other.pipeline)
    assert foreseen(one.pipeline) == foreseen(other.pipeline)
    for still in lives:
        still.kill()


def _bigger_tank(plant: Plant) -> Plant:
    lathe = replace(plant.sumps["lathe-04"], tank=PerHeight(1.5))
    return replace(plant, sumps={**plant.sumps, "lathe-04": lathe})


def test_a_sump_that_goes_leaves_its_history_and_closes_its_alerts_with_the_reason(tmp_path: Path) -> None:
    plant = with_record(PLANT, tmp_path / "bandkeeper.db")
    still, stream = Still(plant), lumps()
    run(still, stream, 30.0)
    gone = next(alert.sump for alert in still.daemon.snapshot().alerts)
    ids = {alert.id for alert in alerts_of(still, gone)}
    kept = {alert.id for alert in still.daemon.snapshot().alerts} - ids
    before = [one for one in still.on_record() if one.sump == gone]
    still.reload(without(plant, gone))
    assert gone not in still.daemon.snapshot().sumps
    assert {alert.id for alert in still.daemon.snapshot().alerts} == kept
    reader = still.daemon.reader()
    for alert in ids:
        last = reader.transitions(0.0, END_S * 2, alert)[-1]
        assert (last.after, last.reason) == (AlertState.NORMAL, GONE)
    assert not ids & {alert.id for alert in reader.alerts(open_only=True)}
    run(still, stream)
    assert [one for one in still.on_record() if one.sump == gone] == before
    assert before
    still.kill()


def test_a_start_without_a_sump_closes_its_alerts_too(tmp_path: Path) -> None:
    plant = with_record(PLANT, tmp_path / "bandkeeper.db")
    still, stream = Still(plant), lumps()
    run(still, stream, 30.0)
    gone = next(alert.sump for alert in still.daemon.snapshot().alerts)
    still.kill()
    again = Still(without(plant, gone), still.now_s)
    assert gone not in {alert.sump for alert in again.daemon.reader().alerts(open_only=True)}
    again.kill()


def test_a_sump_that_comes_back_soon_has_its_state_and_no_alert_of_its_earlier_life(tmp_path: Path) -> None:
    plant = with_record(PLANT, tmp_path / "bandkeeper.db")
    still, stream = Still(plant), lumps()
    run(still, stream, 31.0)
    gone = next(alert.sump for alert in still.daemon.snapshot().alerts)
    ids = {alert.id for alert in alerts_of(still, gone)}
    volume_l = still.daemon.snapshot().sumps[gone].estimate.volume_l
    still.reload(without(plant, gone))
    run(still, stream, 31.6)
    still.reload(plant)
    found = still.daemon.snapshot().sumps[gone].estimate
    assert found.known
    assert found.volume_l == pytest.approx(volume_l, rel=0.05)
    assert not ids & {alert.id for alert in alerts_of(still, gone)}
    still.kill()


def test_a_sump_that_comes_back_after_days_is_known_and_less_sure(tmp_path: Path) -> None:
    shop = [Machine("lathe-04"), Machine("mill-07")]
    plant = with_record(plant_of(shop), tmp_path / "bandkeeper.db")
    readings = readings_of([Machine("lathe-04"), Machine("mill-07")], 80)
    still, stream = Still(plant), lumps(readings, ())
    run(still, stream, 20.0)
    before = still.daemon.snapshot().sumps["lathe-04"].estimate
    still.reload(without(plant, "lathe-04"))
    run(still, (lump for lump in stream if lump[0] < BEGIN_S + 60 * HOUR_S))
    still.now_s = BEGIN_S + 60 * HOUR_S
    still.round()
    still.reload(plant)
    after = still.daemon.snapshot().sumps["lathe-04"].estimate
    assert after.known
    assert after.hold_up_sd_l < 1.2 * before.hold_up_sd_l
    assert after.volume_sd_l > 2.0 * before.volume_sd_l
    assert after.volume_l < before.volume_l
    assert Signal.LEVEL not in after.silent
    silences = [e for e in still.daemon.reader().events(0, END_S * 9) if e.kind is EventKind.SILENT_SIGNAL]
    assert {event.sump for event in silences} <= {"mill-07"}
    still.kill()


def test_another_tank_or_fluid_begins_anew_and_reads_nothing_of_the_old_one(tmp_path: Path) -> None:
    plant = with_record(PLANT, tmp_path / "bandkeeper.db")
    still, stream = Still(plant), lumps()
    run(still, stream, 13.0)
    others = {name: still.daemon.snapshot().sumps[name].estimate for name in ("saw-01", "hone-02")}
    still.reload(with_record(_bigger_tank(plant), plant.database))
    assert not still.daemon.snapshot().sumps["lathe-04"].estimate.known
    for name, estimate in others.items():
        found = still.daemon.snapshot().sumps[name].estimate  # the hall's weather is known a little less without it
        assert found.volume_l == pytest.approx(estimate.volume_l, rel=1e-4)
        assert found.volume_sd_l == pytest.approx(estimate.volume_sd_l, rel=1e-3)
    run(still, stream, 14.0)
    found = still.daemon.snapshot().sumps["lathe-04"].estimate
    said = [one for one in still.on_record() if (one.sump, one.signal) == ("lathe-04", Signal.LEVEL)]
    assert found.volume_l == pytest.approx(1.5 * np.mean([one.value or 0.0 for one in said[-6:]]), rel=0.06)
    still.kill()


def test_a_new_sump_is_watched_at_once_and_its_silence_counts_from_now_on(tmp_path: Path) -> None:
    plant = with_record(PLANT, tmp_path / "bandkeeper.db")
    still, stream = Still(without(plant, "saw-01", "hone-02")), lumps()
    run(still, stream, 9.0)
    still.reload(plant)
    assert still.daemon.snapshot().sumps["hone-02"].estimate.silent == ()
    for at_s, heard, told in stream:
        still.hear(at_s, [one for one in heard if one.sump != "hone-02"], told)
        if at_s > BEGIN_S + 13.0 * HOUR_S:
            break
    assert still.daemon.snapshot().sumps["saw-01"].estimate.known
    assert still.daemon.snapshot().sumps["hone-02"].estimate.silent == (Signal.REFRACTOMETER,)
    silent = [alert for alert in still.daemon.snapshot().alerts if alert.kind is AlertKind.SIGNAL_SILENT]
    assert {alert.sump for alert in silent} <= {"hone-02"}
    still.kill()


def test_while_the_record_is_gone_over_the_last_picture_is_shown_and_acts_wait(tmp_path: Path) -> None:
    plant = with_record(PLANT, tmp_path / "bandkeeper.db")
    still, stream = Still(plant), lumps()
    run(still, stream, 30.0)
    before = still.daemon.snapshot()
    alert = next(a for a in before.alerts if a.state is AlertState.UNACKNOWLEDGED and a.sump != "saw-01")
    still.daemon._exchange(without(plant, "saw-01"))
    shown = still.daemon.snapshot()
    assert shown.now_s == before.now_s
    assert set(shown.sumps) == set(before.sumps) - {"saw-01"}
    acted = still.daemon._acting(alert.id, lambda one, now_s: acknowledge(one, "Ida", now_s))
    answer = still.worker.ask(acted, patient=True)
    while still.worker.behind:
        found = still.worker._gather() if not still.worker._queue.empty() else None
        if found is not None:
            assert still.worker._store(found)
        still.round()
    assert answer.result(0).state is AlertState.ACKNOWLEDGED
    still.kill()


def test_a_record_that_refuses_leaves_the_old_file_in_force(tmp_path: Path) -> None:
    plant = with_record(PLANT, tmp_path / "bandkeeper.db")
    still, stream = Still(plant), lumps()
    run(still, stream, 8.0)
    before = state_of(still.pipeline)
    still.daemon._record._db.execute("PRAGMA query_only = 1")
    with pytest.raises(RecordError, match="read-only"):
        still.daemon._exchange(_bigger_tank(without(plant, "saw-01")))
    still.daemon._record._db.execute("PRAGMA query_only = 0")
    assert still.daemon.plant == plant
    assert state_of(still.pipeline) == before
    assert still.daemon.reader().sinces({"lathe-04": _bigger_tank(plant).sumps["lathe-04"].shape}, 5.0) == {
        "lathe-04": 5.0
    }
    still.kill()
