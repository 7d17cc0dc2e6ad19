"""A client whose broker confirms at once whatever it is sent, so that messages are written out as in a daemon."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from adapters.mqtt_out import MqttPublisher


class Confirming(Client):
    """Stands where the client of a connection would; `sent` and `bytes_sent` count."""

    def __init__(self, publisher: MqttPublisher) -> None:
        super().__init__(CallbackAPIVersion.VERSION2)
        self.sent = self.bytes_sent = 0
        self._publisher = publisher
        self._unconfirmed: list[int] = []
        publisher.prepare(self)
        publisher.up(self, session_present=False)

    def publish(self, topic: str, payload: Any = None, *_: Any, **__: Any) -> Any:
        """Take a message."""
        self.sent += 1
        self.bytes_sent += len(topic) + len(payload)
        self._unconfirmed.append(self.sent)
        return SimpleNamespace(mid=self.sent)

    def take_all(self) -> None:
        """Let the publisher send all that waits."""
        confirm: Any = self.on_publish
        while not self._publisher.finished():
            self._publisher.turn(self)
            while self._unconfirmed:
                confirm(self, None, self._unconfirmed.pop(), ReasonCode(PacketTypes.PUBACK), None)
