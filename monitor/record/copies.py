"""Copying the record while it is in use, writing only what differs from the copy that was there before.

A copy over a former copy reads all of both and writes few pages, so a copy a night costs a disk little. The source
holds still meanwhile: a read transaction that begins when the write-ahead log has been folded in whole reads the
database file alone, and as long as it lasts SQLite writes no page into that file (it locks out every checkpoint that
would); what is stored meanwhile goes into the log.

The database file is read past SQLite here, and closing it would drop the locks that SQLite holds for this process on
it: only a process that does not write the record may do that. So a daemon lets a process of its own do it (`backups`).
"""

from __future__ import annotations

import os
import secrets
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import BinaryIO, Final

from monitor.plant.errors import RecordError
from monitor.record.faults import explained

BLOCK: Final = 1 << 18
PAGE: Final = 1024
HOLD_TRIES: Final = 200
HOLD_WAIT_S: Final = 0.05
MARK_AT: Final = 60
"""Where the 32-bit mark of a record lies in its file: what SQLite calls the user version."""

Pace = Callable[[int], None]
"""Called with the bytes of each block; it may wait, or raise to give up."""


def unhurried(_bytes: int) -> None:
    """Copy as fast as the disks allow."""


@contextmanager
def held_still(path: Path) -> Iterator[None]:
    """Let no page of the database file change within the block; other connections read and write as ever."""
    with explained(path), closing(_connect(path)) as writer, closing(_connect(path)) as reader:
        for _ in range(HOLD_TRIES):
            if _hold(writer, reader):
                yield
                return
            time.sleep(HOLD_WAIT_S)
    raise RecordError(f"{path}: somebody reads it without an end, so that it cannot be copied; try again")


def _connect(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=10.0, isolation_level=None)


def _hold(writer: sqlite3.Connection, reader: sqlite3.Connection) -> bool:
    """Fold the log in while nobody writes, and begin to read; tell whether all of it could be folded in."""
    writer.execute("BEGIN IMMEDIATE")
    try:
        busy, in_log, folded = reader.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        if busy or in_log != folded:
            return False
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM sqlite_master").fetchone()
        return True
    finally:
        writer.execute("ROLLBACK")


def copy_over(source: Path, target: Path, pace: Pace = unhurried) -> int:
    """Make the file `target` (there or not) the same as `source`, which holds still; return the bytes written."""
    handle = os.open(target, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    with source.open("rb") as live, os.fdopen(handle, "r+b") as copy:
        written = _copy_blocks(live, copy, pace)
        copy.truncate(source.stat().st_size)
        copy.flush()
        os.fsync(copy.fileno())
    return written


def _copy_blocks(live: BinaryIO, copy: BinaryIO, pace: Pace) -> int:
    written, place = 0, 0
    while block := live.read(BLOCK):
        copy.seek(place)
        known = copy.read(len(block))
        for at in range(0, len(block), PAGE):
            page = block[at : at + PAGE]
            if known[at : at + PAGE] != page:
                copy.seek(place + at)
                copy.write(page)
                written += len(page)
        place += len(block)
        pace(len(block))
    return written


def mark_anew(path: Path) -> None:
    """Give a copy a mark of its own: a log that belongs to the record it was copied from is not taken for its own."""
    with path.open("r+b") as file:
        file.seek(MARK_AT)
        file.write(new_mark().to_bytes(4, "big"))
        file.flush()
        os.fsync(file.fileno())


def new_mark() -> int:
    """Return a mark by chance, never 0."""
    return secrets.randbelow((1 << 31) - 1) + 1


def sync_folder(folder: Path) -> None:
    """Put what was renamed in a folder on the disk itself."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
