"""Opening the file: create it, see that it is ours and not of a newer release, bring it up to date."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from pathlib import Path
from typing import Final

from monitor.plant.errors import RecordError
from monitor.record.copies import new_mark
from monitor.record.faults import explained
from monitor.record.schema import APPLICATION_ID, STEPS, migrations
from monitor.record.tables import Database

BUSY_MS: Final = 10_000
"""How long a write waits for another process (a token added on the command line) before it gives up."""

PAGE_BYTES: Final = 1024
"""A page of a new record. Whole pages go to the log with each commit, and to a reading belong a few bytes of them."""
LOG_BYTES: Final = 4 << 20
"""The log is folded in when it is about so long."""
INCREMENTAL: Final = 2
REARRANGED_BYTES: Final = 1 << 28
"""A record of up to so many bytes is rearranged at the start, once."""


def open_for_writing(path: Path) -> Database:
    """Open or create the database with mode 0600, in WAL mode, up to date; raise RecordError with the remedy.

    `synchronous=FULL` makes each commit wait until the log is on the disk itself: a committed batch survives
    `kill -9` and the loss of power, as far as the disk tells the truth about its cache.
    """
    _touch(path)
    with explained(path):
        connection = sqlite3.connect(path, timeout=BUSY_MS / 1000, isolation_level=None, check_same_thread=False)
        try:
            db = Database(connection, recursive_triggers=False, execute_plugins=False)
            check_ours(db, path)
            _set_up(db, path)
            migrations.apply(db)
            _let_space_go(db)
            _mark(db)
        except BaseException:
            connection.close()
            raise
    return db


def open_for_reading(path: Path) -> sqlite3.Connection:
    """Open a connection that can only read. Cheap enough to do for each query."""
    uri = f"{path.absolute().as_uri()}?mode=ro"
    return sqlite3.connect(uri, uri=True, timeout=BUSY_MS / 1000, isolation_level=None, check_same_thread=False)


def check_ours(db: Database, path: Path) -> None:
    """Raise RecordError if the file belongs to another program or to a newer release of this one."""
    mark = db.execute("PRAGMA application_id").fetchone()[0]
    if mark != APPLICATION_ID and set(db.table_names()) - {migrations.migrations_table}:
        raise RecordError(f"{path}: is the database of another program; name another file in the plant file")
    newer = {step.name for step in migrations.applied(db)} - set(STEPS)
    if newer:
        raise RecordError(
            f"{path}: was written by a newer release (it has {', '.join(sorted(newer))}); install that release or name"
            " another file in the plant file"
        )


def check_current(db: Database, path: Path) -> None:
    """Raise RecordError if the file is not as this release writes it."""
    check_ours(db, path)
    if migrations.pending(db):
        raise RecordError(
            f"{path}: was written by an older release; start bandkeeper on it once to bring it up to date"
        )


def _touch(path: Path) -> None:
    """Create the file for its owner alone. One that is there is not touched: closing it would drop SQLite's locks."""
    if not path.parent.is_dir():
        raise RecordError(f"{path}: there is no folder {path.parent}; create it or name another file as database")
    if path.is_dir():
        raise RecordError(f"{path}: is a folder; name a file as database in the plant file")
    try:
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
    except FileExistsError:
        return
    except OSError as error:
        raise RecordError(
            f"{path}: cannot be written ({error.strerror}); let the user that runs bandkeeper write the file and"
            " its folder, or name another file as database"
        ) from error


def _set_up(db: Database, path: Path) -> None:
    if db.execute("PRAGMA page_count").fetchone()[0] == 0:
        db.execute(f"PRAGMA page_size = {PAGE_BYTES}")
        db.execute("PRAGMA auto_vacuum = INCREMENTAL")
    mode = db.execute("PRAGMA journal_mode = WAL").fetchone()[0]
    if mode != "wal":
        raise RecordError(f"{path}: this file system cannot keep a write-ahead log (it says {mode}); use a local disk")
    db.execute("PRAGMA synchronous = FULL")
    page_bytes = db.execute("PRAGMA page_size").fetchone()[0]
    db.execute(f"PRAGMA wal_autocheckpoint = {LOG_BYTES // page_bytes}")
    db.execute("PRAGMA journal_size_limit = 16777216")
    db.execute("PRAGMA secure_delete = OFF")


def _mark(db: Database) -> None:
    """Give a new record a mark by chance and fold it into the file: another record's log is told by it."""
    if db.execute("PRAGMA user_version").fetchone()[0] == 0:
        db.execute(f"PRAGMA user_version = {new_mark()}")
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()


def _let_space_go(db: Database) -> None:
    """Let a record that was made before space was given back do so from now on; a large one only uses it again."""
    size = db.execute("PRAGMA page_count").fetchone()[0] * db.execute("PRAGMA page_size").fetchone()[0]
    if db.execute("PRAGMA auto_vacuum").fetchone()[0] == INCREMENTAL or size > REARRANGED_BYTES:
        return
    db.execute("PRAGMA auto_vacuum = INCREMENTAL")
    with contextlib.suppress(sqlite3.OperationalError):  # no room for a second copy: it stays as it is
        db.execute("VACUUM")
