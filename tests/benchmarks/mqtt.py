"""What a message costs from the broker's socket to a committed row and its acknowledgement, beside bare paho.

Both sides drain the same backlog of QoS 1 messages out of a persistent session of a real mosquitto, so the publisher's
work is not in the figures: a paho client whose callback only counts (and acknowledges at once), and the inlet with a
writer that commits batches before it acknowledges.
"""

from __future__ import annotations

import queue
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from adapters.delivery import Delivery, SourceState
from adapters.mqtt import MqttInlet
from adapters.mqtt_client import RECEIVE_MAXIMUM, MqttSettings
from adapters.payloads import payload_named
from adapters.routes import routes_of
from monitor.plant.reading import Reading, Rejected, Signal
from monitor.plant.types import Plant
from monitor.record.store import Record
from tests.fixtures.mosquitto import Broker
from tests.fixtures.plants import mqtt_source, plant, signal, sump
from tests.fixtures.ports import wait_for

Commit = Callable[[Sequence[Reading], Sequence[Rejected]], None]

SUMPS = 500
START_S = 1_930_262_400
AT_ONCE = 500
GATHER_S = 0.02
ROUNDS = 3


def measure(commit: Commit, messages: int = 20_000) -> dict[str, float]:
    """Drain `messages` messages both ways; give CPU microseconds a message, messages a second, and their ratio.

    `commit` puts a batch on disk. The two sides take turns, and the best of three turns counts for each.
    """
    with (
        tempfile.TemporaryDirectory(prefix="bandkeeper-bench-") as folder,
        Broker(Path(folder), durable=False) as broker,
    ):
        pairs = [(_bare(broker.port, messages), _inlet(broker.port, messages, commit)) for _ in range(ROUNDS)]
    bare = min(pair[0] for pair in pairs)
    ours = min(pair[1] for pair in pairs)
    return {
        "messages": float(messages),
        "paho_counting_cpu_us_a_message": 1e6 * bare[0] / messages,
        "paho_counting_messages_a_second": messages / bare[1],
        "inlet_committed_cpu_us_a_message": 1e6 * ours[0] / messages,
        "inlet_committed_messages_a_second": messages / ours[1],
        "cpu_ratio": ours[0] / bare[0],
    }


def main(arguments: list[str]) -> int:
    """Run it against the real record and print the figures."""
    messages = int(arguments[0]) if arguments else 20_000
    with tempfile.TemporaryDirectory(prefix="bandkeeper-bench-") as folder:
        record = Record.open(Path(folder) / "record.db", now_s=float(START_S))
        figures = measure(lambda readings, rejected: _add(record, readings, rejected), messages)
        record.close()
    for name, value in figures.items():
        print(f"{name:36} {value:10.2f}")
    return 0


def _add(record: Record, readings: Sequence[Reading], rejected: Sequence[Rejected]) -> None:
    record.add(readings, rejected=rejected)


def _works(port: int, client_id: str) -> Plant:
    source = mqtt_source("hall", port, client_id=client_id)
    return plant(
        [source], *(sump(f"m-{n}", signal(Signal.LEVEL, "hall", f"hall/m-{n}/level", "mm")) for n in range(SUMPS))
    )


def _publish(port: int, hall: str, messages: int) -> None:
    """Fill the sessions that wait."""
    client = Client(CallbackAPIVersion.VERSION2, client_id="bench-publisher")
    client.max_inflight_messages_set(100)
    client.connect("127.0.0.1", port)
    client.loop_start()
    for n in range(messages):
        info = client.publish(f"{hall}/m-{n % SUMPS}/level", _payload(n), qos=1)
    info.wait_for_publish(timeout=120)
    client.disconnect()
    client.loop_stop()


_TURN = [0]


def _payload(n: int) -> bytes:
    time_s = START_S + 60 * (n // SUMPS) + 100_000 * _TURN[0]
    moment = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(time_s))
    return b'{"t": "%s", "v": %.1f}' % (moment.encode(), 200 + n % 977 / 10)


def _bare(port: int, messages: int) -> tuple[float, float]:
    """CPU and wall seconds of a paho client whose callback only counts."""
    seen, full = [0], threading.Event()

    def on_message(*_: object) -> None:
        seen[0] += 1
        if seen[0] == messages:
            full.set()

    def client() -> Client:
        new = Client(CallbackAPIVersion.VERSION2, client_id="bench-bare", protocol=MQTTProtocolVersion.MQTTv5)
        new.on_message = on_message
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.ReceiveMaximum = RECEIVE_MAXIMUM
        properties.SessionExpiryInterval = 3600
        new.connect("127.0.0.1", port, clean_start=False, properties=properties)
        new.loop_start()
        return new

    session = client()
    subscribed = threading.Event()
    session.on_subscribe = lambda *_: subscribed.set()
    session.subscribe("bare/#", qos=1)
    subscribed.wait(30)
    session.disconnect()
    session.loop_stop()
    _publish(port, "bare", messages)
    cpu, wall = time.process_time(), time.perf_counter()
    drained = client()
    full.wait(120)
    cost = time.process_time() - cpu, time.perf_counter() - wall
    drained.unsubscribe("bare/#")
    drained.disconnect()
    drained.loop_stop()
    return cost


class _Writer:
    """A writer thread as the daemon's: gathers, commits, then acknowledges."""

    def __init__(self, commit: Commit) -> None:
        self._commit = commit
        self._queue: queue.SimpleQueue[Delivery | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def __call__(self, delivery: Delivery) -> None:
        self._queue.put(delivery)

    def close(self) -> None:
        self._queue.put(None)
        self._thread.join()

    def _run(self) -> None:
        while (first := self._queue.get()) is not None:
            time.sleep(GATHER_S)
            gathered = [first]
            while sum(len(one.readings) for one in gathered) < AT_ONCE and not self._queue.empty():
                more = self._queue.get()
                if more is None:
                    return
                gathered.append(more)
            self._commit(
                [reading for one in gathered for reading in one.readings],
                [rejected for one in gathered for rejected in one.rejected],
            )
            for one in gathered:
                one.done()


def _inlet(port: int, messages: int, commit: Commit) -> tuple[float, float]:
    """CPU and wall seconds of the inlet with a committing writer."""
    shop = _works(port, "bench-inlet")

    def make() -> MqttInlet:
        settings = MqttSettings.of(shop.sources["hall"], "bench-inlet")
        return MqttInlet(settings, routes_of(shop, "hall"), payload_named("json"), lambda: START_S + 9e8)

    session = make()
    session.start(lambda delivery: delivery.done())
    wait_for(lambda: session.health().state is SourceState.UP and not session._asked, "subscribed")
    session.stop()
    _TURN[0] += 1
    _publish(port, "hall", messages)
    writer, inlet = _Writer(commit), make()
    cpu, wall = time.process_time(), time.perf_counter()
    inlet.start(writer)
    wait_for(lambda: inlet.health().received >= messages and not inlet.health().unconfirmed, "drained", within_s=120)
    cost = time.process_time() - cpu, time.perf_counter() - wall
    inlet.stop()
    writer.close()
    return cost
