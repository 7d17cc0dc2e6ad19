"""What has outlived its time, deleted a little at a time. Each function runs inside the caller's transaction."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from functools import partial
from typing import Final

from monitor.plant.types import Keeping

DAY_S: Final = 86_400.0
ROWS_DELETED: Final = 10_000
ALERTS_DELETED: Final = 200
OPENINGS_KEPT: Final = 1_000
MISHAPS_KEPT: Final = 100
STRETCH_S: Final = 32 * DAY_S


def steps(db: sqlite3.Connection, keeping: Keeping, now_s: float) -> Iterator[Callable[[], int]]:
    """Give out steps; each is to be repeated until it returns that it deleted nothing."""
    daily_s, alerts_s = now_s - keeping.daily_s, now_s - keeping.alerts_s
    yield partial(delete_before, db, "forecast", "hour", (now_s - keeping.forecasts_s) / 3600.0)
    yield partial(delete_before, db, "estimate", "time_s", daily_s)
    yield partial(delete_before, db, "daily", "stretch", daily_s / STRETCH_S - 1.0)
    yield partial(delete_before, db, "event", "time_s", daily_s)
    yield partial(delete_before, db, "away", "to_s", daily_s)
    yield partial(delete_before, db, "landing", "time_s", alerts_s)
    yield partial(delete_before, db, "entry", "time_s", now_s - keeping.entries_s)
    yield partial(delete_alerts, db, alerts_s)
    yield partial(delete_all_but, db, "opening", OPENINGS_KEPT)
    yield partial(delete_all_but, db, "mishap", MISHAPS_KEPT)


def delete_before(db: sqlite3.Connection, table: str, column: str, bound: float) -> int:
    """Delete the first rows below a bound, about `ROWS_DELETED`; return how many. The column has an index."""
    sql = f"SELECT {column} FROM {table} WHERE {column} < ? ORDER BY {column} LIMIT 1 OFFSET ?"  # noqa: S608 - ours
    edge = db.execute(sql, (bound, ROWS_DELETED)).fetchone()
    upto = bound if edge is None else edge[0]
    sql = f"DELETE FROM {table} WHERE {column} < ? AND {column} <= ?"  # noqa: S608 - both names are ours
    return db.execute(sql, (bound, upto)).rowcount


def delete_alerts(db: sqlite3.Connection, closed_before_s: float) -> int:
    """Delete alerts closed long ago, with their transitions."""
    sql = "SELECT id FROM alert WHERE cleared_s < ? ORDER BY cleared_s LIMIT ?"
    found = db.execute(sql, (closed_before_s, ALERTS_DELETED)).fetchall()
    db.executemany("DELETE FROM [transition] WHERE alert_id = ?", found)
    db.executemany("DELETE FROM alert WHERE id = ?", found)
    return len(found)


def delete_all_but(db: sqlite3.Connection, table: str, kept: int) -> int:
    """Delete all but the newest rows of a table that numbers them."""
    sql = f"DELETE FROM {table} WHERE id <= (SELECT max(id) FROM {table}) - ?"  # noqa: S608 - the table is ours
    return db.execute(sql, (kept,)).rowcount


def thin_estimates(db: sqlite3.Connection, from_s: float, to_s: float) -> int:
    """Leave of a span only each sump's last estimate; return how many went."""
    sql = (
        "DELETE FROM estimate WHERE time_s >= :from_s AND time_s < :to_s AND (time_s, sump) NOT IN"
        " (SELECT max(time_s), sump FROM estimate WHERE time_s >= :from_s AND time_s < :to_s GROUP BY sump)"
    )
    return db.execute(sql, {"from_s": from_s, "to_s": to_s}).rowcount
