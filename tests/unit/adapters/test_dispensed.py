"""The mixing station's reports: read, refused with what would be right, one entry however often they come."""

from __future__ import annotations

import json
from typing import Any

import pytest

from adapters.dispensed import DispensedIntake, read_dispensed, station_inlets, topic_of
from adapters.intake import Batch, Piece
from adapters.sample import PayloadError
from monitor.plant.reading import Entry, EntryKind, Signal
from tests.fixtures.plants import mqtt_source, plant, signal, sump

T0 = 1_930_000_000.0
PLANT = plant([mqtt_source("hall", 1883)], sump("lathe-04", signal(Signal.LEVEL, "hall", "a", "mm")))
GOOD = {"id": "7f3a", "sump": "lathe-04", "volume_l": 60, "mix_pct": 4.5, "t": T0 - 60}


def report(**changes: Any) -> Entry:
    told = {key: value for key, value in {**GOOD, **changes}.items() if value is not None}
    return read_dispensed(json.dumps(told).encode(), PLANT.sumps, T0)


def test_a_report_is_a_logged_top_up() -> None:
    entry = report(container="can-7")
    assert (entry.kind, entry.sump, entry.volume_l, entry.mix_pct) == (EntryKind.TOP_UP, "lathe-04", 60.0, 4.5)
    assert (entry.id, entry.who, entry.container) == ("dispensed-7f3a", "station", "can-7")
    assert (entry.time_s, entry.logged_s) == (T0 - 60, T0)


def test_the_same_report_is_the_same_entry_by_any_way() -> None:
    assert report(t=None).id == report(id="dispensed-7f3a").id == report().id
    assert report(t=None).time_s == T0
    assert report(id=17).id == "dispensed-17"


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"id": None}, "id is needed"),
        ({"id": "a b"}, "id is needed"),
        ({"sump": "lathe-99"}, "there is no sump 'lathe-99'"),
        ({"volume_l": "60 L"}, "volume_l must be a number"),
        ({"volume_l": 0}, "more than 0"),
        ({"volume_l": 1e9}, "volume_l is 1e"),
        ({"mix_pct": 101}, "mix_pct is 101, and must be 0 to 100"),
        ({"t": T0 + 4000}, "in the future"),
        ({"t": "yesterday"}, "is not understood"),
        ({"container": "Can 7"}, "container must be"),
        ({"litres": 5}, "litres is not known here"),
    ],
)
def test_what_cannot_be_used_says_why(changes: dict[str, Any], why: str) -> None:
    with pytest.raises(PayloadError, match=why):
        report(**changes)


@pytest.mark.parametrize("raw", [b"", b"{", b"[1]", b"\xff", b"60"])
def test_what_is_no_object_is_refused(raw: bytes) -> None:
    with pytest.raises(PayloadError, match="is no JSON"):
        read_dispensed(raw, PLANT.sumps, T0)


def test_bad_reports_never_stop_good_ones() -> None:
    topic = topic_of("ferry-lane")
    intake, batch = DispensedIntake("hall", topic, PLANT.sumps), Batch()
    for raw in (b"{", json.dumps(GOOD).encode()):
        assert intake.take(batch, Piece(topic, raw, T0)) is False
    intake.take(batch, Piece("other", b"{}", T0))
    untimed = json.dumps({key: value for key, value in GOOD.items() if key != "t"}).encode()
    intake.take(batch, Piece(topic, untimed, T0, retained=True))
    assert [entry.id for entry in batch.entries] == ["dispensed-7f3a"]
    assert ["no JSON" in one.why or "topic" in one.why or "kept by" in one.why for one in batch.rejected] == [True] * 3


def test_a_plant_that_publishes_nothing_listens_to_no_station() -> None:
    assert station_inlets(PLANT, lambda: T0) == []
