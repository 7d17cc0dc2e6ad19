"""The whole way: a reading over a real broker, an alert, a signed event, and people who take it on."""

from __future__ import annotations

import json
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.error import HTTPError

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from alerts.links import Claim, sign_link
from monitor.daemon import Daemon
from monitor.keys import link_key
from monitor.plant.errors import RecordError
from monitor.plant.file import load_plant
from tests.fixtures.mosquitto import Broker
from tests.fixtures.ports import free_port, wait_for
from tests.fixtures.receivers import HookServer

pytestmark = [pytest.mark.live, pytest.mark.broker]
MONDAY_10 = 1930298400.0  # 2031-03-03T10:00 in Lisbon
PLANT = """
[plant]
name = "Ferry Lane works"
id = "ferry-lane"
zone = "Europe/Lisbon"
[record]
gather = "0 s"
[fluid.semi]
refractometer_factor = 1.5
band = [6.0, 10.0]
[source.hall]
kind = "mqtt"
host = "127.0.0.1"
port = {port}
[publish]
source = "hall"
[status]
listen = "127.0.0.1:{page}"
address = "http://127.0.0.1:{page}"
[sump.lathe-04]
fluid = "semi"
full = "400 L"
lowest = "200 L"
volume = {{ per_height = "1.25 L/mm" }}
[sump.lathe-04.signal.level]
source = "hall"
address = "lathe-04/level"
unit = "mm"
period = "5 min"
[sump.lathe-04.signal.refractometer]
source = "hall"
address = "lathe-04/brix"
unit = "degBx"
period = "5 min"
[channel.desk]
kind = "webhook"
url = "{url}"
secret_file = "secret"
[person.desk]
name = "Desk"
reach = [{{ channel = "desk" }}]
[person.boss]
name = "Boss"
reach = [{{ channel = "desk" }}]
[route.all]
to = ["desk"]
escalate_after = "20 min"
escalate_to = ["boss"]
"""


class Works:
    """A daemon on a plant whose clock the test moves, and a client beside it."""

    def __init__(self, folder: Path, broker: Broker, hook: HookServer, *changes: tuple[str, str]) -> None:
        (folder / "secret").write_text("correct horse")
        text = PLANT.format(port=broker.port, page=free_port(), url=hook.url)
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        (folder / "plant.toml").write_text(text)
        self.plant = load_plant(folder / "plant.toml")
        self.now_s, self.hook = MONDAY_10, hook
        self.daemon = Daemon(self.plant, lambda: self.now_s, tick_s=0.05)
        self.heard: list[tuple[str, dict[str, Any], bool]] = []
        self.client = Client(CallbackAPIVersion.VERSION2)
        self.client.on_message = lambda _client, _data, message: self.heard.append(
            (message.topic, json.loads(message.payload), message.retain)
        )
        self.client.connect("127.0.0.1", broker.port)
        self.client.subscribe("bandkeeper/ferry-lane/event", qos=1)
        self.client.loop_start()

    def run_low(self) -> str:
        """Let an hour of readings below the lowest level come in; return the alert's id."""
        self.now_s = MONDAY_10 + 3600.0
        wait_for(self._stored, "readings on record")
        self.now_s = MONDAY_10 + 4800.0
        wait_for(lambda: self.daemon.snapshot().alerts, "an alert")
        return next(alert.id for alert in self.daemon.snapshot().alerts if alert.kind.value == "outside_band")

    def _stored(self) -> bool:
        """Publish all readings (again: what came before the subscription is lost) and tell whether all are stored."""
        for minute in range(0, 65, 5):
            time_s = MONDAY_10 + 60.0 * minute
            for name, value in (("level", 120.0), ("brix", 5.3)):
                self.client.publish(f"lathe-04/{name}", json.dumps({"t": time_s, "v": value}), qos=1)
        time.sleep(0.5)
        return self.daemon.counters()["readings_accepted"] == 26

    def state(self, alert_id: str) -> str:
        return next((a.state.value for a in self.daemon.snapshot().alerts if a.id == alert_id), "gone")

    def stop(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()
        self.daemon.stop()


@pytest.fixture
def works(tmp_path: Path, broker: Broker) -> Iterator[Works]:
    with HookServer() as hook:
        found = Works(tmp_path, broker, hook)
        found.daemon.start()
        wait_for(lambda: all(s.state == "up" for s in found.daemon.health().sources), "the broker")
        yield found
        found.stop()


def call(address: str, method: str = "GET") -> str:
    """Return what the page answers."""
    with urllib.request.urlopen(urllib.request.Request(address, method=method)) as answer:  # noqa: S310 - loopback
        return str(answer.read().decode())


def of_alert(works: Works, alert_id: str) -> list[dict[str, Any]]:
    return [p.event for p in works.hook.posts if p.event["data"]["alert"]["id"] == alert_id]


def test_from_a_reading_to_a_signed_event_and_the_stream(works: Works) -> None:
    alert_id = works.run_low()
    wait_for(lambda: of_alert(works, alert_id), "the event at the desk")
    wait_for(lambda: works.heard, "the event stream")
    (event,) = of_alert(works, alert_id)
    assert (event["type"], event["subject"], event["specversion"]) == ("bandkeeper.alert.raised", "lathe-04", "1.0")
    topic, streamed, retained = next(h for h in works.heard if h[1]["data"]["alert"]["id"] == alert_id)
    assert (topic, streamed["id"], retained) == ("bandkeeper/ferry-lane/event", event["id"], False)
    assert "v1=" in works.hook.posts[0].headers["Bandkeeper-Signature"]


def test_a_message_over_mqtt_acknowledges_and_a_retained_one_does_not(works: Works) -> None:
    alert_id = works.run_low()
    topic = f"bandkeeper/ferry-lane/alert/{alert_id}/acknowledge"
    works.client.publish("bandkeeper/ferry-lane/alert/nothing/acknowledge", "ana", qos=1)
    works.client.publish(topic, json.dumps({"who": "ana"}), qos=1)
    wait_for(lambda: works.state(alert_id) == "acknowledged", "the acknowledgement")
    (alert,) = (a for a in works.daemon.snapshot().alerts if a.id == alert_id)
    assert alert.acknowledged_by == "ana"


def test_opening_the_link_changes_nothing_and_its_button_acknowledges(works: Works) -> None:
    alert_id = works.run_low()
    key = link_key(works.plant.database)
    assert works.plant.status is not None
    link = f"{works.plant.status.address}/acknowledge/" + sign_link(key, Claim(alert_id, "Ana", works.now_s + 60.0))
    page = call(link)
    assert page.count("<button>") == 1
    assert works.state(alert_id) == "unacknowledged"
    assert "You are on it" in call(link, "POST")
    assert works.state(alert_id) == "acknowledged"
    for wrong in (link[:-3] + "AAA", f"{works.plant.status.address}/acknowledge/x"):
        with pytest.raises(HTTPError) as refused:
            call(wrong, "POST")
        assert refused.value.code == 410
        refused.value.close()
    works.now_s += 120.0
    with pytest.raises(HTTPError) as old:
        call(link)
    assert old.value.code == 410
    old.value.close()


def test_a_second_daemon_on_the_plant_is_refused(works: Works) -> None:
    with pytest.raises(RecordError, match="another bandkeeper"):
        Daemon(works.plant, time.time)


def test_after_a_restart_nothing_is_sent_again(works: Works) -> None:
    alert_id = works.run_low()
    wait_for(lambda: of_alert(works, alert_id), "the event at the desk")
    wait_for(lambda: works.daemon.counters()["messages_delivered"] >= 2, "marks")
    sent = len(works.hook.posts)
    works.daemon.stop()
    works.daemon = Daemon(works.plant, lambda: works.now_s, tick_s=0.05)
    works.daemon.start()
    wait_for(lambda: works.state(alert_id) == "unacknowledged", "the alert is known again")
    works.now_s += 60.0
    time.sleep(0.5)
    assert len(works.hook.posts) == sent


def test_a_restart_in_the_middle_of_an_escalation_forgets_nothing_and_repeats_nothing(works: Works) -> None:
    alert_id = works.run_low()
    wait_for(lambda: of_alert(works, alert_id), "the event at the desk")
    works.daemon.stop()
    works.now_s += 1260.0
    for _ in range(2):
        works.daemon = Daemon(works.plant, lambda: works.now_s, tick_s=0.05)
        works.daemon.start()
        wait_for(lambda: len(of_alert(works, alert_id)) == 2, "the escalation")
        works.daemon.stop()
        works.now_s += 60.0
    works.daemon = Daemon(works.plant, lambda: works.now_s, tick_s=0.05)
    works.daemon.start()
    time.sleep(0.5)
    raised, escalated = of_alert(works, alert_id)
    assert (raised["type"], escalated["type"]) == ("bandkeeper.alert.raised", "bandkeeper.alert.escalated")
    assert escalated["id"] == f"{raised['id']}-escalate-1"


def test_an_acknowledgement_sent_while_the_daemon_was_away_counts_when_it_is_back(works: Works) -> None:
    alert_id = works.run_low()
    topic = f"bandkeeper/ferry-lane/alert/{alert_id}/acknowledge"
    works.daemon.stop()
    for payload in (json.dumps({"who": "ana"}), json.dumps({"who": "ana"}), json.dumps({"who": "ben"})):
        works.client.publish(topic, payload, qos=1).wait_for_publish(10.0)
    works.client.publish("bandkeeper/ferry-lane/alert/long-gone/acknowledge", "ana", qos=1).wait_for_publish(10.0)
    works.client.publish(topic, "eve", qos=1, retain=True).wait_for_publish(10.0)
    works.daemon = Daemon(works.plant, lambda: works.now_s, tick_s=0.05)
    works.daemon.start()
    wait_for(lambda: works.state(alert_id) == "acknowledged", "the acknowledgement")
    confirmed = next(s for s in works.daemon._sources.health() if s.source == "hall (acknowledgements)")
    wait_for(lambda: not works.daemon._sources._inlets[confirmed.source].health().unconfirmed, "all is confirmed")
    acts = [t for t in works.daemon.reader().transitions(0.0, 4e9, alert_id) if t.after.value == "acknowledged"]
    assert [act.alert.acknowledged_by for act in acts] == ["ana"], "twice is once"
    works.client.publish(topic, b"", qos=1, retain=True)


def test_it_is_confirmed_only_when_it_is_on_record(works: Works) -> None:
    alert_id = works.run_low()
    works.daemon._worker.ask(lambda: works.daemon._record._db.execute("PRAGMA query_only = 1")).result(10.0)
    works.client.publish(f"bandkeeper/ferry-lane/alert/{alert_id}/acknowledge", "ana", qos=1)
    inlet = works.daemon._sources._inlets["hall (acknowledgements)"]
    wait_for(lambda: inlet.health().accepted == 1, "the message")
    time.sleep(0.5)
    assert inlet.health().unconfirmed == 1
    assert works.state(alert_id) == "unacknowledged"
    works.daemon._worker.ask(lambda: works.daemon._record._db.execute("PRAGMA query_only = 0")).result(10.0)
    wait_for(lambda: works.state(alert_id) == "acknowledged", "the acknowledgement, tried again")
    wait_for(lambda: inlet.health().unconfirmed == 0, "its confirmation")
