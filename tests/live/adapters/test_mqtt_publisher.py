"""The MQTT outlet against a real broker: retained topics, last will, nothing lost over breaks."""

from __future__ import annotations

import contextlib
import json
import math
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from adapters.delivery import SourceState
from adapters.mqtt_out import MqttPublisher
from adapters.pace import Pace
from tests.fixtures.mosquitto import Broker
from tests.fixtures.plants import mqtt_source
from tests.fixtures.ports import wait_for
from tests.live.adapters.sink import PACE, Listener

pytestmark = [pytest.mark.live, pytest.mark.broker]

STATUS = "bandkeeper/test-works/status"
STATE = "bandkeeper/test-works/sump/lathe-04/state"
MakePublisher = Callable[..., MqttPublisher]


@pytest.fixture
def publisher() -> Iterator[MakePublisher]:
    """Give a maker of publishers with short waits; all are stopped at the end."""
    made: list[MqttPublisher] = []

    def make(port: int, protocol: str = "5") -> MqttPublisher:
        new = MqttPublisher(mqtt_source("hall", port, protocol=protocol), "test-works", pace=Pace(**PACE))
        made.append(new)
        return new

    yield make
    for one in made:
        one.stop()


@contextlib.contextmanager
def listening(port: int, *topics: str) -> Iterator[Listener]:
    listener = Listener(port, *topics)
    try:
        yield listener
    finally:
        listener.close()


def confirmed(one: MqttPublisher) -> None:
    wait_for(lambda: one.health().state is SourceState.UP and not one.health().unconfirmed, "all is confirmed")


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_topics_are_retained_and_the_status_follows(broker: Broker, publisher: MakePublisher, protocol: str) -> None:
    one = publisher(broker.port, protocol=protocol)
    one.start()
    one.publish("sump/lathe-04/state", b"first")
    one.publish("sump/lathe-04/state", b"latest")
    confirmed(one)
    with listening(broker.port, "bandkeeper/#") as late:
        wait_for(lambda: len(late.messages) >= 2, "the retained topics")
        assert late.payloads(STATE) == [b"latest"]
        assert late.payloads(STATUS) == [b"online"]
        assert all(message.retain and message.qos == 1 for message in late.messages)
        one.stop()
        wait_for(lambda: late.payloads(STATUS)[-1] == b"offline", "the good-bye")
    assert one.health().state is SourceState.STOPPED


def test_what_was_published_before_the_broker_came_arrives(tmp_path: Path, publisher: MakePublisher) -> None:
    broker = Broker(tmp_path)
    one = publisher(broker.port)
    one.start()
    for n in range(300):
        one.publish(f"sump/m-{n}/state", b"%d" % n)
    wait_for(lambda: one.health().state is SourceState.WAITING, "it waits")
    assert one.health().unconfirmed == 301
    with broker:
        confirmed(one)
        with listening(broker.port, "bandkeeper/test-works/sump/+/state") as late:
            wait_for(lambda: len(late.messages) == 300, "all retained topics")
        one.stop()


def test_a_broker_that_forgot_everything_gets_the_picture_back(broker: Broker, publisher: MakePublisher) -> None:
    one = publisher(broker.port)
    one.start()
    one.publish("sump/lathe-04/state", b"kept")
    confirmed(one)
    broker.kill()
    for store in broker.config.parent.glob("*.db"):
        store.unlink()
    wait_for(lambda: one.health().state is SourceState.WAITING, "the loss is seen")
    one.publish("sump/lathe-05/state", b"meanwhile")
    broker.start()
    confirmed(one)
    with listening(broker.port, "bandkeeper/#") as late:
        wait_for(lambda: len(late.messages) == 3, "the picture")
        assert late.payloads(STATE) == [b"kept"]
        assert late.payloads(STATUS) == [b"online"]


def test_an_empty_payload_takes_a_topic_away(broker: Broker, publisher: MakePublisher) -> None:
    one = publisher(broker.port)
    one.start()
    one.publish("alert/a-1", b"{}")
    confirmed(one)
    one.publish("alert/a-1", b"")
    confirmed(one)
    with listening(broker.port, "bandkeeper/#") as late:
        wait_for(lambda: late.payloads(STATUS), "the status")
        assert late.payloads("bandkeeper/test-works/alert/a-1") == []


def test_what_makes_a_payload_is_called_when_it_is_sent(broker: Broker, publisher: MakePublisher) -> None:
    made: list[int] = []

    def make() -> bytes:
        made.append(len(made))
        return b"made"

    one = publisher(broker.port)
    one.publish("sump/lathe-04/state", make)
    assert not made
    one.start()
    confirmed(one)
    with listening(broker.port, "bandkeeper/#") as heard:
        wait_for(lambda: heard.payloads(STATE) == [b"made"], "the payload")
        one.publish("sump/lathe-04/state", make)
        one.publish("sump/lathe-05/state", b"the next")
        wait_for(lambda: heard.payloads(STATE.replace("04", "05")), "the next")
        confirmed(one)
        assert heard.payloads(STATE) == [b"made"], "what the broker has is not sent again"
    broker.kill()
    wait_for(lambda: one.health().state is SourceState.WAITING, "the loss is seen")
    broker.start()
    confirmed(one)
    assert made == [0, 1, 2], "made anew for the new connection"


def test_one_that_cannot_be_made_is_left_out_and_said(
    broker: Broker, publisher: MakePublisher, caplog: pytest.LogCaptureFixture
) -> None:
    one = publisher(broker.port)
    one.publish("sump/lathe-04/state", lambda: json.dumps(math.nan, allow_nan=False).encode())
    one.publish("sump/lathe-05/state", b"good")
    one.start()
    confirmed(one)
    with listening(broker.port, "bandkeeper/#") as late:
        wait_for(lambda: late.payloads(STATE.replace("04", "05")) == [b"good"], "the other sump")
        assert late.payloads(STATE) == []
    assert "bandkeeper/test-works/sump/lathe-04/state" in caplog.text


def test_a_killed_daemon_is_offline_by_its_last_will(broker: Broker) -> None:
    program = (
        "import time\n"
        "from adapters.mqtt_out import MqttPublisher\n"
        "from tests.fixtures.plants import mqtt_source\n"
        f"one = MqttPublisher(mqtt_source('hall', {broker.port}), 'test-works')\n"
        "one.start()\n"
        "time.sleep(60)\n"
    )
    root = Path(__file__).parents[3]
    with listening(broker.port, STATUS) as watcher:
        daemon = subprocess.Popen(
            [sys.executable, "-c", program], cwd=root, env={**os.environ, "PYTHONPATH": str(root)}
        )
        wait_for(lambda: watcher.payloads(STATUS)[-1:] == [b"online"], "online")
        daemon.kill()
        daemon.wait(timeout=20)
        wait_for(lambda: watcher.payloads(STATUS)[-1:] == [b"offline"], "offline by will")


def test_a_topic_that_may_not_be_written_is_said(tmp_path: Path, publisher: MakePublisher) -> None:
    rules = tmp_path / "rules"
    rules.write_text("topic read #\n")
    with Broker(tmp_path, extra=[f"acl_file {rules}"]) as broker:
        one = publisher(broker.port)
        one.start()
        wait_for(lambda: "access rules" in one.health().remedy, "the refusal is said")
        one.stop()
