"""The mixing station's reports: read, refused with what would be right, one entry however often they come."""

from __future__ import annotations

import json
from typing import Any

import pytest

from adapters.dispensed import DispensedIntake, read_dispensed, station_inlets, topic_of
from adapters.intake import Batch, Piece, fenced
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
        ({"litres": 5}, "'litres' is not known here"),
    ],
)
def test_what_cannot_be_used_says_why(changes: dict[str, Any], why: str) -> None:
    with pytest.raises(PayloadError, match=why):
        report(**changes)


@pytest.mark.parametrize(
    ("raw", "why"),
    [
        (b"", "is no JSON"),
        (b"{", "is no JSON"),
        (b"[1]", "is no JSON object"),
        (b"60", "is no JSON object"),
        (b"\xff", "is not UTF-8 text"),
        (b"[" * 30_000, "nested deeper"),
        (b'{"id": "a", "id": "b"}', "twice"),
        (b'{"id": "a", "sump": "lathe-04", "mix_pct": 4, "volume_l": ' + b"9" * 400 + b"}", "volume_l is inf"),
        (b'{"id": "a", "sump": "lathe-04", "mix_pct": 4, "volume_l": 60, "t": ' + b"9" * 400 + b"}", "time inf"),
        (b'{"id": "a", "sump": "lathe-04", "mix_pct": 4, "volume_l": NaN}', "NaN is no JSON"),
        (b'{"id": 9007199254740993, "sump": "lathe-04"}', "a long number in quotes"),
        (b'{"id": "a", "\\ud800": 1}', "ud800' is not known here"),
    ],
)
def test_what_is_no_report_is_refused_with_what_would_be_right(raw: bytes, why: str) -> None:
    with pytest.raises(PayloadError, match=why) as refused:
        read_dispensed(raw, PLANT.sumps, T0)
    assert str(refused.value).encode()


class Broken:
    """A reader with a fault of its own."""

    def take(self, batch: Batch, piece: Piece) -> bool:
        raise ZeroDivisionError(f"{batch} {piece}")


class Starved:
    """A reader for which there is no memory."""

    def take(self, batch: Batch, piece: Piece) -> bool:
        raise MemoryError(f"{batch} {piece}")


def test_a_reader_with_a_fault_of_its_own_refuses_the_piece_and_nothing_else() -> None:
    batch = Batch()
    assert fenced(Broken(), "hall", batch, Piece("a", b"x", T0)) is False
    (refused,) = batch.rejected
    assert (refused.where, refused.raw) == ("hall: a", "x")
    assert "own fault" in refused.why
    with pytest.raises(MemoryError):
        fenced(Starved(), "hall", batch, Piece("a", b"x", T0))


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
