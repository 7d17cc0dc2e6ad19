"""From arrays of spans to weekly calendars, and [duty.…] tables to duties."""

from __future__ import annotations

from typing import Any

from monitor.plant import schema
from monitor.plant.calendar import WeeklyCalendar, WeeklySpan
from monitor.plant.faults import Faults
from monitor.plant.lines import Path
from monitor.plant.tables import Table, list_in, read_table
from monitor.plant.types import Duty


def read_duty(key: str, raw: Any, zone: str, faults: Faults) -> Duty | None:
    """Read one duty; None if it has faults."""
    path, before = ("duty", key), faults.noted
    v = read_table(schema.DutyTable, raw, path, faults)
    spans = read_spans(v["spans"], (*path, "spans"), faults) if "spans" in v else ()
    return None if faults.noted > before else Duty(key, WeeklyCalendar(zone, spans), v["expected"])


def read_spans(raw: Any, path: Path, faults: Faults) -> tuple[WeeklySpan, ...]:
    """Read an array of spans; those with faults are left out."""
    spans = []
    for index, table in enumerate(list_in(raw, path, faults)):
        values = read_table(schema.SpanTable, table, (*path, index), faults)
        span = _span(values, (*path, index), faults)
        if span:
            spans.append(span)
    return tuple(spans)


def _span(v: Table, path: Path, faults: Faults) -> WeeklySpan | None:
    if not {"days", "from_", "to"} <= v.keys():
        return None
    if v["from_"] == 1440:
        faults.add((*path, "from"), '"24:00" is the end of a day: a span starts at "00:00" of the next')
        return None
    if v["from_"] == v["to"]:
        faults.add((*path, "to"), 'is the same as from, a span without length: a whole day is "00:00" to "24:00"')
        return None
    return WeeklySpan(_day_numbers(v["days"]), v["from_"], v["to"])


def _day_numbers(days: list[str]) -> tuple[int, ...]:
    """Turn day names into numbers, Monday 0."""
    return tuple(sorted({schema.DAYS.index(day) for day in days}))
