"""What a message costs from the broker's socket to a committed row and its acknowledgement, beside bare paho.

Both sides drain the same backlog of QoS 1 messages out of a persistent session of a real mosquitto, so the publisher's
work is not in the figures: a paho client whose callback only counts (and acknowledges at once), and the inlet with the
daemon's own worker on a real record, which commits before it acknowledges. The pipeline goes along and takes all in;
what it costs has its own bars (`pipeline`) and is told apart, by the time of the worker's thread.
"""

from __future__ import annotations

import tempfile
import threading
import time
from pathlib import Path
from typing import Any, NamedTuple, cast

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from adapters.delivery import SourceState
from adapters.mqtt import MqttInlet
from adapters.mqtt_client import RECEIVE_MAXIMUM, MqttSettings
from adapters.payloads import payload_named
from adapters.routes import routes_of
from monitor.pipeline import Pipeline
from monitor.plant.reading import Signal
from monitor.plant.types import Plant
from monitor.worker import Worker
from tests.fixtures.floor import Floor
from tests.fixtures.mosquitto import Broker
from tests.fixtures.plants import mqtt_source, plant, signal, sump
from tests.fixtures.ports import wait_for

SUMPS = 500
START_S = 1_930_262_400
TURN_S = 100_000
SETTLE_S = 45.0
ROUNDS = 3


class Cost(NamedTuple):
    """CPU seconds of the process, wall seconds, and CPU seconds of the pipeline."""

    cpu_s: float
    wall_s: float
    pipeline_s: float = 0.0


def measure(messages: int = 20_000) -> dict[str, float]:
    """Drain `messages` messages both ways; give CPU microseconds a message, messages a second, and their ratio.

    The two sides take turns, and the best of three turns counts for each.
    """
    with (
        tempfile.TemporaryDirectory(prefix="bandkeeper-bench-") as folder,
        Broker(Path(folder), durable=False) as broker,
    ):
        turns = range(1, ROUNDS + 1)
        pairs = [(_bare(broker.port, messages), _ours(broker.port, messages, Path(folder), turn)) for turn in turns]
    bare = min(pair[0] for pair in pairs)
    ours = min((pair[1] for pair in pairs), key=lambda cost: cost.cpu_s - cost.pipeline_s)
    return {
        "messages": float(messages),
        "paho_counting_cpu_us_a_message": 1e6 * bare.cpu_s / messages,
        "paho_counting_messages_a_second": messages / bare.wall_s,
        "worker_committed_cpu_us_a_message": 1e6 * (ours.cpu_s - ours.pipeline_s) / messages,
        "worker_committed_messages_a_second": messages / ours.wall_s,
        "pipeline_cpu_us_a_message": 1e6 * ours.pipeline_s / messages,
        "cpu_ratio": (ours.cpu_s - ours.pipeline_s) / bare.cpu_s,
        "cpu_ratio_with_the_pipeline": ours.cpu_s / bare.cpu_s,
    }


def main(arguments: list[str]) -> int:
    """Print the figures."""
    for name, value in measure(int(arguments[0]) if arguments else 20_000).items():
        print(f"{name:36} {value:10.2f}")
    return 0


def _works(port: int, client_id: str) -> Plant:
    source = mqtt_source("hall", port, client_id=client_id)
    return plant(
        [source], *(sump(f"m-{n}", signal(Signal.LEVEL, "hall", f"hall/m-{n}/level", "mm")) for n in range(SUMPS))
    )


def _publish(port: int, hall: str, messages: int, turn: int = 0) -> None:
    """Fill the sessions that wait."""
    client = Client(CallbackAPIVersion.VERSION2, client_id="bench-publisher")
    client.max_inflight_messages_set(100)
    client.connect("127.0.0.1", port)
    client.loop_start()
    for n in range(messages):
        info = client.publish(f"{hall}/m-{n % SUMPS}/level", _payload(n, turn), qos=1)
    info.wait_for_publish(timeout=120)
    client.disconnect()
    client.loop_stop()


def _payload(n: int, turn: int) -> bytes:
    time_s = START_S + 60 * (n // SUMPS) + TURN_S * turn
    moment = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(time_s))
    return b'{"t": "%s", "v": %.1f}' % (moment.encode(), 200 + n % 977 / 10)


def _bare(port: int, messages: int) -> Cost:
    """Return the cost of a paho client whose callback only counts."""
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
    cost = Cost(time.process_time() - cpu, time.perf_counter() - wall)
    drained.unsubscribe("bare/#")
    drained.disconnect()
    drained.loop_stop()
    return cost


class _Pipeline(Pipeline):
    """The pipeline, with the time it takes to take readings in."""

    took_s = 0.0

    def take(self, *args: Any, **more: Any) -> None:
        """Take readings in."""
        begun = time.thread_time()
        super().take(*args, **more)
        self.took_s += time.thread_time() - begun


class _Worker(Worker):
    """The worker, with the time of its steps."""

    stepped_cpu_s = 0.0

    def _step(self) -> None:
        begun = time.thread_time()
        super()._step()
        self.stepped_cpu_s += time.thread_time() - begun


def _ours(port: int, messages: int, folder: Path, turn: int) -> Cost:
    """Return the cost of the inlet with the daemon's worker."""
    shop = _works(port, "bench-inlet")
    now_s = START_S + TURN_S * turn + 60.0 * messages / SUMPS + SETTLE_S

    def make() -> MqttInlet:
        settings = MqttSettings.of(shop.sources["hall"], "bench-inlet")
        return MqttInlet(settings, routes_of(shop, "hall"), payload_named("json"), lambda: now_s)

    session = make()
    session.start(lambda delivery: delivery.done())
    wait_for(lambda: session.health().state is SourceState.UP and not session._asked, "subscribed")
    session.stop()
    _publish(port, "hall", messages, turn)
    inlet = make()
    floor = Floor(folder, shop, now_s, settle_s=SETTLE_S, pipeline=_Pipeline, worker=_Worker, gather_s=shop.gather_s)
    pipeline, worker = cast("_Pipeline", floor.pipeline), cast("_Worker", floor.worker)
    worker.start()
    cpu, wall = time.process_time(), time.perf_counter()
    inlet.start(worker.deliver)
    wait_for(lambda: inlet.health().received >= messages and not inlet.health().unconfirmed, "drained", within_s=120)
    cost = Cost(time.process_time() - cpu, time.perf_counter() - wall, pipeline.took_s + worker.stepped_cpu_s)
    assert worker.counters.readings_accepted == messages, worker.counters
    inlet.stop()
    floor.end()
    return cost
