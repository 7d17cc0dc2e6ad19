"""Single readings as they lie on disk: in one table that only grows at its end, ordered by time.

The key of a row of `sample` is one number: the milliseconds of the reading's time, then its stream. So a batch of what
was just measured touches the last page of one tree and at times begins another; that is all a commit has to write. A
time of whole milliseconds is in the key to the very last bit. Another has a key that is drawn from time and stream, and
stands in the row itself with its stream. What has no place by these rules (a time before 1970 or after 2248, two such
times that draw the same key) lies in `reading`, a tree of time and stream, and so do the readings of records that were
begun before there were samples. Where a reading lies never changes, and each question is put to both tables.
"""

from __future__ import annotations

import heapq
import math
import sqlite3
import struct
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import chain, groupby
from operator import itemgetter
from typing import Any, Final

from monitor.record.arrivals import Kept

SLOTS: Final = 1 << 20
"""So many keys belong to a millisecond."""
KEYS_A_SECOND: Final = 1000.0 * SLOTS
DRAWN: Final = 1 << 19
"""From this slot on a key is drawn; below it is the stream itself."""
LAST_S: Final = (1 << 43) / 1000.0 - 1.0
HIGHEST: Final = (1 << 63) - 1

TIME: Final = f"coalesce(time_s, (key / {SLOTS}) / 1000.0)"
"""SQL: the time of a sample."""
STREAM: Final = f"coalesce(stream, key % {SLOTS})"
"""SQL: the stream of a sample."""
WITHIN: Final = (
    "(SELECT time_s, stream, value, quality, arrived_s, reason FROM reading"  # noqa: S608 - all names are ours
    " WHERE time_s >= :from_s AND time_s < :to_s"
    f" UNION ALL SELECT {TIME} AS time_s, {STREAM} AS stream, value, quality, arrived_s, reason FROM sample"
    f" WHERE key >= :low AND key < :high AND {TIME} >= :from_s AND {TIME} < :to_s)"
)
"""SQL: all readings of a span, in no order; takes what `within` gives."""

_OLD: Final = (
    "SELECT time_s, stream, value, quality, arrived_s, reason FROM reading"
    " WHERE (time_s, stream) > (?, ?) AND time_s < ? {old} ORDER BY time_s, stream LIMIT ?"
)
_NEW: Final = (
    f"SELECT {TIME}, {STREAM}, value, quality, arrived_s, reason, key FROM sample"  # noqa: S608
    " WHERE key > ? AND key < ? {new} ORDER BY key LIMIT ?"
)
_LAST: Final = f"SELECT max({TIME}) FROM sample WHERE key >= (SELECT max(key) FROM sample) / {SLOTS} * {SLOTS}"  # noqa: S608
_FIRST: Final = (
    f"SELECT min({TIME}) FROM sample WHERE key >= ?1"  # noqa: S608
    f" AND key < ((SELECT min(key) FROM sample WHERE key >= ?1) / {SLOTS} + 1) * {SLOTS}"
)
"""Of the last or first millisecond: within one, drawn keys do not follow time."""
_ADD: Final = "INSERT INTO sample VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
_SAME: Final = "SELECT time_s, stream FROM sample WHERE key = ?"
_ADD_OLD: Final = "INSERT INTO reading VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"

FIRST_PAGE: Final = 500
PAGE: Final = 5_000
"""Rows fetched at once: no query stays open while the caller works, so the write-ahead log can be folded in."""

Raw = tuple[float, int, float | None, int, Kept, str | None]
"""Time, stream, value, quality, arrival as kept, reason."""
Ask = Callable[[str, tuple[float, ...]], list[Any]]
"""Puts a query with its values to the record, through `only` first."""


def key_of(time_s: float, stream: int) -> int | None:
    """Return the key of a reading in `sample`, None if it has no place there."""
    if not (0.0 <= time_s < LAST_S and 0 <= stream < DRAWN):
        return None
    ms = round(time_s * 1000.0)
    if ms / 1000.0 == time_s:
        return ms * SLOTS + stream
    if ms / 1000.0 > time_s:
        ms -= 1
    return ms * SLOTS + DRAWN + zlib.crc32(struct.pack(">dq", time_s, stream)) % DRAWN


def is_drawn(key: int) -> bool:
    """Tell whether time and stream stand in the row beside the key."""
    return key % SLOTS >= DRAWN


def key_at(time_s: float) -> int:
    """Return the first key of the millisecond a moment falls in, or of the one before: none of later lies below."""
    return min(max(int(time_s * 1000.0) - (time_s % 1.0 > 0.0), 0) * SLOTS, HIGHEST) if time_s < LAST_S else HIGHEST


def within(from_s: float, to_s: float) -> dict[str, float]:
    """Return the values that a query with `WITHIN` takes."""
    low = key_at(max(from_s, 0.0))
    return {"from_s": from_s, "to_s": to_s, "low": low, "high": min(key_at(max(to_s, 0.0)) + 2 * SLOTS, HIGHEST)}


def only(sql: str, streams: Iterable[int] | None) -> str:
    """Narrow a query of `in_order` down to some streams (None: to nothing)."""
    if streams is None:
        return sql.format(old="", new="")
    numbers = ",".join(map(str, streams))
    return sql.format(old=f"AND stream IN ({numbers})", new=f"AND {STREAM} IN ({numbers})")


def newest_s(db: sqlite3.Connection) -> float | None:
    """Return the latest time of a reading, None if there is none."""
    found = [db.execute(sql).fetchone() for sql in (_LAST, "SELECT max(time_s) FROM reading")]
    return max((row[0] for row in found if row is not None and row[0] is not None), default=None)


def oldest_s(db: sqlite3.Connection, from_s: float = -math.inf) -> float | None:
    """Return the earliest time of a reading from a whole second on, None if there is none."""
    found = (
        db.execute(_FIRST, (key_at(max(from_s, 0.0)),)).fetchone(),
        db.execute("SELECT min(time_s) FROM reading WHERE time_s >= ?", (from_s,)).fetchone(),
    )
    return min((row[0] for row in found if row is not None and row[0] is not None), default=None)


def in_order(ask: Ask, from_s: float, to_s: float) -> Iterator[Raw]:
    """Yield the readings of a span by time, those of one time by stream, a page of each table at a time."""
    old, new = _old(ask, from_s, to_s), _new(ask, from_s, to_s)
    first = next(old, None)
    if first is None:
        yield from new
    else:
        yield from heapq.merge(chain((first,), old), new, key=itemgetter(0, 1))


def _old(ask: Ask, from_s: float, to_s: float) -> Iterator[Raw]:
    place: tuple[float, int] = (from_s, -1)
    size = FIRST_PAGE
    while True:
        page = ask(_OLD, (*place, to_s, size))
        yield from page
        if len(page) < size:
            return
        place, size = page[-1][:2], PAGE


def _new(ask: Ask, from_s: float, to_s: float) -> Iterator[Raw]:
    """Read millisecond by millisecond: within one, drawn keys do not follow time."""
    for _, together in groupby(_keyed(ask, within(from_s, to_s)), lambda row: row[6] // SLOTS):
        rows = list(together)
        if len(rows) > 1 and is_drawn(rows[-1][6]):
            rows.sort(key=itemgetter(0, 1))
        for row in rows:
            if from_s <= row[0] < to_s:
                yield row[:6]


def _keyed(ask: Ask, bounds: dict[str, float]) -> Iterator[Any]:
    place, size = bounds["low"] - 1, FIRST_PAGE
    while True:
        page = ask(_NEW, (place, bounds["high"], size))
        yield from page
        if len(page) < size:
            return
        place, size = page[-1][6], PAGE


def add(db: sqlite3.Connection, rows: Sequence[Raw]) -> list[bool]:
    """Store readings whose time and stream differ from each other; return of each whether it was not there yet."""
    keys = [key_of(row[0], row[1]) for row in rows]
    old_s = db.execute("SELECT max(time_s) FROM reading").fetchone()[0]
    simple = None not in keys and (old_s is None or all(row[0] > old_s for row in rows))
    db.execute("SAVEPOINT batch")
    new = [True] * len(rows)
    if not simple or db.executemany(_ADD, sorted(map(_sample, keys, rows))).rowcount != len(rows):
        db.execute("ROLLBACK TO batch")  # some were there, or have no place among samples: look, one by one
        new = [_add_one(db, key, row) for key, row in zip(keys, rows, strict=True)]
    db.execute("RELEASE batch")
    return new


def _sample(key: int | None, row: Raw) -> tuple[Any, ...]:
    beside = row[:2] if key is not None and is_drawn(key) else (None, None)
    return (key, *row[2:], *beside)


def _add_one(db: sqlite3.Connection, key: int | None, row: Raw) -> bool:
    if db.execute("SELECT 1 FROM reading WHERE time_s = ? AND stream = ?", row[:2]).fetchone() is not None:
        return False
    if key is not None:
        if db.execute(_ADD, _sample(key, row)).rowcount == 1:
            return True
        if not is_drawn(key) or db.execute(_SAME, (key,)).fetchone() == row[:2]:
            return False
    return db.execute(_ADD_OLD, row).rowcount == 1
