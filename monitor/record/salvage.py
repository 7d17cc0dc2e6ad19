"""What can still be read of a damaged record is carried over into the one that takes its place.

Tables are gone through from their beginning until a page cannot be read, then from their end backwards until one cannot
be read: what is lost is what lies between. Of single readings, estimates and forecasts only the last days are carried
over; the rest is in the backup, and in the damaged file that is kept.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from monitor.record.samples import KEYS_A_SECOND

SINCE_S: Final = 9 * 86_400.0
ROWS_AT_ONCE: Final = 500
KEYS: Final = {
    "stream": ("id",),
    "reading": ("time_s", "stream"),
    "sample": ("key",),
    "entry": ("rowid",),
    "rejected": ("id",),
    "receipt": ("id",),
    "event": ("rowid",),
    "alert": ("rowid",),
    "transition": ("rowid",),
    "landing": ("rowid",),
    "token": ("rowid",),
    "session": ("rowid",),
    "outbox": ("id",),
    "follow_up": ("rowid",),
    "estimate": ("time_s", "sump"),
    "forecast": ("hour", "sump"),
    "shape": ("sump",),
    "away": ("to_s",),
    "mishap": ("id",),
}
"""What is carried over, and how its rows lie."""
LEFT: Final = frozenset({"hourly", "daily", "late_day", "upkeep", "checkpoint", "opening"})
"""What is not: figures and checkpoints of the backup stand, and newer ones are made again."""
SINCE: Final = {"reading": 1.0, "sample": 1.0 / KEYS_A_SECOND, "estimate": 1.0, "forecast": 3600.0}
"""Tables of which only the last days are carried over, with the seconds that one of their first key is."""

REPLACED: Final = frozenset({"alert", "event", "outbox", "estimate", "shape", "away"})
"""What may have changed since the backup: the damaged record knows better."""
WHOLE: Final = ("token", "session", "follow_up")
"""What may have been taken back since the backup: where all of it can be read, nothing else stays."""

_Key = tuple[Any, ...]


@dataclass(slots=True)
class Salvaged:
    """What came of it: new rows by table, tables with unreadable parts, and the earliest time of something new."""

    rows: dict[str, int] = field(default_factory=dict)
    broken: list[str] = field(default_factory=list)
    earliest_s: float = math.inf


def salvage(damaged: Path, into: sqlite3.Connection, since_s: float) -> Salvaged:
    """Carry over what is readable and newer than `since_s`, inside the caller's transaction."""
    found = Salvaged()
    with closing(sqlite3.connect(f"{damaged.absolute().as_uri()}?mode=rw", uri=True, isolation_level=None)) as source:
        source.text_factory = lambda raw: raw.decode("utf-8", "replace")
        for table, keys in KEYS.items():
            try:
                _Table(source, into, table, keys).carry_over(since_s, found)
            except sqlite3.DatabaseError:
                found.broken.append(table)
    return found


class _Table:
    """One table on its way over."""

    def __init__(self, source: sqlite3.Connection, into: sqlite3.Connection, name: str, keys: Sequence[str]) -> None:
        self._source, self._into, self._name = source, into, name
        self._keys = ", ".join(keys)
        self._width = len(keys)
        columns = [row[1] for row in into.execute(f"PRAGMA table_info([{name}])")]
        there = {row[1] for row in source.execute(f"PRAGMA table_info([{name}])")}
        self._columns = [column for column in columns if column in there]

    def carry_over(self, since_s: float, found: Salvaged) -> None:
        """Go through it from both ends."""
        if not self._columns:
            return
        if self._name in WHOLE and self._pages_are_readable():
            self._into.execute(f"DELETE FROM [{self._name}]")  # noqa: S608 - the name is ours
        first = (since_s / SINCE[self._name], *("" for _ in range(self._width - 1))) if self._name in SINCE else None
        upto = self._pass(first, found, ascending=True)
        if upto is not None:
            found.broken.append(self._name)
            self._pass(None, found, ascending=False, until=upto)

    def _pages_are_readable(self) -> bool:
        try:
            self._source.execute(f"SELECT * FROM [{self._name}]").fetchall()  # noqa: S608 - the name is ours
        except sqlite3.DatabaseError:
            return False
        return True

    def _pass(self, place: _Key | None, found: Salvaged, *, ascending: bool, until: _Key | None = None) -> _Key | None:
        """Carry rows over until the end or damage; return the last key before the damage (() for none), else None."""
        at_once = ROWS_AT_ONCE
        while True:
            try:
                page = self._page(place, at_once, ascending=ascending, until=until)
            except sqlite3.DatabaseError:
                if at_once == 1:
                    return place or ()
                at_once = 1
                continue
            for row in page:
                self._put(row, found)
            if not page:
                return None
            place = page[-1][: self._width]

    def _page(self, place: _Key | None, count: int, *, ascending: bool, until: _Key | None) -> list[Any]:
        marks = ", ".join("?" * self._width)
        bounds: list[str] = []
        values: list[Any] = []
        for bound, sign in ((place, ">" if ascending else "<"), (until, ">")):
            if bound:
                bounds.append(f"({self._keys}) {sign} ({marks})")
                values += bound
        order = ", ".join(f"{key}{'' if ascending else ' DESC'}" for key in self._keys.split(", "))
        where = f"WHERE {' AND '.join(bounds)}" if bounds else ""
        columns = ", ".join(f"[{column}]" for column in self._columns)
        sql = f"SELECT {self._keys}, {columns} FROM [{self._name}] {where} ORDER BY {order} LIMIT ?"  # noqa: S608
        return self._source.execute(sql, (*values, count)).fetchall()

    def _put(self, row: _Key, found: Salvaged) -> None:
        values = row[self._width :]
        marks = ", ".join("?" * len(values))
        columns = ", ".join(f"[{column}]" for column in self._columns)
        how = "REPLACE" if self._name in REPLACED else "IGNORE"
        sql = f"INSERT OR {how} INTO [{self._name}] ({columns}) VALUES ({marks})"  # noqa: S608 - all names are ours
        try:
            new = self._into.execute(sql, values).rowcount == 1
        except sqlite3.IntegrityError:
            return
        if new:
            found.rows[self._name] = found.rows.get(self._name, 0) + 1
            if self._name in {"reading", "entry"}:
                found.earliest_s = min(found.earliest_s, _moment(values[self._columns.index("time_s")]))
            elif self._name == "sample":
                found.earliest_s = min(found.earliest_s, _moment(values[0]) / KEYS_A_SECOND)


def _moment(value: Any) -> float:
    return float(value) if isinstance(value, int | float) else -math.inf
