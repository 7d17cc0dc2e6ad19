"""MQTT inlet: QoS 1, a persistent session, each message acknowledged only after its readings are on disk.

A message is acknowledged on the connection that brought it; an acknowledgement that comes after that connection ended
is left out (the broker sends the message again, the record knows the reading already). Messages that can never be
read are handed over as refused and acknowledged like all others, or they would block the window for good.
"""

from __future__ import annotations

import logging
import zlib
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final, NamedTuple

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from adapters.board import Board
from adapters.delivery import Clock, Deliver, Delivery, Inlet, Receipt, SourceHealth, SourceState, Trouble
from adapters.intake import Arrivals, Batch, Intake, Piece, Takes, fenced
from adapters.mqtt_client import MqttSettings
from adapters.mqtt_link import Link
from adapters.order import Order
from adapters.pace import Pace
from adapters.payloads import Payload, payload_named
from adapters.routes import Route, split_selectors
from monitor.plant.errors import SourceError

log = logging.getLogger("bandkeeper.sources")

MOST_OUTSTANDING: Final = 5_000
"""With so many messages handed over and not yet on disk the socket is left alone: TCP slows the broker down."""
_TOPICS_A_PACKET: Final = 100
_NO_RETAINED_AGAIN: Final = 1


class _Stamp(NamedTuple):
    """When an unacknowledged message without a time of its own first came, and what it said."""

    digest: int
    arrived_s: float


class _Came(NamedTuple):
    """A message as it came. Atoms only: paho's own message objects are heavy and would keep the collector busy."""

    topic: str
    raw: bytes
    mid: int
    qos: int
    dup: bool
    retained: bool
    arrived_s: float


class MqttInlet:
    """The way in from one broker."""

    def __init__(
        self,
        settings: MqttSettings,
        routes: Mapping[str, tuple[Route, ...]],
        payload: Payload,
        clock: Clock,
        *,
        pace: Pace | None = None,
        receipts: Iterable[Receipt] = (),
        intake: Takes | None = None,
    ) -> None:
        self._settings = settings
        self._topics = self._held = sorted(routes)
        self._intake: Takes = intake or Intake(settings.source, routes, payload)
        self._clock = clock
        self._arrivals = Arrivals()
        self._board = Board(settings.source)
        self._link = Link(settings, self._board, self, keep_session=True, pace=pace)
        self._deliver: Deliver | None = None
        self._came: list[_Came] = []
        self._done: deque[tuple[int, list[int], int]] = deque()
        self._outstanding = 0
        self._epoch = 0
        self._stamps = {receipt.mid: _Stamp(receipt.digest, receipt.arrived_s) for receipt in receipts}
        self._asked: dict[int, list[str]] = {}
        self._forsaken: set[str] = set()

    @property
    def source(self) -> str:
        """The source's id in the plant file."""
        return self._settings.source

    def start(self, deliver: Deliver) -> None:
        """Begin to connect and to take messages in; returns at once."""
        self._deliver = deliver
        self._link.start()

    def stop(self) -> None:
        """Leave the broker; unacknowledged messages stay there."""
        self._link.stop()

    def reroute(self, other: Inlet) -> bool:
        """Take up the topics and the payload of another inlet to the same broker; connection and session stay."""
        if not isinstance(other, MqttInlet):
            return False
        settings, topics, intake = other.listening
        if settings != self._settings:
            return False
        self._intake, self._topics = intake, topics
        self._link.wake()
        return True

    @property
    def listening(self) -> tuple[MqttSettings, list[str], Takes]:
        """To which broker it connects, to which topics it listens, and what takes their messages."""
        return self._settings, self._topics, self._intake

    def health(self) -> SourceHealth:
        """Tell how the source stands."""
        return self._board.health(self._outstanding)

    # What the link calls, on its thread.

    def prepare(self, client: Client) -> None:
        """Set the callbacks, which only note what came."""
        client.on_message = self._on_message
        client.on_subscribe = self._on_subscribe

    def up(self, client: Client, *, session_present: bool) -> None:
        """Subscribe to every address, whether the broker kept the session or not."""
        if self._epoch and not session_present:
            log.warning("%s: the broker forgot the session: what came during the break is lost", self.source)
        if not session_present:
            self._stamps.clear()
        self._epoch += 1
        self._forsaken.clear()
        self._board.set(SourceState.UP, f"connected to {self._settings.host}:{self._settings.port}")
        self._held = self._topics
        self._subscribe(client, self._held)

    def _subscribe(self, client: Client, wanted: list[str]) -> None:
        for begin in range(0, len(wanted), _TOPICS_A_PACKET):
            topics = wanted[begin : begin + _TOPICS_A_PACKET]
            _, mid = client.subscribe([self._subscription(topic) for topic in topics])
            if mid is not None:
                self._asked[mid] = topics

    def _follow(self, client: Client) -> None:
        """Subscribe to what is new among the topics and give up what is gone."""
        before, self._held = set(self._held), self._topics
        gone = sorted(before.difference(self._held))
        for begin in range(0, len(gone), _TOPICS_A_PACKET):
            client.unsubscribe(gone[begin : begin + _TOPICS_A_PACKET])
        self._forsaken.difference_update(self._held)
        self._subscribe(client, [topic for topic in self._held if topic not in before])

    def turn(self, client: Client) -> None:
        """Hand over what came, acknowledge what is on disk."""
        if self._held is not self._topics:
            self._follow(client)
        if self._came:
            self._hand_over(client)
        while self._done:
            epoch, mids, count = self._done.popleft()
            self._outstanding -= count
            if epoch == self._epoch:
                for mid in mids:
                    self._stamps.pop(mid, None)
                    client.ack(mid, 1)

    def down(self) -> None:
        """Forget what was not handed over yet: the broker sends it again."""
        self._came.clear()
        self._asked.clear()

    def wants_more(self) -> bool:
        """Stop reading while too much waits for the disk."""
        return self._outstanding < MOST_OUTSTANDING

    def finished(self) -> bool:
        """Say whether all that was handed over is acknowledged."""
        return not self._outstanding and not self._done

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        topic, now_s = _topic(message), self._clock()
        self._came.append(
            _Came(topic, bytes(message.payload), message.mid, message.qos, message.dup, message.retain, now_s)
        )
        self._link.note_packet()

    def _on_subscribe(
        self, _client: Client, _data: Any, mid: int, codes: list[ReasonCode], _properties: Properties | None
    ) -> None:
        topics = self._asked.pop(mid, [])
        denied = [topic for topic, code in zip(topics, codes, strict=False) if code.is_failure]
        if denied:
            more = f" and {len(denied) - 1} more" if len(denied) > 1 else ""
            said = f"the broker refuses the subscription to {denied[0]}{more}"
            remedy = "let the user read these topics in the broker's access rules"
            self._link.blame(Trouble(SourceState.REFUSED, said, remedy))

    def _subscription(self, topic: str) -> tuple[str, Any]:
        if self._settings.version_5:
            return (topic, SubscribeOptions(qos=1, retainHandling=_NO_RETAINED_AGAIN))
        return (topic, 1)

    def _hand_over(self, client: Client) -> None:
        came, self._came = self._came, []
        batch, mids, receipts = Batch(), [], []
        for message in came:
            receipt = self._take(batch, message)
            if message.qos:
                mids.append(message.mid)
            if receipt is not None:
                receipts.append(receipt)
        self._leave_unknown(client, batch)
        self._outstanding += len(came)
        taken = len(batch.readings) + len(batch.entries) + len(batch.acts)
        self._board.count(len(came), taken, len(batch.rejected), came[-1].arrived_s)
        if self._deliver is not None:
            done = self._when_done(self._epoch, mids, len(came))
            readings, rejected, entries = tuple(batch.readings), tuple(batch.rejected), tuple(batch.entries)
            self._deliver(Delivery(readings, rejected, done, tuple(receipts), entries, tuple(batch.acts)))

    def _take(self, batch: Batch, came: _Came) -> Receipt | None:
        topic, raw, mid = came.topic, came.raw, came.mid
        arrived_s = self._arrivals.at(topic, came.arrived_s)
        if came.dup and (stamp := self._stamps.get(mid)) and stamp.digest == _digest(topic, raw):
            arrived_s = stamp.arrived_s
        stamped = fenced(self._intake, self.source, batch, Piece(topic, raw, arrived_s, came.retained))
        if not stamped or not came.qos:
            return None
        digest = _digest(topic, raw)
        self._stamps[mid] = _Stamp(digest, arrived_s)
        return Receipt(self.source, mid, digest, arrived_s)

    def _when_done(self, epoch: int, mids: list[int], count: int) -> Callable[[], None]:
        def done() -> None:
            self._done.append((epoch, mids, count))
            self._link.wake()

        return done

    def _leave_unknown(self, client: Client, batch: Batch) -> None:
        """Give up subscriptions that an earlier plant file left in the session."""
        if not batch.rejected:
            return
        prefix = f"{self.source}: "
        for refused in batch.rejected:
            topic = refused.where.removeprefix(prefix)
            if topic not in self._topics and topic not in self._forsaken:
                self._forsaken.add(topic)
                client.unsubscribe(topic)


def mqtt_inlet(order: Order) -> Inlet:
    """Build the way in from a broker."""
    spec = order.spec
    settings = MqttSettings.of(spec, f"bandkeeper-{order.plant.id}-{spec.id}")
    payload = payload_named(spec.payload or "json")
    topics = split_selectors(order.routes) if payload.parts else order.routes
    for topic, listeners in topics.items():
        for route in listeners:
            payload.check(route.selector)
        if not topic or set(topic) & {"+", "#", "\0"}:
            raise SourceError(f"source {spec.id}: address {topic!r}: an address is one whole topic, without + and #")
    return MqttInlet(settings, topics, payload, order.clock, receipts=order.receipts)


def _digest(topic: str, raw: bytes) -> int:
    return zlib.crc32(raw, zlib.crc32(topic.encode()))


def _topic(message: MQTTMessage) -> str:
    try:
        return message.topic
    except UnicodeDecodeError:
        return "(a topic that is not UTF-8)"
