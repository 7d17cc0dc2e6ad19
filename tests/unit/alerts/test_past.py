"""How demands came out: windows that are over, what went in, each report once."""

from __future__ import annotations

from dataclasses import replace

import pytest

from alerts.past import KEEP_S, STATION, Asked, note_asked, note_entries, note_events, past_plans
from alerts.types import MixingDemand
from monitor.model.types import Event, EventKind
from monitor.plant.reading import Entry, EntryKind
from tests.unit.alerts.hall import DAY, HOUR, MONDAY, a_plant, a_sump

PLANT = a_plant(a_sump())
FLUID = "semi-synthetic"


def a_demand(volume_l: float, day: int = 0) -> MixingDemand:
    start = MONDAY + day * DAY + 6 * HOUR
    end = start + 16 * HOUR
    return MixingDemand(FLUID, 1, start, end, start, end, (), {"volume_l": volume_l, "cannot_wait_l": 0.8 * volume_l})


def a_filling(name: str, hour: float, litres: float, who: str = "") -> Entry:
    at = MONDAY + hour * HOUR
    return Entry(name, "lathe-04", EntryKind.TOP_UP, at, at, litres, 4.0, who=who)


def asked(*volumes: float) -> list[Asked]:
    found: list[Asked] = []
    for day, volume in enumerate(volumes):
        found = note_asked(found, {FLUID: a_demand(volume, day)}, MONDAY)
    return found


def test_the_first_demand_of_a_window_counts() -> None:
    found = note_asked(asked(100.0), {FLUID: a_demand(55.0)}, MONDAY + 8 * HOUR)
    assert [one.volume_l for one in found] == [100.0]


def test_what_went_in_is_set_against_it_when_the_window_is_over() -> None:
    found = asked(100.0, 80.0)
    note_entries(found, PLANT, [a_filling("a", 8, 60.0), a_filling("a", 8, 60.0), a_filling("b", 20, 30.0)])
    assert past_plans(found, MONDAY + 8 * HOUR) == {}
    (past,) = past_plans(found, MONDAY + 23 * HOUR).values()
    assert (past.windows, past.asked_l, past.cannot_wait_l, past.used_l) == (1, 100.0, 80.0, 90.0)
    assert past.off_share == 0.0


@pytest.mark.parametrize(("used", "off"), [(60.0, 20.0 / 80.0), (125.0, 25.0 / 125.0), (0.0, 1.0)])
def test_less_than_could_not_wait_and_more_than_was_asked_is_off(used: float, off: float) -> None:
    found = asked(100.0)
    note_entries(found, PLANT, [a_filling("a", 8, used)])
    assert past_plans(found, MONDAY + DAY)[FLUID].off_share == pytest.approx(off, abs=0.001)


def test_what_the_station_reports_is_believed_before_what_people_log() -> None:
    found = asked(100.0)
    note_entries(found, PLANT, [a_filling("a", 8, 60.0), a_filling("s", 9, 95.0, STATION)])
    assert past_plans(found, MONDAY + DAY)[FLUID].used_l == 95.0


def test_what_only_the_sensors_saw_counts_too() -> None:
    found = asked(100.0)
    seen = Event("e", "lathe-04", EventKind.UNLOGGED_TOP_UP, MONDAY + 9 * HOUR, MONDAY, 70.0, 5.0, 0.9, "")
    note_events(found, PLANT, [seen, seen, replace(seen, id="f", kind=EventKind.LOSS_JUMP)])
    assert past_plans(found, MONDAY + DAY)[FLUID].used_l == 70.0


def test_old_windows_are_let_go() -> None:
    assert len(note_asked(asked(100.0), {}, MONDAY + KEEP_S + 2 * DAY)) == 0
