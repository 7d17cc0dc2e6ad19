"""The table of a plant file that says how long what is on record is kept, and where its backups go."""

from __future__ import annotations

import math
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, WithJsonSchema

from monitor.plant.errors import QuantityError
from monitor.plant.faults import shown
from monitor.plant.quantity import parse_quantity
from monitor.plant.schema import Clock, TableModel, Text

FOR_EVER = "for ever"
DAY_S = 86_400.0
LONGEST_GATHERED_S = 60.0


def _kept(value: Any) -> float:
    """Read a number of days, or for ever, as seconds."""
    if value == FOR_EVER:
        return math.inf
    try:
        seconds = parse_quantity(value, "time") if isinstance(value, str) else 0.0
    except QuantityError:
        seconds = 0.0
    if not seconds >= DAY_S:
        raise ValueError(f'{shown(value)} must be a time of a day or more, such as "90 d", or "{FOR_EVER}"')
    return seconds


Kept = Annotated[
    float,
    BeforeValidator(_kept),
    WithJsonSchema({"type": "string", "pattern": rf"^(\s*[+-]?[\d.].*|{FOR_EVER})$", "examples": ["90 d", FOR_EVER]}),
]


def _gathered(value: Any) -> float:
    """Read a time of up to a minute as seconds."""
    try:
        seconds = parse_quantity(value, "time") if isinstance(value, str) else -1.0
    except QuantityError:
        seconds = -1.0
    if not 0.0 <= seconds <= LONGEST_GATHERED_S:
        raise ValueError(f'{shown(value)} must be a time from "0 s" to "1 min", such as "5 s"')
    return seconds


Gathered = Annotated[
    float,
    BeforeValidator(_gathered),
    WithJsonSchema({"type": "string", "pattern": r"^\s*[+-]?[\d.]", "examples": ["5 s"]}),
]
Count = Annotated[int, Field(strict=True, ge=1, le=100)]


class RecordTable(TableModel):
    """How long what is on record is kept, and its backups."""

    readings: Kept = Field(90 * DAY_S, description="every single reading; later only figures by the hour are left")
    hourly: Kept = Field(366 * DAY_S, description="figures and estimates by the hour; later one a day is left")
    daily: Kept = Field(3653 * DAY_S, description="figures and estimates by the day, and what was noticed")
    forecasts: Kept = Field(31 * DAY_S, description="forecasts, one an hour and sump")
    alerts: Kept = Field(366 * DAY_S, description="alerts since they were closed, and where corrections landed")
    entries: Kept | None = Field(None, description="the log book; for ever if left out")
    gather: Gathered = Field(
        10.0, description="how long input is gathered before it is put on disk and acknowledged, at most"
    )
    backup: Text | None = Field(
        None, description='folder of the nightly backups, or "off"; beside the record if left out', examples=["backups"]
    )
    backups: Count = Field(2, description="how many backups are kept", examples=[2])
    backup_at: Clock | None = Field(
        None, description="time of day of the backup, the plant's clock; 02:30 if left out", examples=["02:30"]
    )
