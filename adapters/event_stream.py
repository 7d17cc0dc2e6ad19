"""The event stream over MQTT: each transition once under `event`, delivered when the broker has confirmed it."""

from __future__ import annotations

import json
import threading
from typing import Final

from adapters.mqtt_out import MqttPublisher
from adapters.outlet import Letter, Said, Verdict

TOPIC: Final = "event"
_WITHIN_S: Final = 10.0


class EventStream:
    """An outlet over the publisher's connection."""

    def __init__(self, name: str, publisher: MqttPublisher, *, within_s: float = _WITHIN_S) -> None:
        self.id = name
        self._publisher = publisher
        self._within_s = within_s

    def send(self, letter: Letter) -> Verdict:
        """Publish the event and wait for the broker's word."""
        confirmed = threading.Event()
        handle = self._publisher.post(TOPIC, json.dumps(letter.event).encode(), confirmed.set)
        if confirmed.wait(self._within_s):
            return Verdict(Said.DELIVERED)
        self._publisher.withdraw(handle)
        return Verdict(Said.AGAIN, f"{self._publisher.source}: the broker has not confirmed the event")
