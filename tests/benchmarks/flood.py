"""A flood of a hundred times the usual rate for a minute, through the real program: rates, memory, the page's answers.

A thousand sumps that tell one reading a minute each (or `--sumps N`) are 17 a second; the flood is `--times 100` of
that for `--seconds 60`, published by another process to a real mosquitto. Printed are what went in and what was
committed, the memory before, at most, and after, how the page answered meanwhile, and what was shed. Before it, without
a broker: one sump that tells `--times` as much for `--hours`, and what the estimator holds of it.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import threading
import time
import tracemalloc
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from monitor.pipeline import Pipeline
from monitor.plant.reading import Reading, Signal
from monitor.record.reader import Reader
from tests.fixtures import plant_text as toml
from tests.fixtures.mosquitto import Broker
from tests.fixtures.ports import wait_for
from tests.live.daemon.program import Program
from tests.unit.pipeline.shop import BEGIN_S, Machine, plant_of

PUBLISHER = """
import sys, time
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion
port, sumps, rate, seconds, begin = int(sys.argv[1]), int(sys.argv[2]), *map(float, sys.argv[3:6])
client = Client(CallbackAPIVersion.VERSION2, client_id=f"gateway-{begin}")
client.max_inflight_messages_set(1000)
client.max_queued_messages_set(0)
client.connect("127.0.0.1", port)
client.loop_start()
count, began = 0, time.monotonic()
while (passed := time.monotonic() - began) < seconds:
    while count < rate * passed:
        sump, turn = count % sumps, count // sumps
        payload = b'{"t": %.3f, "v": %.1f}' % (begin + turn * sumps / rate + 1e-3 * (sump % 10), 240 + count % 97 / 10)
        info = client.publish(f"hall/m-{sump}/level", payload, qos=1)
        count += 1
    time.sleep(0.01)
info.wait_for_publish(timeout=300)
print(count, time.monotonic() - began)
client.disconnect()
client.loop_stop()
"""


@dataclass
class Looks:
    """What was seen of the daemon meanwhile: resident bytes, seconds of each answer, readings waiting."""

    resident: list[int] = field(default_factory=list)
    answers: dict[str, list[float]] = field(default_factory=dict)


def main(arguments: list[str]) -> int:
    """Run it and print the figures."""
    parser = argparse.ArgumentParser(prog="flood")
    parser.add_argument("--sumps", type=int, default=1000)
    parser.add_argument("--times", type=float, default=100.0)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--hours", type=int, default=12)
    options = parser.parse_args(arguments)
    for name, figure in _hours(options.hours, options.times).items():
        print(f"{name:34}{figure:12,.0f}")
    usual = options.sumps / 60.0
    with _works(options.sumps) as (program, broker):
        _publish(broker.port, options.sumps, 20.0 * usual, 6.0, time.time() - 3000.0)
        time.sleep(20.0)
        before = program.metric("bandkeeper_readings_accepted_total")
        with _looking(program) as calm:
            time.sleep(15.0)
        began = time.monotonic()
        with _looking(program) as looks:
            sent, took = _publish(
                broker.port, options.sumps, options.times * usual, options.seconds, time.time() - 1500.0
            )
            wait_for(lambda: _done(program) - before >= sent, "all of it", within_s=600)
            drained = time.monotonic() - began
        time.sleep(30.0)
        with _looking(program) as after:
            time.sleep(10.0)
        committed = Reader.open(program.database).reading_count()
        _tell(options.times * usual, sent, took, drained, (calm, looks, after))
        print(f"{'readings on record':34}{committed:12,}")
        for name in ("readings_rejected", "readings_doubled", "deliveries_shed"):
            print(f"{name.replace('_', ' '):34}{program.metric(f'bandkeeper_{name}_total'):12,.0f}")
    return 0


def _hours(hours: int, times: float) -> dict[str, float]:
    """Let one of two sumps tell all its signals `times` as often as once a minute; give what is held, hour by hour."""
    shop = [Machine("m-0"), Machine("m-1")]
    pipeline, told = Pipeline(plant_of(shop)), 0
    found: dict[str, float] = {}
    tracemalloc.start()
    for hour in range(hours):
        readings = [
            Reading("m-0", signal, value, time_s, time_s)
            for time_s in (BEGIN_S + 3600.0 * hour + 60.0 / times * step for step in range(int(60 * times)))
            for signal, value in ((Signal.LEVEL, 250.0), (Signal.REFRACTOMETER, 5.3), (Signal.RUNNING, 1.0))
        ]
        told += len(readings)
        pipeline.take(readings)
        for _ in pipeline.run_until(BEGIN_S + 3600.0 * (hour + 1)):
            pass
        del readings
        if hour + 1 in {hours // 4, hours // 2, hours}:
            found[f"told in {hour + 1} h"] = float(told)
            found[f"  bytes held after {hour + 1} h"] = float(tracemalloc.get_traced_memory()[0])
            found[f"  samples held after {hour + 1} h"] = float(_held(pipeline))
    tracemalloc.stop()
    return found


def _held(pipeline: Pipeline) -> int:
    gatherer = pipeline.engine._gatherer
    bins = [*gatherer._cells._open, *gatherer._cells._packed]
    cells = sum(len(samples) // 2 for k in bins for samples in gatherer._cells.of(k).values())
    return cells + sum(len(switch.times) for switch in gatherer._switches)


def _tell(rate: float, sent: int, took: float, drained: float, looks: tuple[Looks, Looks, Looks]) -> None:
    calm, during, after = looks
    print(f"{'asked for, messages a second':34}{rate:12,.0f}")
    print(f"{'sent and confirmed by the broker':34}{sent:12,} in {took:.1f} s, {sent / took:,.0f} a second")
    print(f"{'committed':34}{sent:12,} in {drained:.1f} s, {sent / drained:,.0f} a second")
    for name, one in (("before", calm), ("during, at most", during), ("half a minute after", after)):
        print(f"{'resident MB ' + name:34}{max(one.resident) / 1e6:12.1f}")
    for path in during.answers:
        for name, one in (("before", calm), ("during", during)):
            times = sorted(one.answers[path])
            middle, late, worst = (1e3 * times[min(len(times) - 1, int(s * len(times)))] for s in (0.5, 0.95, 1.0))
            print(f"{path + ' ' + name:34}{middle:12.1f} ms median, {late:.1f} 95 %, {worst:.1f} worst of {len(times)}")


def _done(program: Program) -> float:
    return program.metric("bandkeeper_readings_accepted_total")


def plant_text(port: int, page: int, sumps: int) -> str:
    """Give the plant file of so many sumps that tell a level a minute."""
    text = toml.head("Flood works") + toml.FLUID + toml.broker(f"port = {port}") + toml.page(page)
    for name in (f"m-{n}" for n in range(sumps)):
        text += toml.sump(name, toml.signal("level", f"hall/{name}/level", "mm", period="1 min"))
    return text


@contextmanager
def _works(sumps: int) -> Iterator[tuple[Program, Broker]]:
    with tempfile.TemporaryDirectory(prefix="bandkeeper-flood-") as name, Broker(Path(name), durable=False) as broker:
        program = Program(Path(name), broker.port)
        program.plant_file.write_text(plant_text(broker.port, program.port, sumps))
        with program:
            program.connected()
            yield program, broker


@contextmanager
def _looking(program: Program) -> Iterator[Looks]:
    """Look at the daemon until the block ends."""
    looks, ended = Looks(), threading.Event()

    def look() -> None:
        while not ended.wait(0.25):
            pages = int(Path(f"/proc/{program.process}/statm").read_text().split()[1])
            looks.resident.append(4096 * pages)
            for path in ("/health/live", "/api/sumps", "/"):
                began = time.monotonic()
                program.ask(path)
                looks.answers.setdefault(path, []).append(time.monotonic() - began)

    thread = threading.Thread(target=look)
    thread.start()
    try:
        yield looks
    finally:
        ended.set()
        thread.join()


def _publish(port: int, sumps: int, rate: float, seconds: float, begin_s: float) -> tuple[int, float]:
    call = [sys.executable, "-c", PUBLISHER, *map(str, (port, sumps, rate, seconds, begin_s))]
    count, took = subprocess.run(call, capture_output=True, text=True, check=True, timeout=900).stdout.split()
    return int(count), float(took)
