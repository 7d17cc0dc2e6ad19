"""What the pipeline costs: a plant of 1,000 sumps at a reading a minute, simulated, in CPU time.

Beside it a baseline that does the least that could be called watching: it keeps the last value of each signal and
draws a straight line through the last day of each sump, once an hour.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from adapters.mqtt_out import MqttPublisher
from monitor.pipeline import Pipeline
from monitor.plant.quantity import parse_unit
from monitor.plant.reading import Reading, Signal
from monitor.plant.types import Plant, SignalSpec
from monitor.publishing import Publishing
from monitor.record.store import Record
from tests.benchmarks.confirming import Confirming
from tests.fixtures.plants import mqtt_source, plant, sump

SUMPS = 1_000
HOURS = 6
START_S = 1_930_262_400.0
SIGNALS = {Signal.LEVEL: "mm", Signal.REFRACTOMETER: "degBx", Signal.RUNNING: "1"}


@dataclass
class Costs:
    """CPU seconds by what they went for."""

    taking_s: float = 0.0
    passing_s: float = 0.0
    storing_s: float = 0.0
    publishing_s: float = 0.0
    straight_line_s: float = 0.0


def works(sumps: int = SUMPS) -> Plant:
    """Give a plant of that many sumps, each with three signals a minute."""
    specs = [
        sump(f"m-{n:04}", *(SignalSpec(s, "hall", f"m-{n}/{s}", parse_unit(u), 60.0) for s, u in SIGNALS.items()))
        for n in range(sumps)
    ]
    return replace(plant([mqtt_source("hall", 1883)], *specs), publish_source="hall")


def minute(
    shop: Plant, number: int, dice: np.random.Generator, turn: int | None = None, filled_every_min: int = 0
) -> list[Reading]:
    """Give one reading of each sump; the three signals take turns, from minute to minute if no `turn` is told.

    Sumps lose all the time; they are filled up one after the other, each every so many minutes (0: never).
    """
    signal = list(SIGNALS)[number % 3 if turn is None else turn]
    time_s = START_S + 60.0 * number + 30.0
    noise = dice.normal(size=len(shop.sumps))
    lost_min = np.full(len(shop.sumps), float(number))
    if filled_every_min:
        lost_min = (number + np.arange(len(shop.sumps)) * filled_every_min / len(shop.sumps)) % filled_every_min
    if signal is Signal.LEVEL:
        values = 250.0 - 0.01 * lost_min + 2.0 * noise
    elif signal is Signal.REFRACTOMETER:
        values = 5.3 + 1e-4 * lost_min + 0.1 * noise
    else:
        values = np.full(len(shop.sumps), float((number // 60) % 24 in range(6, 22)))
    return [
        Reading(name, signal, float(value), time_s, time_s + 0.5)
        for name, value in zip(shop.sumps, values, strict=True)
    ]


def measure(hours: int = HOURS, sumps: int = SUMPS) -> dict[str, float]:
    """Run the plant for some hours; give shares of a core and bytes written (memory: `memory`, forecasts: `model`)."""
    shop, costs, dice = works(sumps), Costs(), np.random.default_rng(1)
    straight: dict[str, list[tuple[float, float]]] = {}
    with tempfile.TemporaryDirectory(prefix="bandkeeper-bench-") as folder:
        record = Record.open(Path(folder) / "record.db", now_s=START_S)
        reader = record.reader()
        pipeline = Pipeline(shop, reader.readings, reader.latest_checkpoint)
        publisher = MqttPublisher(shop.sources["hall"], shop.id)
        publishing, broker = Publishing(shop, publisher), Confirming(publisher)
        written = _bytes_written()
        for number in range(60 * hours):
            readings = minute(shop, number, dice)
            _timed(costs, "storing_s", lambda: record.add(readings))  # noqa: B023 - called at once
            _timed(costs, "taking_s", lambda: pipeline.take(readings))  # noqa: B023
            _timed(costs, "straight_line_s", lambda: _straight(straight, readings, number))  # noqa: B023
            for _ in passed(pipeline, START_S + 60.0 * (number + 1), record, publishing, costs):
                _timed(costs, "publishing_s", broker.take_all)
        written = _bytes_written() - written
        disk = (Path(folder) / "record.db").stat().st_size
        record.close()
    span_s, count = 3600.0 * hours, 60.0 * hours * sumps
    return {
        "sumps": float(sumps),
        "readings": count,
        "pipeline_share_of_a_core": (costs.taking_s + costs.passing_s) / span_s,
        "record_share_of_a_core": costs.storing_s / span_s,
        "publishing_share_of_a_core": costs.publishing_s / span_s,
        "straight_line_share_of_a_core": costs.straight_line_s / span_s,
        "pipeline_to_straight_line": (costs.taking_s + costs.passing_s) / max(costs.straight_line_s, 1e-9),
        "bytes_written_a_reading_with_all_conclusions": written / count,
        "bytes_on_disk_a_reading_with_all_conclusions": disk / count,
    }


def passed(pipeline: Pipeline, now_s: float, record: Record, publishing: Publishing, costs: Costs) -> Iterator[None]:
    """Pass what is due as the worker does, each part on its own account."""
    passing = iter(pipeline.run_until(now_s))
    while True:
        began = time.process_time()
        changes = next(passing, None)
        costs.passing_s += time.process_time() - began
        if changes is None:
            return
        _timed(costs, "storing_s", lambda: record.save(changes))  # noqa: B023 - called at once
        if changes.snapshot.now_s % 3600.0 == 0.0:
            views = changes.snapshot.sumps.values()
            _timed(costs, "storing_s", lambda: record.save_estimates(view.estimate for view in views))  # noqa: B023
        if pipeline.checkpoint_due():
            _timed(costs, "storing_s", lambda: record.save_checkpoint(*pipeline.checkpoint()))
        _timed(costs, "publishing_s", lambda: publishing.told(changes))  # noqa: B023
        yield


def _timed(costs: Costs, account: str, work: object) -> None:
    began = time.process_time()
    work()  # type: ignore[operator]
    setattr(costs, account, getattr(costs, account) + time.process_time() - began)


def _straight(kept: dict[str, list[tuple[float, float]]], readings: list[Reading], number: int) -> None:
    for one in readings:
        if one.signal is Signal.REFRACTOMETER and one.value is not None:
            kept.setdefault(one.sump, []).append((one.time_s, one.value))
    if number % 60 == 0:
        for points in kept.values():
            times, values = np.array(points[-480:]).T
            if len(times) > 1:
                np.polyfit(times - times[0], values, 1)


def _bytes_written() -> int:
    lines = Path("/proc/self/io").read_text(encoding="ascii").splitlines()
    return int(dict(line.split(": ") for line in lines)["wchar"])


def main(arguments: list[str]) -> int:
    """Print the figures; arguments: hours (6), sumps (1000)."""
    hours, sumps = ([int(text) for text in arguments] + [HOURS, SUMPS][len(arguments) :])[:2]
    for name, figure in measure(hours, sumps).items():
        print(f"{name:48} {figure:14.4f}")
    return 0
