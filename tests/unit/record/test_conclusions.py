from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest

from alerts.types import AlertState, Basis
from monitor.model.types import Side
from monitor.record.dots import packed, unpacked
from monitor.record.store import Record
from monitor.snapshot import Changes, Snapshot
from tests.unit.record.things import T0, alert, estimate, event, forecast, transition

ALWAYS = (-math.inf, math.inf)


def test_a_step_of_the_pipeline_is_kept_and_comes_back(record: Record) -> None:
    raised, acknowledged = transition(1, alert(1)), transition(2, alert(1), AlertState.ACKNOWLEDGED)
    changes = Changes(Snapshot(T0), (event(1), event(2)), (raised, acknowledged), (forecast(0),))
    record.save(changes)
    record.save(changes)
    reader = record.reader()
    assert reader.events(*ALWAYS) == [event(1), event(2)]
    assert reader.transitions(*ALWAYS) == [raised, acknowledged]
    assert reader.alerts() == [acknowledged.alert]
    assert len(reader.forecasts("lathe-04", *ALWAYS)) == 1


def test_an_event_said_again_takes_the_place_of_the_former(record: Record) -> None:
    record.save_events([event(1)])
    record.save_events([event(1, volume_l=44.0)])
    assert record.reader().events(*ALWAYS) == [event(1, volume_l=44.0)]
    assert record.reader().events(*ALWAYS, sump="mill-07") == []
    assert record.reader().events(T0 + 2, math.inf) == []


def test_open_alerts_are_told_from_closed_ones(record: Record) -> None:
    record.save_alerts([alert(2), alert(1), alert(3, cleared_s=T0 + 99)])
    reader = record.reader()
    assert reader.alerts() == [alert(1), alert(2), alert(3, cleared_s=T0 + 99)]
    assert reader.alerts(open_only=True) == [alert(1), alert(2)]
    record.save_alerts([alert(1, cleared_s=T0 + 50)])
    assert reader.alerts(open_only=True) == [alert(2)]


def test_transitions_of_one_alert(record: Record) -> None:
    record.save_transitions([transition(1, alert(1)), transition(2, alert(2))])
    assert record.reader().transitions(*ALWAYS, alert_id="a-2") == [transition(2, alert(2))]
    assert record.reader().transitions(T0 + 2, math.inf) == [transition(2, alert(2))]


def test_an_alert_comes_back_whole_with_its_recipe(record: Record) -> None:
    assert alert(1).recipe is not None
    record.save_alerts([alert(1), replace(alert(2), recipe=None)])
    assert record.reader().alerts() == [alert(1), replace(alert(2), recipe=None)]


@pytest.mark.parametrize("dots_h", [(), (0.0, 1e-3, 0.0004, 11.2345), (240.0,) * 20, (1e6, 0.1 + 0.2)])
def test_dots_come_back_rounded_to_a_thousandth_of_an_hour(dots_h: tuple[float, ...]) -> None:
    assert unpacked(packed(dots_h)) == tuple(round(dot, 3) for dot in dots_h)
    assert unpacked(json.dumps([round(dot, 3) for dot in dots_h])) == tuple(round(dot, 3) for dot in dots_h)


def test_one_forecast_an_hour_and_sump_is_kept(record: Record) -> None:
    record.save_forecasts([forecast(minute, 30 + minute) for minute in range(0, 180, 10)])
    record.save_forecasts([replace(forecast(0), sump="mill-07")])
    kept = record.reader().forecasts("lathe-04", *ALWAYS)
    assert [one.made_s for one in kept] == [T0, T0 + 1800, T0 + 5400, T0 + 9000]  # T0 is half past
    first = kept[0]
    assert (first.exit_p10_h, first.exit_p50_h, first.exit_p90_h) == (30, 33, 36)
    assert (first.side, first.side_share) == (Side.RICH, {Side.RICH: 0.75, Side.NONE: 0.25})
    assert first.dots_h == tuple(round(30 + number / 3, 3) for number in range(20))
    assert [one.made_s for one in record.reader().forecasts("lathe-04", T0 + 1800, T0 + 9000)] == [T0 + 1800, T0 + 5400]


def test_what_is_known_changes_nothing_so_that_what_people_did_since_stays(record: Record) -> None:
    raised, acknowledged = transition(1, alert(1)), transition(2, alert(1), AlertState.ACKNOWLEDGED)
    record.save_transitions([raised, acknowledged])
    record.save_transitions([raised])  # the same moment passed again after a restart
    assert record.reader().alerts() == [acknowledged.alert]


def test_a_transition_keeps_what_it_rested_on(record: Record) -> None:
    basis = Basis.of(estimate(0), forecast(0))
    assert basis is not None
    with_basis, without = replace(transition(1, alert(1)), basis=basis), transition(2, alert(2))
    record.save_transitions([with_basis, without])
    assert record.reader().transitions(*ALWAYS) == [with_basis, without]
    told = basis.as_json()
    assert told["forecast"]["exit_side"] == "rich"
    assert told["estimate"]["volume_l"] == estimate(0).volume_l
    assert Basis.of(replace(estimate(0), known=False), None) is None
