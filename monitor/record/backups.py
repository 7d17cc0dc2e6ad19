"""The folder of backups: a copy a night, the last few kept, a good one never at risk.

`python -m monitor.record.backups DATABASE FOLDER COUNT NOW_S` makes one, in a process of its own (see `copies`). The
oldest of several becomes the next: it loses its name, is brought up to date, is checked whole, and gets a new name
only then. Killed on the way, it is no backup, the others are as they were, and the next attempt goes on with it; out of
space, it is deleted. What would leave too little room for the record itself is not begun.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from shutil import disk_usage
from typing import Final, NamedTuple

from monitor.plant.errors import DamagedRecordError, RecordError
from monitor.record.check import what_is_wrong
from monitor.record.copies import Pace, copy_over, held_still, mark_anew, sync_folder, unhurried

SUFFIX: Final = ".backup"
UNFINISHED: Final = "unfinished"
WHOLE_CHECK_S: Final = 3600.0
SPARE_BYTES: Final = 200_000_000
BYTES_A_SECOND: Final = 50e6
DONE, FAILED, DAMAGED = 0, 1, 3
_TIME: Final = "%Y%m%dT%H%M%SZ"


class Backup(NamedTuple):
    """A backup and the moment (Unix seconds) at which it was begun."""

    made_s: float
    path: Path


def backups_in(folder: Path, database: Path) -> list[Backup]:
    """Return the whole backups of a record, the newest first."""
    found = []
    for path in folder.glob(f"{database.name}.*{SUFFIX}") if folder.is_dir() else ():
        text = path.name.removeprefix(f"{database.name}.").removesuffix(SUFFIX)
        try:
            found.append(Backup(datetime.strptime(text, _TIME).replace(tzinfo=UTC).timestamp(), path))
        except ValueError:
            continue
    return sorted(found, reverse=True)


def stamp(now_s: float) -> str:
    """Return a moment as it stands in the names of files."""
    return datetime.fromtimestamp(now_s, UTC).strftime(_TIME)


def make_backup(database: Path, folder: Path, count: int, now_s: float, pace: Pace = unhurried) -> tuple[Path, int]:
    """Make a backup and let go of those beyond `count`; return it and the bytes written.

    RecordError says what is in the way, DamagedRecordError that the record itself is damaged.
    """
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        unfinished = _begin(folder, database, count)
        _refuse_to_fill(folder, database, unfinished)
        with held_still(database):
            written = copy_over(database, unfinished, pace)
        _check(database, unfinished)
        mark_anew(unfinished)
        made = folder / f"{database.name}.{stamp(now_s)}{SUFFIX}"
        unfinished.replace(made)
        for old in backups_in(folder, database)[count:]:
            old.path.unlink()
        sync_folder(folder)
    except OSError as error:
        with suppress(OSError):
            _unfinished(folder, database).unlink(missing_ok=True)  # the record needs the room more
        text = f"{folder}: no backup can be written ({error}); check the folder and its free space"
        raise RecordError(text) from error
    return made, written


def _refuse_to_fill(folder: Path, database: Path, unfinished: Path) -> None:
    """Raise RecordError where a backup would leave too little room for the record to go on."""
    there = unfinished.stat().st_size if unfinished.exists() else 0
    free, needed = disk_usage(folder).free, database.stat().st_size - there
    if needed > 0 and free - needed < SPARE_BYTES:
        raise RecordError(
            f"{folder}: no backup can be written: it needs {needed / 1e6:.0f} MB more and {free / 1e6:.0f} MB are free;"
            f" make room, so that {SPARE_BYTES / 1e6:.0f} MB stay for the record, or name a folder on another disk"
        )


def _unfinished(folder: Path, database: Path) -> Path:
    return folder / f"{database.name}.{UNFINISHED}"


def _begin(folder: Path, database: Path, count: int) -> Path:
    """Return the file to write: one left unfinished, else the oldest of more than enough, else a new one."""
    unfinished = _unfinished(folder, database)
    there = backups_in(folder, database)
    if not unfinished.exists() and len(there) >= max(count, 2):
        there[-1].path.replace(unfinished)
        sync_folder(folder)
    return unfinished


def _check(database: Path, copy: Path) -> None:
    wrong = what_is_wrong(copy, WHOLE_CHECK_S, with_log=False)
    if not wrong:
        return
    copy.unlink()
    itself = what_is_wrong(database, WHOLE_CHECK_S)
    if itself:
        raise DamagedRecordError(f"{database}: the database is damaged ({itself})")
    raise RecordError(f"{copy}: came out damaged ({wrong}); see to the disk of the backups")


class _Slow:
    """Copies no faster than so many bytes a second: the watch comes first."""

    def __init__(self) -> None:
        self._begun, self._bytes = time.monotonic(), 0

    def __call__(self, copied: int) -> None:
        self._bytes += copied
        ahead_s = self._bytes / BYTES_A_SECOND - (time.monotonic() - self._begun)
        if ahead_s > 0.0:
            time.sleep(ahead_s)


def main(arguments: Sequence[str]) -> int:
    """Make one backup; say its name, or what was in the way on standard error."""
    database, folder, count, now_s = arguments
    with suppress(OSError):  # a service may be forbidden even that
        os.nice(10)
    try:
        made, written = make_backup(Path(database), Path(folder), int(count), float(now_s), _Slow())
    except RecordError as error:
        sys.stderr.write(f"{error}\n")
        return DAMAGED if isinstance(error, DamagedRecordError) else FAILED
    sys.stdout.write(f"{made} ({written / 1e6:.1f} MB written)\n")
    return DONE


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
