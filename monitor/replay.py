"""History in, what the product would have said out: the same pipeline as live, fed from files (contract section 2)."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from alerts.types import Alert, rfc3339
from monitor.model.bins import bin_of
from monitor.model.layout import BIN_S
from monitor.model.types import Event
from monitor.pipeline import Pipeline
from monitor.plant.errors import RecordError
from monitor.plant.reading import Entry, Reading, Rejected
from monitor.plant.types import Plant
from monitor.record.csv_in import read_entries, read_readings, write_rejected
from monitor.snapshot import Changes
from monitor.waiting import SETTLE_S

DISORDER_S: Final = 3600.0
FORECAST_COLUMNS: Final = [
    "time",
    "sump",
    "volume_l",
    "volume_sd_l",
    "concentration_pct",
    "concentration_sd_pct",
    "evaporation_l_per_day",
    "drag_out_l_per_day",
    "exit_p10",
    "exit_p50",
    "exit_p90",
    "exit_side",
]
EVENT_COLUMNS: Final = ["time", "detected_at", "sump", "kind", "volume_l", "mix_pct", "confidence", "detail"]
ALERT_COLUMNS: Final = ["raised_at", "sump", "kind", "priority", "exit_p50", "cleared_at", "recipe"]


@dataclass(frozen=True, slots=True)
class Order:
    """What to replay: files, spacing of forecasts, time span (None: as far as the readings go), where to write."""

    readings: Path
    entries: Path | None
    every_s: float
    from_s: float | None
    to_s: float | None
    out: Path


@dataclass(slots=True)
class Told:
    """What came out, for the summary line."""

    readings: int = 0
    entries: int = 0
    rejected: int = 0
    forecasts: int = 0
    events: int = 0
    alerts: int = 0


@dataclass(slots=True)
class _Written:
    """The rows of the output files."""

    forecasts: list[list[str]] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    alerts: dict[str, Alert] = field(default_factory=dict)
    rejected: list[Rejected] = field(default_factory=list)


def replay(plant: Plant, order: Order, console: Console) -> Told:
    """Run a recording through the pipeline and write the output files.

    Raises RecordError if a file cannot be read or the folder cannot be written.
    """
    if order.every_s % BIN_S:
        raise RecordError(
            f"--every {order.every_s:g} s: forecasts can be {BIN_S / 60:.0f} min apart or a multiple of it"
        )
    written, told = _Written(), Told()
    pipeline = Pipeline(plant, calm_too=False, settle_s=SETTLE_S)
    entries = _entries(plant, order, written)
    told.entries = len(entries)
    with ExitStack() as stack:
        tick = _bar(stack, console, order)
        for reading_batch, entry_batch, now_s in _batches(plant, order, entries, written):
            told.readings += len(reading_batch)
            pipeline.take(reading_batch, entry_batch)
            for changes in pipeline.run_until(now_s):
                _note(pipeline, changes, order, written)
            tick(now_s)
    _write(order.out, written)
    told.rejected, told.forecasts = len(written.rejected), len(written.forecasts)
    told.events, told.alerts = len(written.events), len(written.alerts)
    return told


def _entries(plant: Plant, order: Order, written: _Written) -> list[Entry]:
    if order.entries is None:
        return []
    return sorted(read_entries(order.entries, plant, written.rejected.append), key=lambda e: (e.time_s, e.id))


def _batches(
    plant: Plant, order: Order, entries: list[Entry], written: _Written
) -> Iterator[tuple[list[Reading], list[Entry], float]]:
    """Cut the readings into lumps that end at grid points of event time, with the entries told by then."""
    batch: list[Reading] = []
    newest_s = float("-inf")
    edge_s: float | None = None
    waiting = iter(entries)
    ahead = next(waiting, None)
    for reading in read_readings(order.readings, plant, written.rejected.append):
        if order.to_s is not None and reading.time_s > order.to_s:
            if reading.time_s > order.to_s + DISORDER_S:
                break
            continue
        newest_s = max(newest_s, reading.time_s)
        edge_s = _edge(reading.time_s) if edge_s is None else edge_s
        if newest_s > edge_s:
            told, ahead = _until(ahead, waiting, edge_s)
            yield batch, told, edge_s
            batch = []
            edge_s = _edge(newest_s)
        batch.append(reading)
    end_s = order.to_s if order.to_s is not None else newest_s
    if edge_s is not None:
        told, _ = _until(ahead, waiting, end_s)
        yield batch, told, max(end_s, edge_s if order.to_s is None else end_s)


def _edge(time_s: float) -> float:
    """Return the first grid point at or after a moment: readings told at the grid point itself belong before it."""
    k = bin_of(time_s)
    return k * BIN_S if time_s == k * BIN_S else (k + 1) * BIN_S


def _until(ahead: Entry | None, waiting: Iterator[Entry], time_s: float) -> tuple[list[Entry], Entry | None]:
    told = []
    while ahead is not None and ahead.time_s <= time_s:
        told.append(ahead)
        ahead = next(waiting, None)
    return told, ahead


def _note(pipeline: Pipeline, changes: Changes, order: Order, written: _Written) -> None:
    now_s = changes.snapshot.now_s
    if order.from_s is not None and now_s < order.from_s:
        return
    written.events += changes.events
    for transition in changes.transitions:
        written.alerts[transition.alert_id] = _joined(written.alerts.get(transition.alert_id), transition.alert)
    if (now_s - _start_s(order)) % order.every_s == 0.0:
        written.forecasts += _rows(pipeline, now_s)


def _start_s(order: Order) -> float:
    """Return a moment at which forecasts are written: the first one asked for where it is a grid point."""
    return order.from_s if order.from_s is not None and order.from_s % BIN_S == 0.0 else 0.0


def _joined(raised: Alert | None, now: Alert) -> Alert:
    """Keep what people were told when the alert was raised (exit and first recipe), with how it ended."""
    if raised is None:
        return now
    recipe = raised.recipe if raised.recipe is not None else now.recipe
    return replace(raised, recipe=recipe, cleared_s=now.cleared_s, state=now.state)


def _rows(pipeline: Pipeline, now_s: float) -> Iterable[list[str]]:
    forecasts = pipeline.refreshed_forecasts()
    for sump, view in pipeline.snapshot.sumps.items():
        e, f = view.estimate, forecasts[sump]
        numbers = (
            e.volume_l,
            e.volume_sd_l,
            e.concentration_pct,
            e.concentration_sd_pct,
            e.evaporation_l_per_day,
            e.drag_out_l_per_day,
            f.exit_p10_h,
            f.exit_p50_h,
            f.exit_p90_h,
        )
        yield [rfc3339(now_s), sump, *(f"{number:.4f}" for number in numbers), f.side.value]


def _write(folder: Path, written: _Written) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _csv(folder / "forecasts.csv", FORECAST_COLUMNS, written.forecasts)
        _csv(folder / "events.csv", EVENT_COLUMNS, (_event_row(event) for event in written.events))
        _csv(folder / "alerts.csv", ALERT_COLUMNS, (_alert_row(alert) for alert in written.alerts.values()))
        write_rejected(folder / "rejected.csv", written.rejected)
    except OSError as error:
        raise RecordError(f"{folder}: cannot be written ({error.strerror}); name a folder you may write to") from error


def _csv(path: Path, columns: list[str], rows: Iterable[list[str]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as sink:
        writer = csv.writer(sink, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows(rows)


def _event_row(event: Event) -> list[str]:
    return [
        rfc3339(event.time_s),
        rfc3339(event.detected_s),
        event.sump,
        event.kind.value,
        _blank(event.volume_l),
        _blank(event.mix_pct),
        f"{event.confidence:.2f}",
        event.detail,
    ]


def _alert_row(alert: Alert) -> list[str]:
    recipe: Any = "" if alert.recipe is None else json.dumps(alert.recipe.as_json(), ensure_ascii=False)
    cleared = "" if alert.cleared_s is None else rfc3339(alert.cleared_s)
    exit_p50 = _blank(alert.exit_p50_h)
    return [rfc3339(alert.raised_s), alert.sump, alert.kind.value, alert.priority.value, exit_p50, cleared, recipe]


def _blank(number: float | None) -> str:
    return "" if number is None else f"{number:.2f}"


def _bar(stack: ExitStack, console: Console, order: Order) -> Any:
    """Return a function to call with event time; it draws on a terminal only."""
    if not console.is_terminal:
        return lambda _now_s: None
    columns = (TextColumn("replay {task.fields[moment]}"), BarColumn(), TimeRemainingColumn())
    progress = stack.enter_context(Progress(*columns, console=console))
    task = progress.add_task("", total=None, moment="")
    first: list[float] = []

    def tick(now_s: float) -> None:
        first.append(now_s) if not first else None
        total = None if order.to_s is None else order.to_s - first[0]
        progress.update(task, completed=now_s - first[0], total=total, moment=rfc3339(now_s)[:16])

    return tick
