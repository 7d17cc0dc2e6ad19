"""MQTT outlet: the plant's retained topics under bandkeeper/PLANT-ID/…, each sent until the broker has confirmed it.

Only the latest payload of a topic counts; of events (`post`), which are not retained, each does. On each new
connection everything that is not confirmed is sent again, and so is everything retained: a broker that forgot its store
gets the whole picture back. `status` says `online` while the daemon is there and `offline` when it is not (by last
will, or on leaving).
"""

from __future__ import annotations

import itertools
import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass
from hashlib import blake2b
from typing import Any, Final

from paho.mqtt.client import Client
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from adapters.board import Board
from adapters.delivery import SourceHealth, SourceState, Trouble
from adapters.mqtt_client import MqttSettings, Will
from adapters.mqtt_link import Link
from adapters.pace import Pace
from monitor.plant.types import SourceSpec

log = logging.getLogger("bandkeeper.sources")

Payload = bytes | Callable[[], bytes]
"""Bytes, or what makes them whenever they are sent, the same each time: thousands of topics then take little room."""

NEWLINE: Final = "\n"
IN_FLIGHT: Final = 20
"""So many messages are sent before the first is confirmed: what brokers take without being told more."""


@dataclass(slots=True)
class _Letter:
    """The latest payload of a topic. `version` tells whether a confirmation is of this payload or of an earlier one.

    `there` is the digest of what the broker is known to hold under the topic.
    """

    topic: str
    payload: Payload
    retain: bool
    version: int
    confirmed: bool = False
    there: bytes = b""
    done: Callable[[], None] | None = None

    def made(self) -> bytes:
        return self.payload() if callable(self.payload) else self.payload

    @property
    def takes_away(self) -> bool:
        return not self.payload


class MqttPublisher:
    """The way out to one broker."""

    def __init__(
        self,
        source: SourceSpec,
        plant_id: str,
        *,
        pace: Pace | None = None,
    ) -> None:
        settings = MqttSettings.of(source, f"bandkeeper-{plant_id}-{source.id}", suffix="-out")
        self._settings = settings
        self._prefix = f"bandkeeper/{plant_id}/"
        self._board = Board(f"{source.id} (publishing)")
        will = Will(f"{self._prefix}status", b"offline")
        self._link = Link(settings, self._board, self, keep_session=False, pace=pace, will=will)
        self._lock = threading.Lock()
        self._events = itertools.count()
        self._letters: dict[str, _Letter] = {}
        self._waiting: dict[str, None] = {}
        self._sent: dict[int, tuple[str, int, bytes]] = {}

    @property
    def source(self) -> str:
        """The source's id in the plant file."""
        return self._settings.source

    def start(self) -> None:
        """Begin to connect; returns at once. What is published before the connection stands is kept."""
        self.publish("status", b"online")
        self._link.start()

    def publish(self, topic_suffix: str, payload: Payload, *, retain: bool = True) -> None:
        """Send a payload to bandkeeper/PLANT-ID/SUFFIX (from any thread; never blocks). A later payload replaces it.

        An empty retained payload takes the topic away. What makes a payload is called on the link's thread, each time
        it is sent; what the broker has already is not sent again.
        """
        topic = self._prefix + topic_suffix
        with self._lock:
            old = self._letters.get(topic)
            version = 0 if old is None else old.version + 1
            there = old.there if old is not None and old.confirmed and old.retain == retain else b""
            self._letters[topic] = _Letter(topic, payload, retain, version, there=there)
            self._waiting[topic] = None
        self._link.wake()

    def post(self, topic_suffix: str, payload: bytes, done: Callable[[], None]) -> str:
        """Send an event that is not retained; `done` is called (on the link's thread) once the broker confirmed it.

        Returns a handle for `withdraw`. Until then it is sent again on each new connection.
        """
        handle = f"{topic_suffix}\n{next(self._events)}"
        with self._lock:
            self._letters[handle] = _Letter(self._prefix + topic_suffix, payload, retain=False, version=0, done=done)
            self._waiting[handle] = None
        self._link.wake()
        return handle

    def withdraw(self, handle: str) -> None:
        """Forget an event that nobody waits for any more."""
        with self._lock:
            self._letters.pop(handle, None)
            self._waiting.pop(handle, None)

    def clear(self) -> None:
        """Take away every topic that this publisher keeps, but `status`."""
        with self._lock:
            kept = [letter.topic for letter in self._letters.values() if letter.retain]
        for topic in kept:
            if topic != f"{self._prefix}status":
                self.publish(topic.removeprefix(self._prefix), b"")

    def stop(self) -> None:
        """Say `offline`, wait for the broker's word within two seconds, leave."""
        self.publish("status", b"offline")
        self._link.stop()

    def health(self) -> SourceHealth:
        """Tell how the broker stands; `accepted` counts confirmed messages, `unconfirmed` those still to confirm."""
        with self._lock:
            unconfirmed = sum(not letter.confirmed for letter in self._letters.values())
        return self._board.health(unconfirmed)

    # What the link calls, on its thread.

    def prepare(self, client: Client) -> None:
        """Set the callback that takes the broker's confirmations."""
        client.on_publish = self._on_publish

    def up(self, client: Client, *, session_present: bool) -> None:
        """Begin to send everything again: `online` for a start."""
        del client, session_present
        with self._lock:
            for letter in self._letters.values():
                letter.confirmed, letter.there = False, b""
            self._waiting = dict.fromkeys(self._letters)
        self._board.set(SourceState.UP, f"connected to {self._settings.host}:{self._settings.port}")

    def turn(self, client: Client) -> None:
        """Send what waits, as far as the window allows."""
        while len(self._sent) < IN_FLIGHT:
            with self._lock:
                topic = next(iter(self._waiting), None)
                if topic is None:
                    return
                del self._waiting[topic]
                letter = self._letters[topic]
            self._send(client, topic, letter)

    def _send(self, client: Client, topic: str, letter: _Letter) -> None:
        """Send a letter, unless the broker has just that already or it cannot be written out."""
        try:
            payload = letter.made()
        except MemoryError:
            raise
        except Exception:
            log.exception("%s: own fault, %s is left out", self._settings.source, letter.topic)
            letter.confirmed = True
            return
        digest = blake2b(payload, digest_size=16).digest()
        if digest == letter.there:
            letter.confirmed = True
            return
        info = client.publish(letter.topic, payload, qos=1, retain=letter.retain)
        self._sent[info.mid] = (topic, letter.version, digest)

    def down(self) -> None:
        """Forget what was on its way: it is sent again."""
        self._sent.clear()

    def wants_more(self) -> bool:
        """Read on: confirmations are always welcome."""
        return True

    def finished(self) -> bool:
        """Say whether the broker has confirmed everything."""
        with self._lock:
            return not self._sent and not self._waiting

    def _on_publish(
        self, _client: Client, _data: Any, mid: int, code: ReasonCode, _properties: Properties | None
    ) -> None:
        self._link.note_packet()
        topic, version, digest = self._sent.pop(mid, ("", -1, b""))
        done: Callable[[], None] | None = None
        with self._lock:
            letter = self._letters.get(topic)
            if letter is not None and letter.version == version:
                letter.confirmed, letter.there = True, digest
                done = None if code.is_failure else letter.done
                if not letter.retain or letter.takes_away:
                    del self._letters[topic]
        if done is not None:
            done()
        if code.is_failure:
            said = f"the broker refuses to publish {topic.partition(NEWLINE)[0]}: {str(code).lower()}"
            remedy = "let the user write to bandkeeper/# in the broker's access rules"
            self._link.blame(Trouble(SourceState.REFUSED, said, remedy))
        else:
            self._board.count(0, 1, 0)
