"""The whole way: bytes at a broker and on a serial line, and everything that comes out of it."""

from __future__ import annotations

import http.client
import json
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.record.reader import Reader
from tests.fixtures.mosquitto import Broker
from tests.fixtures.ports import wait_for
from tests.fixtures.pty_line import PtyLine
from tests.live.adapters.sink import Listener, Talker
from tests.live.daemon.program import Program, moment

pytestmark = [pytest.mark.live, pytest.mark.broker]

SAMPLES = 48
PERIOD_S = 300.0
ROOT = "bandkeeper/quarry-road"


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    with Broker(tmp_path_factory.mktemp("broker")) as running:
        yield running


def tell_four_hours(talker: Talker, now_s: float) -> None:
    """Publish four hours of a sump that has become too rich, as JSON with times of its own."""
    for number in range(SAMPLES):
        time_s = now_s - PERIOD_S * (SAMPLES - number)
        talker.say_json("hall/lathe-04/level", t=moment(time_s), v=round(250.0 - 0.1 * number, 1))
        talker.say_json("hall/lathe-04/brix", t=time_s, v=round(9.5 + 0.004 * number, 2), u="degBx", q="good")


@pytest.fixture(scope="module")
def told(broker: Broker, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Program]:
    """Give a program that was told of a rich sump over MQTT and of another over its line, and has raised an alert."""
    folder = tmp_path_factory.mktemp("works")
    with PtyLine(folder / "line") as line, Program(folder, broker.port) as program:
        program.connected()
        talker = Talker(broker.port)
        tell_four_hours(talker, time.time())
        for number in range(5):
            line.send(b"level=%d.5\r\nbrix=5.%d\r\n" % (150 - number, number))
        wait_for(lambda: program.metric("bandkeeper_readings_accepted_total") == 2 * SAMPLES + 10, "readings")
        wait_for(lambda: program.json("/api/alerts")["alerts"], "an alert", within_s=150)
        wait_for(lambda: all(sump["known"] for sump in program.sumps().values()), "estimates", within_s=60)
        talker.close()
        yield program


def test_readings_are_on_disk(told: Program) -> None:
    readings = list(Reader.open(told.database).readings(0, 4e9))
    assert len(readings) == 2 * SAMPLES + 10
    assert {(one.sump, one.signal.value) for one in readings} == {
        (sump, signal) for sump in ("lathe-04", "press-01") for signal in ("level", "refractometer")
    }


def test_sumps_are_estimated_and_foreseen(told: Program) -> None:
    sumps = told.sumps()
    assert list(sumps) == ["lathe-04", "press-01"]
    assert 300 < sumps["lathe-04"]["volume_l"] < 315
    assert sumps["lathe-04"]["concentration_pct"] > 13
    assert sumps["lathe-04"]["forecast"]["exit_p50"] == 0
    assert 140 < sumps["press-01"]["volume_l"] < 155
    assert 7 < sumps["press-01"]["concentration_pct"] < 9
    one = told.json("/api/sumps/press-01")
    assert one["forecast"]["exit_p10"] <= one["forecast"]["exit_p50"] <= one["forecast"]["exit_p90"]
    assert len(told.json("/api/sumps/press-01/forecast")["dots_h"]) == 20


def test_history_recipe_and_mixing(told: Program) -> None:
    now_s = time.time()
    query = f"from={moment(now_s - 18000).replace('+', '%2B')}&to={moment(now_s).replace('+', '%2B')}&points=20"
    history = told.json(f"/api/sumps/lathe-04/history?{query}")
    assert 10 < len(history["signals"]["level"]["points"]) <= 20
    recipe = told.json("/api/sumps/lathe-04/recipe")
    assert recipe["from"]["concentration_pct"] > 13
    assert 6.5 < recipe["lands"]["concentration_pct"] < 9.5
    assert all(step["mix_pct"] >= 1.0 for step in recipe["steps"] if step["do"] == "add")
    assert [demand["fluid"] for demand in told.json("/api/mixing")["mixing"]] == ["semi-synthetic"]


def test_the_alert_carries_its_recipe(told: Program) -> None:
    alerts = told.json("/api/alerts")["alerts"]
    rich = next(alert for alert in alerts if alert["sump"] == "lathe-04")
    assert rich["kind"] == "outside_band"
    assert rich["recipe"]["steps"]


def test_all_retained_topics(told: Program, broker: Broker) -> None:
    alert = told.json("/api/alerts")["alerts"][0]
    listener = Listener(broker.port, f"{ROOT}/#")
    wanted = {f"{ROOT}/sump/{sump}/{what}" for sump in told.sumps() for what in ("state", "forecast", "recipe")}
    wanted |= {f"{ROOT}/status", f"{ROOT}/mixing/semi-synthetic/demand", f"{ROOT}/alert/{alert['id']}"}
    wait_for(lambda: wanted <= {message.topic for message in list(listener.messages)}, "topics", within_s=60)
    first = {message.topic: message for message in reversed(list(listener.messages))}  # later ones come as they happen
    assert [topic for topic in wanted if not first[topic].retain or first[topic].qos != 1] == []
    assert listener.payloads(f"{ROOT}/status") == [b"online"]
    event = json.loads(listener.payloads(f"{ROOT}/alert/{alert['id']}")[0])
    assert event["specversion"] == "1.0"
    assert {"id", "source", "type", "time", "data"} <= set(event)
    state = json.loads(listener.payloads(f"{ROOT}/sump/lathe-04/state")[-1])
    assert state["concentration_pct"] > 13
    listener.close()


def test_an_entry_is_logged_and_an_alert_acknowledged(told: Program) -> None:
    body = {"sump": "press-01", "kind": "check", "value": 8.0, "id": "check-1"}
    assert told.ask("/api/entries", body)[0] == 201
    assert told.ask("/api/entries", body)[0] == 200
    alert = told.json("/api/alerts")["alerts"][0]
    assert told.json(f"/api/alerts/{alert['id']}/acknowledge", {"who": "Ida"})["state"] == "acknowledged"
    shelved = told.json(f"/api/alerts/{alert['id']}/shelve", {"hours": 2, "reason": "new fluid comes", "who": "Ida"})
    assert shelved["state"] == "shelved"


def test_page_stream_and_health(told: Program) -> None:
    status, page = told.ask("/")
    assert status == 200
    assert "lathe-04" in page
    connection = http.client.HTTPConnection("127.0.0.1", told.port, timeout=30)
    connection.request("GET", "/api/stream")
    assert connection.getresponse().getheader("content-type", "").startswith("text/event-stream")
    connection.close()
    assert told.ask("/health/live")[0] == 200
    assert told.json("/health/ready")["ready"] is True
    assert told.ask("/metrics")[1].endswith("# EOF\n")


@pytest.mark.parametrize(("payload", "protocol"), [("number", "3.1.1"), ("json", "3.1.1"), ("number", "5")])
def test_bare_numbers_and_both_protocols(tmp_path: Path, payload: str, protocol: str) -> None:
    with (
        Broker(tmp_path) as broker,  # its own: what is said here is no business of the works above
        PtyLine(tmp_path / "line"),
        Program(tmp_path, broker.port, payload=payload, protocol=protocol) as one,
    ):
        one.connected()
        talker = Talker(broker.port)
        talker.say("hall/lathe-04/level", b"248.5" if payload == "number" else b'{"v": 248.5}')
        talker.say("hall/lathe-04/brix", b"5.4" if payload == "number" else b'{"v": 5.4}')
        wait_for(lambda: one.metric("bandkeeper_readings_accepted_total") == 2, "readings")
        wait_for(lambda: one.sumps().get("lathe-04", {}).get("known"), "an estimate", within_s=60)
        assert 305 < one.sumps()["lathe-04"]["volume_l"] < 317
        talker.close()
        assert one.stop() == 0


def test_status_by_last_will_and_on_leaving(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker, PtyLine(tmp_path / "line"):
        program = Program(tmp_path, broker.port)
        listener = Listener(broker.port, f"{ROOT}/status")
        try:
            program.start()
            wait_for(lambda: listener.payloads(f"{ROOT}/status")[-1:] == [b"online"], "online")
            program.kill()
            wait_for(lambda: listener.payloads(f"{ROOT}/status")[-1:] == [b"offline"], "the last will")
            program.start()
            wait_for(lambda: listener.payloads(f"{ROOT}/status")[-1:] == [b"online"], "online again")
            assert program.stop() == 0
            wait_for(lambda: listener.payloads(f"{ROOT}/status")[-1:] == [b"offline"], "offline on leaving")
        finally:
            program.kill()
            listener.close()
