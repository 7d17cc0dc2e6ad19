"""What people log: taken with its units, refused with every fault named, never counted twice."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from monitor.plant.quantity import L_PER_US_GAL
from monitor.plant.reading import Entry, EntryKind
from monitor.status.entries import entry_from
from monitor.status.problems import Problem
from tests.fixtures.board import NOW_S, FakeBoard, plant

PLANT = plant()
FORM = {"content-type": "application/x-www-form-urlencoded", "accept": "text/html"}


def _entry(**fields: Any) -> Entry:
    return entry_from({"sump": "lathe-04", **fields}, PLANT, NOW_S)


def _faults(**fields: Any) -> dict[str, str]:
    with pytest.raises(Problem) as caught:
        _entry(**fields)
    assert caught.value.status == 422
    return {fault["where"]: fault["what"] for fault in caught.value.errors}


def test_a_top_up_in_litres() -> None:
    entry = _entry(kind="top_up", time="2031-03-07T20:00:00+00:00", volume=40, mix_pct=4.5, note=" two buckets ")
    assert (entry.kind, entry.volume_l, entry.mix_pct, entry.note) == (EntryKind.TOP_UP, 40.0, 4.5, "two buckets")
    assert (entry.time_s, entry.logged_s) == (NOW_S - 4200, NOW_S)


@pytest.mark.parametrize(
    ("given_volume", "litres"),
    [
        (40, 40.0),
        ("40", 40.0),
        ("40 L", 40.0),
        ("12,5", 12.5),
        ("12,5 L", 12.5),
        ("5 US gal", 5 * L_PER_US_GAL),
        ("1500 mL", 1.5),
    ],
)
def test_a_volume_may_carry_its_unit(given_volume: float | str, litres: float) -> None:
    assert _entry(kind="removal", volume=given_volume).volume_l == pytest.approx(litres)


def test_the_columns_of_the_log_book_file_are_taken_too() -> None:
    entry = _entry(kind="charge", volume_l=390, mix="8 %")
    assert (entry.volume_l, entry.mix_pct) == (390.0, 8.0)


@pytest.mark.parametrize(
    ("kind", "value", "unit", "expected", "canonical"),
    [
        ("check", 8.2, "%", 8.2, "%"),
        ("check", 8.2, "", 8.2, "%"),
        ("check", 5.0, "degBx", 7.5, "%"),
        ("check", "5 degBx", "", 7.5, "%"),
        ("hardness", 180, "ppm", 180.0, "ppm"),
        ("hardness", 10, "dH", 178.48, "ppm"),
        ("ph", 9.1, "", 9.1, ""),
    ],
)
def test_a_measured_value_in_its_units(
    kind: str, value: float | str, unit: str, expected: float, canonical: str
) -> None:
    entry = _entry(kind=kind, value=value, unit=unit)
    assert entry.value == pytest.approx(expected)
    assert entry.unit == canonical


def test_nothing_said_of_the_time_means_now() -> None:
    assert _entry(kind="removal", volume=3).time_s == NOW_S


def test_a_clock_a_little_ahead_is_taken_as_now() -> None:
    assert _entry(kind="removal", volume=3, time=NOW_S + 200).time_s == NOW_S


def test_an_id_is_made_where_none_is_sent() -> None:
    first, second = _entry(kind="removal", volume=3), _entry(kind="removal", volume=3)
    assert first.id != second.id
    assert _entry(kind="removal", volume=3, id="shift-7:42").id == "shift-7:42"


@pytest.mark.parametrize(
    ("fields", "where", "word"),
    [
        ({"kind": "top_up"}, "volume", "needed"),
        ({"kind": "top_up", "volume": 10}, "mix_pct", "needed"),
        ({"kind": "top_up", "volume": -10, "mix_pct": 4}, "volume", "more than nothing"),
        ({"kind": "top_up", "volume": 0, "mix_pct": 4}, "volume", "more than nothing"),
        ({"kind": "top_up", "volume": 5000, "mix_pct": 4}, "volume", "holds"),
        ({"kind": "top_up", "volume": 10, "mix_pct": 101}, "mix_pct", "0 to 100"),
        ({"kind": "top_up", "volume": 10, "mix_pct": -1}, "mix_pct", "0 to 100"),
        ({"kind": "top_up", "volume": "5 gal", "mix_pct": 4}, "volume", "which gallon"),
        ({"kind": "top_up", "volume": "5 mm", "mix_pct": 4}, "volume", "length"),
        ({"kind": "top_up", "volume": "lots", "mix_pct": 4}, "volume", "number"),
        ({"kind": "top_up", "volume": math.nan, "mix_pct": 4}, "volume", "finite"),
        ({"kind": "top_up", "volume": math.inf, "mix_pct": 4}, "volume", "finite"),
        ({"kind": "top_up", "volume": 10, "volume_l": 10, "mix_pct": 4}, "volume", "twice"),
        ({"kind": "top_up", "volume": 10, "mix_pct": 4, "value": 3}, "value", "belong"),
        ({"kind": "removal", "volume": 10, "mix_pct": 4}, "mix_pct", "belong"),
        ({"kind": "check", "value": 8, "volume": 3}, "volume", "belong"),
        ({"kind": "check"}, "value", "needed"),
        ({"kind": "check", "value": 120}, "value", "between 0 and 100"),
        ({"kind": "check", "value": 8, "unit": "ppm"}, "value", "hardness"),
        ({"kind": "ph", "value": 15}, "value", "14"),
        ({"kind": "hardness", "value": 8, "unit": "%"}, "value", "ppm"),
        ({"kind": "removal", "volume": 3, "time": NOW_S + 3600}, "time", "future"),
        ({"kind": "removal", "volume": 3, "time": "2031-03-07T20:00:00"}, "time", "offset"),
        ({"kind": "removal", "volume": 3, "time": "tea time"}, "time", "not a time"),
        ({"kind": "removal", "volume": 3, "time": -5}, "time", "1970"),
        ({"kind": "removal", "volume": 3, "id": "a/b"}, "id", "letters"),
        ({"kind": "drink", "volume": 3}, "kind", "top_up"),
        ({"kind": "removal", "volume": 3, "colour": "green"}, "colour", "not a field"),
        ({"kind": "removal", "volume": 3, "note": "x" * 501}, "note", "500"),
        ({"kind": "removal", "volume": [3]}, "volume", "valid"),
        ({"kind": "removal", "volume": True}, "volume", "valid"),
        ({"kind": "removal", "volume": 10**400}, "volume", "finite"),
        ({"kind": "removal", "volume": 3, "time": "0001-01-01T00:00:00+23:59"}, "time", "1970"),
        ({"kind": "removal", "volume": 3, "time": "9999-12-31T23:59:59-23:59"}, "time", "9999"),
        ({"kind": "removal", "volume": 3, "time": 0}, "time", "2000"),
        ({"kind": "removal", "volume": 3, "note": "a\0b"}, "note", "control"),
        ({"kind": "removal", "volume": 3, "who": "ana\x1b[31m"}, "who", "control"),
        ({"volume": 3}, "kind", "needed"),
    ],
)
def test_what_cannot_be_is_refused_by_name(fields: dict[str, Any], where: str, word: str) -> None:
    faults = _faults(**fields)
    assert where in faults
    assert word in faults[where]


def test_a_note_may_have_lines_and_any_letters() -> None:
    note = "zwei Eimer\nsehr mager \u00e4 \u5de5\u5834 \U0001f468\u200d\U0001f527\u00a0ok"
    assert _entry(kind="removal", volume=3, note=note).note == note


def test_all_faults_are_said_at_once() -> None:
    assert set(_faults(kind="top_up", volume=-1, mix_pct=200, id="?")) == {"volume", "mix_pct", "id"}


def test_an_unknown_sump_is_refused() -> None:
    with pytest.raises(Problem, match="no sump 'lathe-99'"):
        entry_from({"sump": "lathe-99", "kind": "removal", "volume": 3}, PLANT, NOW_S)


def test_new_is_201_and_known_is_200(client: TestClient, board: FakeBoard) -> None:
    body = {"sump": "lathe-04", "kind": "top_up", "volume": "5 US gal", "mix_pct": 4, "id": "a-1"}
    before = len(board.record.book)
    first, second = client.post("/api/entries", json=body), client.post("/api/entries", json=body)
    assert (first.status_code, second.status_code) == (201, 200)
    assert (first.json()["new"], second.json()["new"]) == (True, False)
    assert first.json()["entry"]["volume_l"] == pytest.approx(18.9271, abs=1e-4)
    assert len(board.record.book) == before + 1


def test_a_record_that_cannot_be_written_says_so_and_takes_nothing(client: TestClient, board: FakeBoard) -> None:
    board.writable = False
    answer = client.post("/api/entries", json={"sump": "lathe-04", "kind": "removal", "volume": 3, "id": "a-2"})
    assert answer.status_code == 503
    assert "read-only" in answer.json()["detail"]
    assert answer.json()["remedy"]
    assert answer.headers["retry-after"]
    board.writable = True
    again = client.post("/api/entries", json={"sump": "lathe-04", "kind": "removal", "volume": 3, "id": "a-2"})
    assert again.status_code == 201


@pytest.mark.parametrize(
    ("content", "kind", "status"),
    [
        (b"{", "application/json", 400),
        (b"[1]", "application/json", 400),
        (b"", "application/json", 422),
        (b'{"sump":"lathe-04","kind":"removal","volume":NaN}', "application/json", 400),
        (b"[" * 60_000, "application/json", 400),
        (b"\xff\xfe\x00", "application/json", 400),
        (b'{"volume":1' + b"0" * 5000 + b"}", "application/json", 400),
        (b'{"sump":"lathe-04","sump":"mill-11","kind":"removal","volume":3}', "application/json", 400),
        (b"sump=lathe-04&sump=mill-11&kind=removal&volume=3", "application/x-www-form-urlencoded", 400),
        (b"sump=lathe-04", "text/csv", 415),
        (b"%ff=%fe", "application/x-www-form-urlencoded", 422),
        (b"&".join(b"a%d=1" % n for n in range(60)), "application/x-www-form-urlencoded", 400),
    ],
)
def test_a_body_that_cannot_be_read_is_a_problem(client: TestClient, content: bytes, kind: str, status: int) -> None:
    answer = client.post("/api/entries", content=content, headers={"content-type": kind})
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"


def test_a_form_goes_back_to_its_page(client: TestClient, board: FakeBoard) -> None:
    fields = {
        "sump": "lathe-04",
        "kind": "top_up",
        "volume": "20",
        "volume_unit": "US gal",
        "mix_pct": "4,5",
        "time": "",
        "id": "page-1",
        "back": "/sump/lathe-04",
    }
    answer = client.post("/api/entries", data=fields, headers=FORM, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/sump/lathe-04?said=logged")
    assert board.record.book[-1].volume_l == pytest.approx(20 * L_PER_US_GAL)
    assert board.record.book[-1].mix_pct == 4.5
    again = client.post("/api/entries", data=fields, headers=FORM, follow_redirects=False)
    assert again.headers["location"].endswith("?said=known")


def test_a_form_tells_time_as_the_plant_does(client: TestClient, board: FakeBoard) -> None:
    fields = {"sump": "lathe-04", "kind": "removal", "volume": "20", "time": "2031-03-07T20:10"}
    assert client.post("/api/entries", data=fields, follow_redirects=False).status_code == 303
    assert board.record.book[-1].time_s == NOW_S - 3600  # Lisbon is on UTC in March


def test_a_faulty_form_gets_a_page_with_every_fault(client: TestClient) -> None:
    fields = {"sump": "lathe-04", "kind": "top_up", "volume": "-3", "mix_pct": "400"}
    headers = {"accept": "text/html", "referer": "http://127.0.0.1:8480/sump/lathe-04"}
    answer = client.post("/api/entries", data=fields, headers=headers)
    assert answer.status_code == 422
    assert answer.headers["content-type"].startswith("text/html")
    assert "more than nothing" in answer.text
    assert "0 to 100" in answer.text
    assert 'href="/sump/lathe-04"' in answer.text


@pytest.mark.parametrize(
    "back", ["//evil.example", "https://evil.example", "/\\evil.example", "javascript:1", "/a\r\nb"]
)
def test_a_form_goes_back_to_this_server_only(client: TestClient, back: str) -> None:
    fields = {"sump": "lathe-04", "kind": "removal", "volume": "2", "back": back}
    answer = client.post("/api/entries", data=fields, follow_redirects=False)
    assert answer.headers["location"] == "/sump/lathe-04?said=logged"


_json_value = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=30),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)
_field = st.sampled_from(
    ["sump", "kind", "time", "volume", "volume_l", "mix", "mix_pct", "value", "unit", "note", "id"]
)
_near = st.one_of(
    _json_value,
    st.sampled_from(
        ["lathe-04", *(kind.value for kind in EntryKind), "5 US gal", "8 %", "5 degBx", "1e400", "-0", "٣"]
    ),
)


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.dictionaries(_field, _near, max_size=8), st.sampled_from([kind.value for kind in EntryKind]))
def test_anything_sent_is_a_sound_entry_or_a_refusal(fields: dict[str, Any], kind: str) -> None:
    found = _entry_or_refusal({"sump": "lathe-04", "kind": kind, **fields})
    if isinstance(found, Problem):
        assert found.status == 422
        json.dumps(found.as_json("/api/entries"))
        return
    assert found.time_s <= NOW_S
    assert found.volume_l is None or 0 < found.volume_l <= 900
    assert found.mix_pct is None or 0 <= found.mix_pct <= 100
    assert found.value is None or math.isfinite(found.value)


def _entry_or_refusal(fields: dict[str, Any]) -> Entry | Problem:
    try:
        return entry_from(fields, PLANT, NOW_S)
    except Problem as problem:
        return problem


def test_who_did_it_and_the_container_travel_with_the_entry() -> None:
    entry = _entry(kind="removal", volume=60, mix_pct=11.4, container="can-7", who=" Inês ")
    assert (entry.who, entry.container, entry.mix_pct) == ("Inês", "can-7", 11.4)
    left = _entry(kind="check", value=11.0, volume=0, container="can-7")
    assert (left.volume_l, left.is_of_container) == (0.0, True)
    assert not _entry(kind="check", value=8.0).is_of_container


@pytest.mark.parametrize(
    ("fields", "where"),
    [
        ({"kind": "removal", "volume": 60, "mix_pct": 11.4}, "mix_pct"),
        ({"kind": "removal", "volume": 60, "container": "Can 7"}, "container"),
        ({"kind": "ph", "value": 9.1, "container": "can-7"}, "container"),
        ({"kind": "check", "value": 9.1, "container": "can-7", "volume": -1}, "volume"),
        ({"kind": "check", "value": 9.1, "volume": 20}, "volume"),
    ],
)
def test_a_container_only_where_it_belongs(fields: dict[str, Any], where: str) -> None:
    assert set(_faults(**fields)) == {where}
