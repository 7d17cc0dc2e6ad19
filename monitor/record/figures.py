"""Figures of the readings of an hour or a day: how many, lowest, mean, highest and last value.

`count` are readings with a value, `unsure` those that are not good or have no value; hours and days are UTC. A day's
figures by the hour can be made again from its readings as long as these are kept; figures by the day are made once,
when those by the hour go.
"""

from __future__ import annotations

import heapq
import math
import sqlite3
from array import array
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Final

from monitor.record.samples import Ask, Raw, in_order, only

DAY_S: Final = 86_400
HOUR_S: Final = 3_600
STRETCH_DAYS: Final = 32

ROWS_READ: Final = 20_000
ROWS_WRITTEN: Final = 5_000
COLUMNS: Final = 8
"""Stream, hour, and what `Figure.row` gives."""

Row = tuple[float | None, ...]

_WRITE: Final = "INSERT OR REPLACE INTO hourly VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"
_TO_DAILY: Final = (
    "INSERT OR IGNORE INTO daily SELECT day / ?, stream, day, sum(count), sum(unsure), min(low),"
    " sum(mean * count) / nullif(sum(count), 0), max(high),"
    " (SELECT one.last FROM hourly AS one WHERE one.day = hourly.day AND one.stream = hourly.stream"
    "  AND one.count > 0 ORDER BY one.hour DESC LIMIT 1)"
    " FROM hourly WHERE day = ? AND stream > ? AND stream <= ? GROUP BY stream"
)


@dataclass(slots=True)
class Figure:
    """What one stream said in one hour so far; readings are taken in by time."""

    count: int = 0
    unsure: int = 0
    low: float = math.inf
    total: float = 0.0
    high: float = -math.inf
    last: float = 0.0

    def take(self, value: float | None, quality: int) -> None:
        """Take a reading in."""
        if value is None or quality:
            self.unsure += 1
        if value is not None:
            self.count += 1
            self.total += value
            self.low, self.high, self.last = min(self.low, value), max(self.high, value), value

    def row(self) -> Row:
        """Return count, unsure, low, mean, high, last."""
        if not self.count:
            return (0, self.unsure, None, None, None, None)
        return (self.count, self.unsure, self.low, self.total / self.count, self.high, self.last)


class DayFigures:
    """Gathers the figures of one day, some readings at a time; those of hours that have passed are kept packed."""

    def __init__(self, day: int) -> None:
        self.day = day
        self._readings: Iterator[Raw] | None = None
        self._hour = 0
        self._found: dict[int, Figure] = {}
        self._packed: list[array[float]] = []

    def read_on(self, connection: sqlite3.Connection) -> bool:
        """Take the next readings in; tell whether there may be more."""
        if self._readings is None:
            self._readings = in_order(_ask(connection), float(self.day * DAY_S), float((self.day + 1) * DAY_S))
        count = 0
        for time_s, stream, value, quality, *_ in islice(self._readings, ROWS_READ):
            hour = int(time_s % DAY_S) // HOUR_S
            if hour != self._hour:
                self._pass_to(hour)
            figure = self._found.get(stream)
            if figure is None:
                figure = self._found[stream] = Figure()
            figure.take(value, quality)
            count += 1
        return count == ROWS_READ

    def _pass_to(self, hour: int) -> None:
        """Pack the figures of the hour that is over: readings come by time."""
        packed: array[float] = array("d")
        for stream in sorted(self._found):
            row = self._found[stream].row()
            packed.extend((stream, self._hour, *(math.nan if one is None else one for one in row)))
        self._packed.append(packed)
        self._found, self._hour = {}, hour

    def lots(self) -> Iterator[list[Row]]:
        """Give the rows out in the order of the table, as many at a time as one transaction takes."""
        self._pass_to(self._hour)
        rows = heapq.merge(*map(_unpacked, self._packed))
        while lot := [(self.day, *row) for row in islice(rows, ROWS_WRITTEN)]:
            yield lot


def _unpacked(packed: array[float]) -> Iterator[Row]:
    """Yield stream, hour, count, unsure, low, mean, high, last of one hour, by stream."""
    for place in range(0, len(packed), COLUMNS):
        *whole, low, mean, high, last = packed[place : place + COLUMNS]
        yield (*map(int, whole), *(None if math.isnan(one) else one for one in (low, mean, high, last)))


def _ask(connection: sqlite3.Connection) -> Ask:
    return lambda sql, values: connection.execute(only(sql, None), values).fetchall()


def write_hourly(connection: sqlite3.Connection, rows: Iterable[Row]) -> None:
    """Store figures by the hour; those of the same hour take their place. Inside the caller's transaction."""
    connection.executemany(_WRITE, rows)


def to_daily(connection: sqlite3.Connection, day: int, after: int, upto: int) -> None:
    """Turn the hours of a day of the streams after < stream <= upto into one figure each, in one transaction."""
    connection.execute(_TO_DAILY, (STRETCH_DAYS, day, after, upto))
    connection.execute("DELETE FROM hourly WHERE day = ? AND stream > ? AND stream <= ?", (day, after, upto))
