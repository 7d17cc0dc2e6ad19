"""An alert that comes and goes, through the whole pipeline: the third call says so, and it is held."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from alerts.envelope import alert_json
from alerts.letters import Links, alert_content
from alerts.types import AlertKind, AlertState, Transition
from monitor.pipeline import Pipeline
from monitor.plant.reading import Reading, Signal
from monitor.status.ready_made import ReadyMade
from monitor.status.tonight import tonight
from tests.unit.pipeline.shop import BEGIN_S, Machine, plant_of, readings_of
from tests.unit.pipeline.still import Still, with_record

HOURS = 46
DEAF = ((6.0, 8.3), (10.6, 13.3), (15.6, 19.2), (21.6, 25.8), (28.0, 33.0), (35.0, 36.0))
"""Hours of silence, each longer than what was usual before it, but for the last."""
QUIET = (AlertState.NORMAL, AlertState.RETURNED_UNACKNOWLEDGED)
SHOP = [Machine("lathe-04")]
PLANT = plant_of([Machine("lathe-04")])


def heard() -> list[Reading]:
    """Give the readings of a shop whose refractometer falls silent for a while, again and again."""
    whole = readings_of(SHOP, HOURS)
    return [one for one in whole if one.signal is not Signal.REFRACTOMETER or not deaf((one.time_s - BEGIN_S) / 3600.0)]


def deaf(hour: float) -> bool:
    return any(begin <= hour < end for begin, end in DEAF)


READINGS = heard()


def calls(moves: Sequence[Transition]) -> list[Transition]:
    silent = [move for move in moves if move.alert.kind is AlertKind.SIGNAL_SILENT]
    return [move for move in silent if move.before in QUIET and move.after is AlertState.UNACKNOWLEDGED]


@pytest.fixture(scope="module")
def course() -> tuple[Pipeline, list[Transition]]:
    pipeline, moves = Pipeline(PLANT), list[Transition]()
    for hour in range(1, HOURS - 8):
        end_s = BEGIN_S + 3600.0 * hour
        pipeline.take([one for one in READINGS if end_s - 3600.0 <= one.time_s < end_s])
        moves += [move for changes in pipeline.run_until(end_s) for move in changes.transitions]
    return pipeline, moves


def test_it_calls_three_times_and_the_third_says_that_it_is_held(
    course: tuple[Pipeline, list[Transition]],
) -> None:
    _, moves = course
    found = calls(moves)
    assert len(found) == 3, "six outages"
    assert [call.alert.flapping for call in found] == [False, False, True]
    assert "It came 3 times within a day and is held now" in found[2].alert.text
    assert not [move for move in moves if move.alert_id == found[2].alert_id and move.time_s > found[2].time_s]


def test_message_page_and_api_say_so(course: tuple[Pipeline, list[Transition]]) -> None:
    pipeline, moves = course
    third = calls(moves)[2]
    said = alert_content(third, PLANT, Links())
    for text in (said.text, said.html.replace("\u00a0", " ")):
        assert "it calls again only after 6 h of quiet" in text
    assert said.short.endswith("On and off: held.")
    assert alert_json(third.alert, PLANT)["flapping"] is True
    listed = ReadyMade(lambda: PLANT).get("alerts", pipeline.snapshot)
    assert b'"flapping":true' in listed
    (row,) = tonight(PLANT, pipeline.snapshot).needs
    assert any("is held now" in alert.text for alert in row.alerts)


def test_a_restart_remembers_how_often_it_came(tmp_path: Path) -> None:
    plant = with_record(PLANT, tmp_path / "bandkeeper.db")
    still = Still(plant)
    for hour in range(1, HOURS - 8):
        end_s = BEGIN_S + 3600.0 * hour
        still.hear(end_s + 60.0, [one for one in READINGS if end_s - 3600.0 <= one.time_s < end_s])
        if hour % 7 == 0:
            still.kill()
            still = Still(plant, end_s + 60.0)
    found = calls(still.daemon.reader().transitions(0.0, 4e9))
    assert [call.alert.flapping for call in found] == [False, False, True]
    still.kill()
