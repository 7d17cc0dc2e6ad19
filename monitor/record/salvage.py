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

from monitor.record.figures import DAY_S
from monitor.record.samples import KEYS_A_SECOND, SLOTS, is_drawn

SINCE_S: Final = 9.0 * DAY_S
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
"""What is not: figures and checkpoints of the backup stand, and newer ones are made again.

So are the figures of days of which a reading was carried over that they do not know.
"""
SINCE: Final = {"reading": 1.0, "sample": 1.0 / KEYS_A_SECOND, "estimate": 1.0, "forecast": 3600.0}
"""Tables of which only the last days are carried over, with the seconds that one of their first key is."""

READINGS: Final = frozenset({"reading", "sample"})
REPLACED: Final = frozenset({"alert", "event", "outbox", "estimate", "shape", "away"})
"""What may have changed since the backup: the damaged record knows better."""
WHOLE: Final = ("token", "session", "follow_up")
"""What may have been taken back since the backup: where all of it can be read, nothing else stays."""

_Key = tuple[Any, ...]


@dataclass(slots=True)
class Salvaged:
    """What came of it: new rows by table, tables with unreadable parts, and the earliest time of something new.

    `days` are those of new readings, as days since 1970 in UTC.
    """

    rows: dict[str, int] = field(default_factory=dict)
    broken: list[str] = field(default_factory=list)
    earliest_s: float = math.inf
    days: set[int] = field(default_factory=set)


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
            if table == "stream" and table in found.broken and _names_by_index(source, into):
                found.broken.remove(table)
    into.executemany(
        "INSERT OR IGNORE INTO late_day SELECT :day FROM upkeep WHERE :day * :day_s < figures_to_s",
        [{"day": day, "day_s": DAY_S} for day in sorted(found.days)],
    )
    return found


def _names_by_index(source: sqlite3.Connection, into: sqlite3.Connection) -> bool:
    """Take the names of signals from the index that holds them too; tell whether all of it could be read."""
    try:
        names = source.execute("SELECT id, sump, signal FROM stream ORDER BY sump, signal").fetchall()
    except sqlite3.DatabaseError:
        return False
    into.executemany("INSERT OR IGNORE INTO stream (id, sump, signal) VALUES (?, ?, ?)", names)
    return True


class _Table:
    """One table on its way over."""

    def __init__(self, source: sqlite3.Connection, into: sqlite3.Connection, name: str, keys: Sequence[str]) -> None:
        self._source, self._into, self._name = source, into, name
        self._keys = ", ".join(keys)
        self._width = len(keys)
        columns = [row[1] for row in into.execute(f"PRAGMA table_info([{name}])")]
        there = {row[1] for row in source.execute(f"PRAGMA table_info([{name}])")}
        self._columns = [column for column in columns if column in there]
        self._named = {row[0] for row in into.execute("SELECT id FROM stream")}
        self._nameless = False

    def carry_over(self, since_s: float, found: Salvaged) -> None:
        """Go through it from both ends."""
        if not self._columns:
            return
        if self._name in WHOLE and self._pages_are_readable():
            self._into.execute(f"DELETE FROM [{self._name}]")  # noqa: S608 - the name is ours
        first = (since_s / SINCE[self._name], *("" for _ in range(self._width - 1))) if self._name in SINCE else None
        upto = self._pass(first, found, ascending=True)
        if upto is not None:
            self._pass(None, found, ascending=False, until=upto)
        if upto is not None or self._nameless:
            found.broken.append(self._name)

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
        if self._name in READINGS and self._stream_of(values) not in self._named:
            self._nameless = True  # the name of its signal is lost, and its number may become another's
            return
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
            self._note_time(values, found)

    def _stream_of(self, values: _Key) -> Any:
        if self._name == "sample" and not is_drawn(values[0]):
            return values[0] % SLOTS
        return values[self._columns.index("stream")]

    def _note_time(self, values: _Key, found: Salvaged) -> None:
        """Note the time of a new reading or entry."""
        if self._name == "sample":
            time_s = values[0] / KEYS_A_SECOND
        elif self._name in {"reading", "entry"}:
            time_s = _moment(values[self._columns.index("time_s")])
        else:
            return
        found.earliest_s = min(found.earliest_s, time_s)
        if self._name in READINGS and math.isfinite(time_s):
            found.days.add(int(time_s // DAY_S))


def _moment(value: Any) -> float:
    return float(value) if isinstance(value, int | float) else -math.inf
