"""What the signals of a sump said over a span: single readings, and figures by hour and day where only these are left.

Single readings are used where they are kept and the columns are narrower than an hour; else figures by the hour as far
as there are any, which are read many times faster. A figure counts at the middle of its hour or day. Each moment is
told by one source only, so nothing is missing and nothing is counted twice where they meet.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final, NamedTuple

from monitor.record.figures import DAY_S, HOUR_S, STRETCH_DAYS
from monitor.record.samples import WITHIN, within
from monitor.record.stored import Point

_COLUMN: Final = "min(CAST(({when} - :from_s) / :width_s AS INTEGER), :last) AS place"
_FIGURES: Final = (
    "SELECT stream, {column}, sum(count), sum(mean * count), min(low), max(high), min({when}), max({when})"
    " FROM {source} WHERE count > 0 AND {when} >= :from_s AND {when} < :until_s GROUP BY stream, place"
)
_READINGS: Final = (
    "SELECT stream, {column}, count(*), sum(value), min(value), max(value), min(time_s), max(time_s)"  # noqa: S608 - ours
    f" FROM {WITHIN} WHERE value IS NOT NULL AND stream IN ({{only}}) GROUP BY stream, place"
)
_STEPS: Final = (
    "(WITH RECURSIVE step(n) AS (SELECT :first UNION ALL SELECT n + 1 FROM step WHERE n < :end) SELECT n FROM step)"
)

_Row = tuple[int, int, int, float, float, float, float, float]


class _Table(NamedTuple):
    """A table of figures: the first column of its key, how long a part of it is, the moment at which a row counts."""

    name: str
    key: str
    part_s: int
    when: str


_HOURLY: Final = _Table("hourly", "day", DAY_S, f"(day * {DAY_S} + hour * {HOUR_S} + {HOUR_S // 2})")
_DAILY: Final = _Table("daily", "stretch", STRETCH_DAYS * DAY_S, f"(day * {DAY_S} + {DAY_S // 2})")


@dataclass(frozen=True, slots=True)
class Span:
    """A span of time in equal columns, Unix seconds."""

    from_s: float
    to_s: float
    columns: int

    @property
    def width_s(self) -> float:
        """Return how wide a column is."""
        return (self.to_s - self.from_s) / self.columns

    def values(self, **more: float) -> dict[str, float]:
        """Return what the queries take."""
        return {
            "from_s": self.from_s,
            "to_s": self.to_s,
            "width_s": self.width_s,
            "last": self.columns - 1,
            **more,
        }


@dataclass(slots=True)
class _Column:
    count: int
    total: float
    low: float
    high: float
    first_s: float
    last_s: float

    def join(self, other: _Column) -> None:
        self.count += other.count
        self.total += other.total
        self.low, self.high = min(self.low, other.low), max(self.high, other.high)
        self.first_s, self.last_s = min(self.first_s, other.first_s), max(self.last_s, other.last_s)

    def point(self) -> Point:
        return Point((self.first_s + self.last_s) / 2.0, self.low, self.total / self.count, self.high)


def points(db: sqlite3.Connection, streams: Iterable[int], span: Span) -> dict[int, list[Point]]:
    """Return for each stream that said anything its columns in order of time."""
    only = ",".join(map(str, streams))
    found: dict[tuple[int, int], _Column] = {}
    for row in _rows(db, only, span) if only else ():
        stream, place, one = row[0], row[1], _Column(*row[2:])
        known = found.setdefault((stream, place), one)
        if known is not one:
            known.join(one)
    said: dict[int, list[Point]] = {}
    for (stream, _), column in sorted(found.items()):
        said.setdefault(stream, []).append(column.point())
    return said


def _rows(db: sqlite3.Connection, only: str, span: Span) -> Iterator[_Row]:
    figures_to_s, readings_from_s = db.execute("SELECT figures_to_s, readings_from_s FROM upkeep").fetchone()
    begin_s = max(span.from_s, figures_to_s if span.width_s >= HOUR_S else readings_from_s)
    yield from _figures(db, _DAILY, only, span, span.to_s)
    if begin_s > span.from_s:
        yield from _figures(db, _HOURLY, only, span, min(begin_s, span.to_s))
    if begin_s < span.to_s:
        sql = _READINGS.format(column=_COLUMN.format(when="time_s").replace(":from_s", ":base_s"), only=only)
        values = {**span.values(), **within(begin_s, span.to_s), "base_s": span.from_s}
        yield from db.execute(sql, values)


def _figures(db: sqlite3.Connection, table: _Table, only: str, span: Span, until_s: float) -> Iterator[_Row]:
    """Read a table of figures part by part: in each, the rows of a stream lie side by side."""
    sql = f"SELECT (SELECT min({table.key}) FROM {table.name}), (SELECT max({table.key}) FROM {table.name})"  # noqa: S608
    oldest, newest = db.execute(sql).fetchone()
    if oldest is None:
        return
    first, end = max(oldest, span.from_s // table.part_s), min(newest, until_s // table.part_s)
    if first > end:
        return
    source = f"{_STEPS} CROSS JOIN {table.name} ON {table.key} = n AND stream IN ({only})"
    sql = _FIGURES.format(column=_COLUMN.format(when=table.when), when=table.when, source=source)
    yield from db.execute(sql, span.values(until_s=until_s, first=int(first), end=int(end)))
