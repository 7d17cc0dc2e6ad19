"""A record that cannot go on as it is: looked at before it is opened, put aside, replaced by the last good backup.

What takes the place of a damaged record is made whole first, under another name, with what can still be read of the
damaged one carried over. Only then do the two change places, so that a kill on the way leaves either the damaged
record, to begin again, or the mended one. Nothing is deleted: what was put aside is kept under a dated name.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Final

from monitor.plant.errors import DamagedRecordError, RecordError
from monitor.record.backups import WHOLE_CHECK_S, Backup, backups_in, stamp
from monitor.record.check import mark_of, what_is_wrong
from monitor.record.copies import copy_over, mark_anew, sync_folder
from monitor.record.migrations import open_for_writing
from monitor.record.salvage import SINCE_S, Salvaged, salvage
from monitor.record.samples import KEYS_A_SECOND
from monitor.record.stored import Mishap

CHECK_S: Final = 0.25
"""So long a record is looked at before each start; what does not show in it shows in the nightly backup."""
CHECK_AFTER_BREAK_S: Final = 1.0
MOST_ASIDE: Final = 3
"""So many damaged records are put aside; a disk that damages more wants somebody first."""
REPORTED: Final = ".damaged"
DOUBTED: Final = ".doubted"
DOUBT_LASTS_S: Final = 86_400.0
MENDING: Final = ".mending"
MENDED: Final = ".mended"
LOG: Final = "-wal"
INDEX: Final = "-shm"


def look_after(path: Path, backups: Path | None, now_s: float) -> list[Mishap]:
    """Make the record fit to be opened; return what had to be done, for the log, the health and an alert.

    To be called while nobody else has it open. RecordError if it cannot be mended.
    """
    try:
        return list(_look_after(path, backups, now_s))
    except OSError as error:
        raise RecordError(f"{path}: cannot be mended ({error}); check the folder and its free space") from error


def report(path: Path, what: str) -> None:
    """Leave word that the record was found damaged: it is looked at whole before the next start."""
    _beside(path, REPORTED).write_text(f"{what}\n", encoding="utf-8")


def _look_after(path: Path, backups: Path | None, now_s: float) -> Iterator[Mishap]:
    there = [] if backups is None else backups_in(backups, path)
    if not path.exists():
        yield from _take_place(path)
    _clear(_beside(path, MENDED))
    if not path.exists() or path.stat().st_size == 0:
        yield from _begin_afresh(path, there, now_s)
        return
    reported = _beside(path, REPORTED)
    log = _beside(path, LOG)
    broke_off = log.exists() and log.stat().st_size > 0
    limit_s = WHOLE_CHECK_S if reported.exists() else CHECK_AFTER_BREAK_S if broke_off else CHECK_S
    wrong = what_is_wrong(path, limit_s, closely=reported.exists())
    if broke_off and not _log_fits(path, wrong, limit_s):
        yield _put_log_aside(path, now_s)
        wrong = what_is_wrong(path, limit_s)
    if reported.exists() and not wrong and _doubted_lately(path, now_s):
        wrong = reported.read_text(encoding="utf-8").strip()
    if wrong and _is_ours(path, there):
        yield _mend(path, there, wrong, now_s)
    elif reported.exists() and not wrong:
        _beside(path, DOUBTED).write_text(repr(now_s), encoding="ascii")
        what = "the record was found damaged, and nothing is wrong with it now"
        yield Mishap(what, "have the disk and the memory tested")
    reported.unlink(missing_ok=True)


def _doubted_lately(path: Path, now_s: float) -> bool:
    """Tell whether damage was reported and not found some hours ago; then the next report is believed."""
    try:
        return abs(now_s - float(_beside(path, DOUBTED).read_text(encoding="ascii"))) < DOUBT_LASTS_S
    except (OSError, ValueError):
        return False


def _beside(path: Path, ending: str) -> Path:
    return path.with_name(path.name + ending)


def _is_ours(path: Path, there: Sequence[Backup]) -> bool:
    """Tell whether this was our record once: what is no database at all may be anybody's file."""
    with path.open("rb") as file:
        head = file.read(16)
    return head == b"SQLite format 3\0" or bool(there) or _beside(path, ".key").exists()


def _log_fits(path: Path, wrong: str, limit_s: float) -> bool:
    """Tell whether the log is the record's own: not another's with another mark, not one that makes nonsense of it."""
    own, with_log = mark_of(path, with_log=False), mark_of(path, with_log=True)
    if own and with_log and own != with_log:
        return False
    return not wrong or bool(what_is_wrong(path, limit_s, with_log=False))


def _put_log_aside(path: Path, now_s: float) -> Mishap:
    log, index = _beside(path, LOG), _beside(path, INDEX)
    aside = _beside(path, f".foreign-{stamp(now_s)}{LOG}")
    log.replace(aside)
    index.unlink(missing_ok=True)
    sync_folder(path.parent)
    return Mishap(
        f"the log {log.name} did not belong to the record and was put aside as {aside.name}",
        "what the record's own log held since its last fold is missing if that log was overwritten;"
        " copy a record only with bandkeeper backup",
    )


def _take_place(path: Path) -> Iterator[Mishap]:
    """End a change of places that was broken off between its two steps."""
    mended = _beside(path, MENDED)
    if mended.exists():
        mended.replace(path)
        sync_folder(path.parent)
        yield Mishap("the change to the mended record was broken off and has been ended", "see the log")


def _begin_afresh(path: Path, there: Sequence[Backup], now_s: float) -> Iterator[Mishap]:
    """Keep a log whose record is gone; say so if there was a record before."""
    log = _beside(path, LOG)
    if log.exists() and log.stat().st_size > 0:
        aside = _beside(path, f".foreign-{stamp(now_s)}{LOG}")
        log.replace(aside)
        _beside(path, INDEX).unlink(missing_ok=True)
        yield Mishap(f"the record is gone, only its log was left; it was put aside as {aside.name}", _restore(there))
    elif there:
        yield Mishap("the record is gone; a new one was begun", _restore(there))


def _restore(there: Sequence[Backup]) -> str:
    if not there:
        return "there is no backup of it; look for the file"
    return f"stop the daemon and call bandkeeper restore to go on from {there[0].path.name}"


def _mend(path: Path, there: Sequence[Backup], wrong: str, now_s: float) -> Mishap:
    before = list(path.parent.glob(f"{path.name}.damaged-*Z"))
    if len(before) >= MOST_ASIDE:
        raise DamagedRecordError(
            f"{path}: the database is damaged ({wrong}), as it was {len(before)} times before; see to the disk, then"
            f" remove the {path.name}.damaged-… beside it and start again"
        )
    mending = _beside(path, MENDING)
    used = _from_backup(mending, there)
    saved = _carry_over(path, mending, used)
    aside = _change_places(path, mending, f".damaged-{stamp(now_s)}")
    _beside(path, DOUBTED).unlink(missing_ok=True)
    return _said(aside, wrong, used, saved)


def _from_backup(mending: Path, there: Sequence[Backup]) -> Backup | None:
    """Begin what takes the record's place with the newest good backup, or with nothing."""
    for backup in there:
        _clear(mending)
        copy_over(backup.path, mending)
        if not what_is_wrong(mending, WHOLE_CHECK_S, with_log=False):
            mark_anew(mending)
            return backup
    _clear(mending)
    return None


def _clear(path: Path) -> None:
    for ending in ("", LOG, INDEX):
        _beside(path, ending).unlink(missing_ok=True)


def _carry_over(path: Path, mending: Path, used: Backup | None) -> Salvaged:
    """Bring the new record up to date with what the damaged one still tells."""
    database = open_for_writing(mending)
    connection = database.conn
    try:
        moments = [_newest_s(path), -math.inf if used is None else used.made_s]
        since_s = min(filter(math.isfinite, moments), default=-math.inf)
        connection.execute("BEGIN IMMEDIATE")
        try:
            saved = salvage(path, connection, since_s - SINCE_S)
        except sqlite3.Error:
            connection.execute("ROLLBACK")
            return Salvaged(broken=["everything"])
        connection.execute("DELETE FROM checkpoint WHERE time_s >= ?", (saved.earliest_s,))
        connection.execute("COMMIT")
        return saved
    finally:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        database.close()


def _newest_s(path: Path) -> float:
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True)) as damaged:
            return max(_last_s(damaged, "sample", "key") / KEYS_A_SECOND, _last_s(damaged, "reading", "time_s"))
    except sqlite3.Error:
        return -math.inf


def _last_s(damaged: sqlite3.Connection, table: str, column: str) -> float:
    """Return the last of what a table is in order of, as far as it can be read and is there."""
    try:
        return float(damaged.execute(f"SELECT max({column}) FROM {table}").fetchone()[0])  # noqa: S608 - names of ours
    except (sqlite3.Error, TypeError):
        return -math.inf


def _change_places(path: Path, mending: Path, ending: str) -> Path:
    """Put the record aside under its name with an ending and the other file in its place; return where it lies now."""
    aside, mended = _beside(path, ending), _beside(path, MENDED)
    for part in (LOG, INDEX):
        _beside(mending, part).unlink(missing_ok=True)
    mending.replace(mended)
    for part in (LOG, INDEX):
        if _beside(path, part).exists():
            _beside(path, part).replace(_beside(aside, part))
    if path.exists():
        path.replace(aside)
    mended.replace(path)
    sync_folder(path.parent)
    return aside


def _said(aside: Path, wrong: str, used: Backup | None, saved: Salvaged) -> Mishap:
    readings, entries = saved.rows.get("sample", 0) + saved.rows.get("reading", 0), saved.rows.get("entry", 0)
    begun = "there was no good backup, a new one was begun" if used is None else f"{used.path.name} took its place"
    what = f"the record was damaged ({wrong}) and put aside as {aside.name}; {begun}"
    what += f", {readings} readings and {entries} entries were carried over from the damaged one"
    if saved.broken:
        names = dict.fromkeys("reading" if table == "sample" else table for table in saved.broken)
        what += f"; not all could be read of {', '.join(names)}"
    remedy = "have the disk tested; keep the file that was put aside until you are sure nothing is missing"
    if set(saved.broken) & {"token", "session", "everything"}:
        remedy += "; tokens revoked since the backup may be valid again: revoke them again"
    return Mishap(what, remedy)


def restore(path: Path, backups: Path | None, file: Path | None, now_s: float) -> tuple[Path, Path | None]:
    """Put a backup (the newest if none is named) in the record's place; return it and where the record lies now.

    RecordError if there is none or it is damaged. To be called while nobody has the record open.
    """
    there = [] if backups is None else backups_in(backups, path)
    source = file if file is not None else there[0].path if there else None
    if source is None:
        raise RecordError(f"{path}: there is no backup in {backups}; name the file to restore")
    if not source.is_file():
        raise RecordError(f"{source}: there is no such file; name a backup, as bandkeeper backup makes it")
    mending = _beside(path, MENDING)
    try:
        _clear(mending)
        copy_over(source, mending)
        wrong = what_is_wrong(mending, WHOLE_CHECK_S, with_log=False)
        if wrong:
            _clear(mending)
            raise DamagedRecordError(f"{source}: is damaged itself ({wrong}); name another backup")
        mark_anew(mending)
        open_for_writing(mending).close()
        was_there = path.exists()
        aside = _change_places(path, mending, f".replaced-{stamp(now_s)}")
    except OSError as error:
        raise RecordError(f"{path}: cannot be replaced ({error}); check the folder and its free space") from error
    return source, aside if was_there else None
