"""A gateway that falls silent with all its sumps, through the whole pipeline: one alert, over restarts too."""

from __future__ import annotations

from pathlib import Path

from alerts.types import AlertKind, AlertState, Transition
from monitor.plant.reading import Reading
from tests.unit.pipeline.shop import BEGIN_S, Machine, plant_of, readings_of
from tests.unit.pipeline.still import Still, with_record

HOURS = 22
NAMES = ("lathe-01", "lathe-02", "mill-03", "mill-04")
PLANT = plant_of([Machine(name) for name in NAMES])
READINGS = readings_of([Machine(name) for name in NAMES], HOURS)
SILENT_H = (8.0, 13.0)


def heard(from_s: float, to_s: float) -> list[Reading]:
    """Give what comes in a span: nothing of any sump while the gateway is silent."""
    some = (one for one in READINGS if from_s <= one.time_s < to_s)
    return [one for one in some if not SILENT_H[0] <= (one.time_s - BEGIN_S) / 3600.0 < SILENT_H[1]]


def silences(moves: list[Transition]) -> list[tuple[str, str, float]]:
    """Return sump, state and hour of each change of an alert about silence."""
    about = (move for move in moves if move.alert.kind is AlertKind.SIGNAL_SILENT)
    return [(move.alert.sump, move.after.value, round((move.time_s - BEGIN_S) / 3600.0, 2)) for move in about]


def test_one_outage_is_one_alert_that_outlives_restarts_and_ends_with_it(tmp_path: Path) -> None:
    plant = with_record(PLANT, tmp_path / "bandkeeper.db")
    still = Still(plant)
    for quarter in range(1, HOURS * 4):
        end_s = BEGIN_S + 900.0 * quarter
        still.hear(end_s + 60.0, heard(end_s - 900.0, end_s))
        if quarter in {44, 50}:  # in the outage: before and behind a checkpoint
            still.kill()
            still = Still(plant, end_s + 60.0)
            (alert,) = (one for one in still.pipeline.snapshot.alerts if one.kind is AlertKind.SIGNAL_SILENT)
            assert (alert.sump, alert.subject, alert.state) == ("", "hall", AlertState.UNACKNOWLEDGED)
            assert alert.text.startswith("hall: 4 of 4 sumps are silent since about Mon 07:5")
    raised, *later = silences(list(still.daemon.reader().transitions(0.0, 4e9)))
    assert raised[:2] == ("", "unacknowledged")
    assert 10.0 <= raised[2] <= 10.5
    assert {sump for sump, _, _ in later} == {""}, "no signal called for itself"
    assert [state for _, state, _ in later] == ["returned_unacknowledged", "normal"]
    still.kill()
