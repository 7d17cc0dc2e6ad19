"""The numbers of the watch and of each sump in OpenMetrics text, from a registry of our own."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import Final

from prometheus_client import CollectorRegistry
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector

from monitor.snapshot import Snapshot
from monitor.status.board import Board, Health

CONTENT_TYPE: Final = CONTENT_TYPE_LATEST
UP: Final = frozenset({"up", "running"})


class _PlantCollector(Collector):
    """Reads the board when the numbers are asked for; keeps nothing."""

    def __init__(self, board: Board) -> None:
        self._board = board

    def collect(self) -> Iterable[Metric]:
        snapshot, health = self._board.snapshot(), self._board.health()
        yield from _counters(self._board)
        yield from _health(health)
        yield from _sumps(snapshot)
        yield _alerts(snapshot)


def registry_for(board: Board) -> CollectorRegistry:
    """Return a registry that holds the plant's numbers and nothing else."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_PlantCollector(board))
    return registry


def exposition(registry: CollectorRegistry) -> bytes:
    """Return the registry's numbers as OpenMetrics text."""
    return bytes(generate_latest(registry))  # type: ignore[no-untyped-call]


def _counters(board: Board) -> Iterator[Metric]:
    for name, value in sorted(board.counters().items()):
        metric = CounterMetricFamily(f"bandkeeper_{name}", f"{name.replace('_', ' ')} since the start.")
        metric.add_metric([], value)
        yield metric


def _gauge(name: str, text: str, labels: tuple[str, ...], rows: Iterable[tuple[tuple[str, ...], float]]) -> Metric:
    metric = GaugeMetricFamily(f"bandkeeper_{name}", text, labels=labels)
    for values, number in rows:
        if math.isfinite(number):
            metric.add_metric(values, number)
    return metric


def _health(health: Health) -> Iterator[Metric]:
    yield _gauge("ready", "1 when readings are taken in and put on record.", (), [((), float(health.ready))])
    if health.step_age_s is not None:
        yield _gauge("step_age_seconds", "Seconds since the pipeline last moved.", (), [((), health.step_age_s)])
    up = [((source.source,), float(source.state in UP)) for source in health.sources]
    yield _gauge("source_running", "1 while a source is connected.", ("source",), up)
    for name in ("accepted", "rejected"):
        metric = CounterMetricFamily(f"bandkeeper_source_{name}", f"Readings {name} a source.", labels=("source",))
        for source in health.sources:
            metric.add_metric((source.source,), getattr(source, name))
        yield metric
    rejected = CounterMetricFamily("bandkeeper_rejected_inputs", "Pieces of input kept aside as unusable.")
    rejected.add_metric([], health.rejected)
    yield rejected


def _sumps(snapshot: Snapshot) -> Iterator[Metric]:
    known = [view.estimate for view in snapshot.sumps.values() if view.estimate.known]
    for name, text, field in (
        ("sump_volume_litres", "Fluid in the whole circuit.", "volume_l"),
        ("sump_concentration_percent", "Concentrate by volume.", "concentration_pct"),
        ("sump_evaporation_litres_per_day", "Water lost, mean of the last 24 h.", "evaporation_l_per_day"),
        ("sump_drag_out_litres_per_day", "Fluid carried out, mean of the last 24 h.", "drag_out_l_per_day"),
    ):
        yield _gauge(name, text, ("sump",), [((e.sump,), getattr(e, field)) for e in known])
    exits = [
        ((view.sump, quantile), hours)
        for view in snapshot.sumps.values()
        if (forecast := view.forecast) is not None
        for quantile, hours in (
            ("0.1", forecast.exit_p10_h),
            ("0.5", forecast.exit_p50_h),
            ("0.9", forecast.exit_p90_h),
        )
    ]
    yield _gauge("sump_exit_hours", "Hours until the sump leaves its band.", ("sump", "quantile"), exits)


def _alerts(snapshot: Snapshot) -> Metric:
    count: dict[tuple[str, ...], float] = {}
    for alert in snapshot.alerts:
        key = (alert.kind.value, alert.state.value)
        count[key] = count.get(key, 0.0) + 1
    return _gauge("alerts", "Alerts by kind and state.", ("kind", "state"), sorted(count.items()))
