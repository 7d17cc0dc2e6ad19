"""The clock of the machine is set: back by an hour, ahead by hours and by a year; and the time zone's rules change."""

from __future__ import annotations

import json
import subprocess
import zoneinfo
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.model.types import EventKind
from monitor.plant.calendar import WeeklyCalendar, WeeklySpan, forget_time_zones
from monitor.plant.reading import Reading
from monitor.timekeeper import BELIEVED_AFTER_S, MOST_AHEAD_S, Timekeeper
from tests.unit.pipeline.shop import BEGIN_S, machines, plant_of, readings_of
from tests.unit.pipeline.still import Still, believed, state_of, with_record

HOUR_S = 3600.0
YEAR_S = 365 * 86400.0
READINGS = readings_of(machines(), 20)


class Machine:
    """A machine whose clock is set now and then, and whose counter of seconds is not."""

    def __init__(self) -> None:
        self.wall_s, self.steady_s = BEGIN_S, 5000.0
        self.leaps: list[tuple[float, float]] = []
        self.keeper = Timekeeper(
            lambda: self.wall_s, lambda: self.steady_s, leapt=lambda *span: self.leaps.append(span)
        )

    def run(self, seconds: float) -> float:
        """Let time pass; return what the keeper says then."""
        for _ in range(10):
            self.wall_s += seconds / 10.0
            self.steady_s += seconds / 10.0
            self.keeper.now()
        return self.keeper.now()

    def set_clock(self, by_s: float) -> None:
        self.wall_s += by_s


def test_small_steps_are_followed_at_once() -> None:
    machine = Machine()
    for by_s in (-90.0, 0.4, 60.0, -0.2, 119.0):
        machine.run(100.0)
        machine.set_clock(by_s)
        assert machine.keeper.now() == machine.wall_s
        assert machine.keeper.remark() == ""
    assert machine.leaps == []


@pytest.mark.parametrize("by_s", [HOUR_S, -HOUR_S, 3 * 86400.0, -YEAR_S])
def test_a_jump_is_said_and_believed_when_it_has_stood_for_ten_minutes(by_s: float) -> None:
    machine = Machine()
    machine.run(1000.0)
    machine.set_clock(by_s)
    machine.keeper.now()
    assert machine.run(300.0) == pytest.approx(BEGIN_S + 1300.0)
    assert f"was set {'ahead' if by_s > 0 else 'back'} by" in machine.keeper.remark()
    assert "is believed in 5 min" in machine.keeper.remark()
    assert machine.run(BELIEVED_AFTER_S - 200.0) == pytest.approx(machine.wall_s)
    assert machine.keeper.remark() == ""
    (leap,) = machine.leaps
    assert leap[1] - leap[0] == pytest.approx(by_s)


def test_a_clock_that_is_put_right_again_has_moved_nothing() -> None:
    machine = Machine()
    machine.run(1000.0)
    machine.set_clock(HOUR_S)
    machine.run(500.0)
    machine.set_clock(-HOUR_S)
    assert machine.run(500.0) == pytest.approx(BEGIN_S + 2000.0)
    assert (machine.leaps, machine.keeper.remark()) == ([], "")


def test_a_second_jump_has_its_own_ten_minutes() -> None:
    machine = Machine()
    machine.set_clock(HOUR_S)
    machine.run(500.0)
    machine.set_clock(HOUR_S)
    assert machine.run(500.0) == pytest.approx(BEGIN_S + 1000.0)
    assert machine.run(200.0) == pytest.approx(machine.wall_s)


def test_a_year_ahead_is_believed_by_a_new_start_alone() -> None:
    machine = Machine()
    machine.run(1000.0)
    machine.set_clock(YEAR_S)
    assert machine.run(MOST_AHEAD_S) == pytest.approx(BEGIN_S + 1000.0 + MOST_AHEAD_S)
    assert "ahead by 365 days and is not believed: set it right; if it is right now, start" in machine.keeper.remark()
    machine.set_clock(-YEAR_S)
    assert machine.run(10.0) == pytest.approx(machine.wall_s)
    assert machine.keeper.remark() == ""


def heard(from_h: float, to_h: float) -> Sequence[Reading]:
    return [one for one in READINGS if from_h <= (one.arrived_s - BEGIN_S) / HOUR_S < to_h]


def run(still: Still, from_h: float, to_h: float) -> None:
    """Hear everything of some hours, a quarter at a time."""
    hour = from_h
    while hour < to_h:
        still.hear(BEGIN_S + (hour + 0.25) * HOUR_S + 60.0, heard(hour, hour + 0.25))
        hour += 0.25


def test_an_hour_back_is_gone_over_again_and_nothing_stands_still(tmp_path: Path) -> None:
    plant = plant_of(machines())
    whole = Still(with_record(plant, tmp_path / "whole.db"))
    still = Still(with_record(plant, tmp_path / "still.db"))
    run(still, 0.0, 13.0)
    run(whole, 0.0, 13.0)
    still.now_s -= HOUR_S
    still.daemon.turn(still.pipeline.snapshot, still.now_s)
    while still.worker.behind:
        still.round()
    stands_s = still.pipeline.stands_at_s
    assert stands_s is not None
    assert stands_s == BEGIN_S + 12.0 * HOUR_S
    assert still.daemon.snapshot().now_s == stands_s
    assert still.worker.step_trouble == ""
    run(still, 12.0, 15.0)  # what is told again is known, and the hours to come are heard as they are
    run(whole, 13.0, 15.0)
    assert state_of(still.pipeline) == state_of(whole.pipeline)
    assert believed(still.pipeline) == believed(whole.pipeline)
    assert still.on_record() == whole.on_record()
    for one in (still, whole):
        one.kill()


def test_what_a_fast_clock_dated_far_ahead_is_kept_and_moves_nothing(tmp_path: Path) -> None:
    """The daemon was started with a clock a year ahead, which is then put right: the wrong year holds nothing up."""
    plant = with_record(plant_of(machines()), tmp_path / "bandkeeper.db")
    still = Still(plant)
    run(still, 0.0, 8.0)
    still.kill()
    fast = Still(plant, BEGIN_S + YEAR_S)
    wrong = [replace(one, time_s=one.time_s + YEAR_S, arrived_s=one.arrived_s + YEAR_S) for one in heard(8.0, 8.5)]
    fast.hear(BEGIN_S + YEAR_S + 9.0 * HOUR_S, wrong)
    fast.kill()
    right = Still(plant, BEGIN_S + 9.0 * HOUR_S)
    run(right, 9.0, 12.0)
    assert right.pipeline.stands_at_s == BEGIN_S + 12.0 * HOUR_S
    whole = Still(with_record(plant, tmp_path / "whole.db"))
    run(whole, 0.0, 8.0)
    whole.now_s = BEGIN_S + 9.0 * HOUR_S
    run(whole, 9.0, 12.0)
    assert state_of(right.pipeline) == state_of(whole.pipeline)
    assert {one.time_s for one in wrong} <= {one.time_s for one in right.on_record()}
    for one in (right, whole):
        one.kill()


def test_hours_that_the_clock_left_out_are_nobodys_fault(tmp_path: Path) -> None:
    plant = with_record(plant_of(machines()), tmp_path / "bandkeeper.db")
    still = Still(plant)
    run(still, 0.0, 6.0)
    before_s = still.now_s
    still.daemon.leapt(before_s, before_s + 5.0 * HOUR_S)
    still.now_s = before_s + 5.0 * HOUR_S
    still.round()
    run(still, 11.25, 13.0)
    events = still.daemon.reader().events(0.0, BEGIN_S * 2)
    assert [event for event in events if event.kind is EventKind.SILENT_SIGNAL] == []
    assert still.daemon.reader().times_away(0.0) == [(before_s + 1800.0, before_s + 5.0 * HOUR_S)]
    still.kill()


@pytest.fixture
def zone(tmp_path: Path) -> Iterator[Path]:
    """Give a folder of time zones whose rules a test may change."""
    folder = tmp_path / "zones"
    zoneinfo.reset_tzpath([str(folder)])
    yield folder
    zoneinfo.reset_tzpath()
    forget_time_zones()


def rule(folder: Path, hours: int) -> None:
    """Write the rules of Test/Yard as the time zone compiler does."""
    source = folder.parent / "yard"
    source.write_text(f"Zone Test/Yard {hours}:00 - YRD\n")
    subprocess.run(["/usr/sbin/zic", "-d", str(folder), str(source)], check=True, timeout=20)


def test_new_rules_of_the_time_zone_hold_from_the_next_reload_on(tmp_path: Path, zone: Path) -> None:
    rule(zone, 0)
    plant = with_record(replace(plant_of(machines()), zone="Test/Yard"), tmp_path / "bandkeeper.db")
    shift = WeeklyCalendar("Test/Yard", (WeeklySpan((0, 1, 2, 3, 4), 6 * 60, 22 * 60),))
    plant = replace(plant, attended=shift)
    still = Still(plant)
    run(still, 0.0, 10.0)
    assert still.daemon.plant.attended.next_start_s(BEGIN_S) == BEGIN_S + 6.0 * HOUR_S
    rule(zone, 3)
    assert still.daemon.plant.attended.next_start_s(BEGIN_S) == BEGIN_S + 6.0 * HOUR_S
    forget_time_zones()
    still.reload(plant)
    assert still.daemon.plant.attended.next_start_s(BEGIN_S) == BEGIN_S + 3.0 * HOUR_S
    assert still.pipeline.engine.clock.moment(0).hour == pytest.approx(3.0, abs=0.2)
    run(still, 10.0, 12.0)
    assert still.worker.step_trouble == ""
    assert json.loads(json.dumps(sorted(still.daemon.snapshot().sumps))) == sorted(plant.sumps)
    still.kill()
