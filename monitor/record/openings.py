"""When the record was opened and how it was closed: how one tells at a start that its log has been taken away.

A daemon's opening counts as closed once its log is folded in. One that broke off leaves a log behind; where there is
none at the next start, somebody took it away, and with it what was stored last.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Final

from monitor.record.stored import Mishap
from monitor.record.tables import Database

OPEN: Final = 0
CLOSED: Final = 1
FOLDED: Final = 2
"""Broken off, and another command folded the log in."""


def has_log(path: Path) -> bool:
    """Tell whether a write-ahead log lies beside the database."""
    return path.with_name(f"{path.name}-wal").exists()


def visit(db: Database, now_s: float, *, had_log: bool) -> None:
    """Note that a command opened the record for a moment; it folds in what log there was."""
    if had_log:
        db.execute("UPDATE opening SET closed = ? WHERE closed = ?", [FOLDED, OPEN])
    db.table("opening").insert({"time_s": now_s})


def lacks_log(db: Database, *, had_log: bool) -> list[Mishap]:
    """Tell whether the last opening broke off and its log is gone."""
    broke_off = db.execute("SELECT max(time_s) FROM opening WHERE closed = ?", [OPEN]).fetchone()[0] is not None
    db.execute("UPDATE opening SET closed = ? WHERE closed = ?", [FOLDED, OPEN])
    if had_log or not broke_off:
        return []
    what = "the daemon was ended without warning and the record's log (-wal) is gone"
    remedy = (
        "if another program folded it in, nothing is missing; if somebody removed it, what was stored last is lost:"
        " copy and move a record only with bandkeeper backup"
    )
    return [Mishap(what, remedy)]


def begin(db: Database, now_s: float) -> int:
    """Note that a daemon opened the record; return the number of the opening."""
    return int(db.execute("INSERT INTO opening (time_s, closed) VALUES (?, ?)", [now_s, OPEN]).lastrowid or 0)


def end(db: Database, number: int) -> None:
    """Note that it was closed in order."""
    db.execute("UPDATE opening SET closed = ? WHERE id = ?", [CLOSED, number])


def note(db: Database, mishaps: Iterable[Mishap], now_s: float) -> None:
    """Keep what happened to the record."""
    rows = [(now_s, one.what, one.remedy) for one in mishaps]
    db.conn.executemany("INSERT INTO mishap (time_s, what, remedy) VALUES (?, ?, ?)", rows)
