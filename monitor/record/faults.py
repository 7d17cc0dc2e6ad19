"""What SQLite says, turned into what is wrong with the record and what to do about it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from monitor.plant.errors import DamagedRecordError, RecordError

_REMEDIES = (
    (("SQLITE_FULL",), "the disk is full; nothing of this step is stored: make room on the disk and it goes on"),
    (
        ("SQLITE_READONLY", "SQLITE_PERM"),
        "is read-only; let the user that runs bandkeeper write the file and its folder, or name another file",
    ),
    (
        ("SQLITE_NOTADB",),
        "is no database; name another file as database in the plant file, or put this one aside and start afresh",
    ),
    (
        ("SQLITE_CORRUPT",),
        "the database is damaged; start bandkeeper on it: it puts it aside and goes on from the last backup",
    ),
    (
        ("SQLITE_BUSY", "SQLITE_LOCKED"),
        "another program holds the database; see whether bandkeeper runs twice on this plant file",
    ),
    (("SQLITE_CANTOPEN",), "cannot be opened; check that the folder exists and may be written"),
    (("SQLITE_IOERR",), "the disk refuses to read or write; look at the system log and the disk's health"),
)


def explain(path: Path, error: sqlite3.Error) -> RecordError:
    """Return the error for people: the file, what is wrong with it, what to do, and SQLite's own words."""
    name = getattr(error, "sqlite_errorname", "")
    kind = DamagedRecordError if is_damage(error) else RecordError
    for prefixes, remedy in _REMEDIES:
        if name.startswith(prefixes):
            return kind(f"{path}: {remedy} ({error})")
    return RecordError(f"{path}: the database cannot do this: {error}")


def is_damage(error: sqlite3.Error) -> bool:
    """Tell whether SQLite found what it stored damaged, or no database at all."""
    return getattr(error, "sqlite_errorname", "").startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB"))


@contextmanager
def explained(path: Path) -> Iterator[None]:
    """Raise RecordError instead of SQLite's errors within the block."""
    try:
        yield
    except sqlite3.Error as error:
        raise explain(path, error) from error
