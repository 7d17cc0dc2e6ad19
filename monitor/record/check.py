"""Looking for damage in a database file, within a time that does not hang on its size."""

from __future__ import annotations

import sqlite3
import time
from contextlib import closing
from pathlib import Path
from typing import Final

from monitor.record.faults import is_damage

LARGE: Final = ("forecast", "estimate", "hourly", "daily", "reading", "sample")
"""Looked at last, in this order: where time is short, what the daemon cannot start without comes first."""
INSTRUCTIONS: Final = 1_000
PAGES_A_SECOND: Final = 200_000
"""SQLite looks at about so many pages of a table in a second, and nothing stops it before it is through."""


def what_is_wrong(path: Path, limit_s: float, *, with_log: bool = True, closely: bool = False) -> str:
    """Return what is damaged in a database, as far as it shows within `limit_s`; empty if nothing does.

    Without its log only the file itself is looked at, as it was when the log was last folded in; looked at closely,
    indices are held against their tables. A file that cannot be opened for another reason than damage is not damaged.
    """
    how = "mode=ro" if with_log else "mode=ro&immutable=1"
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?{how}", uri=True, isolation_level=None)) as database:
            check = "integrity_check" if closely else "quick_check"
            return _first_fault(database, check, time.monotonic() + limit_s)
    except sqlite3.Error as error:
        return str(error) if is_damage(error) else ""


def _first_fault(database: sqlite3.Connection, check: str, until: float) -> str:
    tables = [row[0] for row in database.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    tables.sort(key=lambda name: LARGE.index(name) if name in LARGE else -1)
    takes_s = database.execute("PRAGMA page_count").fetchone()[0] / PAGES_A_SECOND
    database.set_progress_handler(lambda: time.monotonic() > until, INSTRUCTIONS)
    try:
        for table in tables:
            if table in LARGE and time.monotonic() + takes_s > until:
                _go_through(database, table)
                continue
            found = database.execute(f'PRAGMA {check}("{table}")').fetchone()
            if found is not None and found[0] != "ok":
                return str(found[0]).splitlines()[-1]
    except sqlite3.OperationalError as error:
        if getattr(error, "sqlite_errorname", "") != "SQLITE_INTERRUPT":
            raise
    return ""


def _go_through(database: sqlite3.Connection, table: str) -> None:
    """Read a table's rows from its end, where the newest are, as far as time allows; what cannot be read raises."""
    columns = database.execute(f'PRAGMA table_info("{table}")').fetchall()
    last, keys = columns[-1][1], sorted((place, name) for _, name, *_, place in columns if place)
    order = ", ".join(f'"{name}" DESC' for _, name in keys)
    for _ in database.execute(f'SELECT 1 FROM "{table}" WHERE "{last}" IS x\'00\' ORDER BY {order}'):  # noqa: S608
        pass


def mark_of(path: Path, *, with_log: bool) -> int:
    """Return the mark of a record (0: none), as its log has it or as its file alone has it."""
    how = "mode=ro" if with_log else "mode=ro&immutable=1"
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?{how}", uri=True)) as database:
            return int(database.execute("PRAGMA user_version").fetchone()[0])
    except sqlite3.Error:
        return 0
