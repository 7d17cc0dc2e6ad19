"""A stand-in for the writer, and a plain publisher, for tests of the ways in."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from adapters.delivery import Delivery
from monitor.plant.reading import Reading, Rejected
from tests.fixtures.ports import wait_for

PACE = {"first_s": 0.05, "most_s": 0.2, "refused_s": 0.2}
"""Short waits, so that tests of a broker's return do not take minutes."""


class Sink:
    """Keeps deliveries; commits (calls `done`) at once, or when told."""

    def __init__(self, *, commits: bool = True) -> None:
        self.commits = commits
        self.deliveries: list[Delivery] = []
        self._lock = threading.Lock()

    def __call__(self, delivery: Delivery) -> None:
        with self._lock:
            self.deliveries.append(delivery)
        if self.commits:
            delivery.done()

    @property
    def readings(self) -> list[Reading]:
        with self._lock:
            return [reading for delivery in self.deliveries for reading in delivery.readings]

    @property
    def rejected(self) -> list[Rejected]:
        with self._lock:
            return [rejected for delivery in self.deliveries for rejected in delivery.rejected]

    @property
    def values(self) -> list[float | None]:
        return [reading.value for reading in self.readings]

    def wait(self, count: int) -> None:
        """Wait until so many readings and refusals came."""
        wait_for(lambda: len(self.readings) + len(self.rejected) >= count, f"{count} inputs")


class Talker:
    """A gateway that publishes with QoS 1 and waits until the broker has confirmed."""

    def __init__(self, port: int, prepare: Callable[[Client], None] = lambda _client: None) -> None:
        self.client = Client(CallbackAPIVersion.VERSION2, client_id=f"talker-{id(self)}")
        prepare(self.client)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def say(self, topic: str, payload: bytes, *, retain: bool = False, qos: int = 1) -> None:
        self.client.publish(topic, payload, qos=qos, retain=retain).wait_for_publish(timeout=20)

    def say_json(self, topic: str, **content: object) -> None:
        self.say(topic, json.dumps(content).encode())

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


class Listener:
    """Somebody who reads what is published."""

    def __init__(self, port: int, *topics: str) -> None:
        self.messages: list[MQTTMessage] = []
        self.client = Client(CallbackAPIVersion.VERSION2, client_id=f"listener-{id(self)}")
        self.client.on_message = self._on_message
        self.client.on_connect = lambda client, *_: client.subscribe([(topic, 1) for topic in topics])
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        self.messages.append(message)

    def payloads(self, topic: str) -> list[bytes]:
        return [bytes(message.payload) for message in list(self.messages) if message.topic == topic]

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()
