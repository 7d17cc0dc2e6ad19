"""The record on disk and its one writer."""

from __future__ import annotations

import contextlib
import math
import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from itertools import chain
from pathlib import Path
from typing import Final

from alerts.types import Alert, Transition
from monitor.model.types import Estimate, Event, Forecast
from monitor.plant.errors import RecordError
from monitor.plant.reading import Entry, Reading, Rejected
from monitor.plant.types import Keeping
from monitor.record import checkpoints, conclusions, openings, outbox, tokens
from monitor.record.copies import mark_anew
from monitor.record.faults import explained
from monitor.record.mend import look_after
from monitor.record.migrations import open_for_reading, open_for_writing
from monitor.record.reader import Reader
from monitor.record.shapes import settle
from monitor.record.stored import Mishap
from monitor.record.streams import StreamNumbers
from monitor.record.tables import Database
from monitor.record.upkeep import Upkeep
from monitor.record.writer import (
    Added,
    Receipt,
    acceptable,
    add_entries,
    add_readings,
    add_receipts,
    add_rejected,
)
from monitor.snapshot import Changes

KEPT: Final = Keeping()


class Record:
    """What came in and what was concluded, in one SQLite file. One thread at a time may call it; readers are separate.

    Every call is one transaction that is on the disk when it returns, or has left nothing behind when it raises
    RecordError. Calls inside `with record.transaction():` are one transaction together.
    """

    def __init__(self, path: Path, db: Database, keeping: Keeping) -> None:
        self.path = path
        self.mishaps: tuple[Mishap, ...] = ()
        self._db = db
        self._numbers = StreamNumbers(db.conn)
        self._upkeep = Upkeep(db.conn, self.transaction, keeping)
        self._opening: int | None = None

    @classmethod
    def open(cls, path: Path, *, now_s: float, keeping: Keeping = KEPT) -> Record:
        """Open the record, creating it (mode 0600) or bringing it up to date; RecordError says what is in the way."""
        had_log = openings.has_log(path)
        record = cls(path, open_for_writing(path), keeping)
        try:
            with record.transaction():
                openings.visit(record._db, now_s, had_log=had_log)
        except BaseException:
            record.close()
            raise
        return record

    @classmethod
    def open_mended(cls, path: Path, backups: Path | None, *, now_s: float, keeping: Keeping = KEPT) -> Record:
        """Open the record for good, mended first if it has to be: see `mishaps`. Nobody else may have it open.

        RecordError says what is in the way.
        """
        had_log = openings.has_log(path)
        found = look_after(path, backups, now_s)
        record = cls(path, open_for_writing(path), keeping)
        try:
            with record.transaction():
                found += openings.lacks_log(record._db, had_log=had_log)
                record._opening = openings.begin(record._db, now_s)
                openings.note(record._db, found, now_s)
            record._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        except BaseException:
            record.close()
            raise
        record.mishaps = tuple(found)
        return record

    def close(self) -> None:
        """Fold the log into the database file and close it."""
        with contextlib.suppress(sqlite3.Error):  # what cannot be folded in now is found in the log at the next start
            if self._opening is not None:
                openings.end(self._db, self._opening)
            self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        self._db.close()

    def reader(self, damaged: Callable[[str], None] | None = None) -> Reader:
        """Return a reader of this record that any thread may use while writing goes on; it tells of damage."""
        return Reader(self.path, damaged)

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Make the block one transaction: all of it is on disk behind it, or none."""
        try:
            with explained(self.path), self._db.atomic() if self._db.conn.in_transaction else self._outermost():
                yield
        except BaseException:
            self._numbers.clear()
            raise

    @contextmanager
    def _outermost(self) -> Iterator[None]:
        self._db.conn.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._db.conn.execute("COMMIT")
        except BaseException:
            self._db.rollback()
            raise

    def add(
        self,
        readings: Sequence[Reading] = (),
        entries: Sequence[Entry] = (),
        rejected: Sequence[Rejected] = (),
        *,
        receipts: Sequence[Receipt] = (),
        revisable_from_s: float = -math.inf,
    ) -> Added:
        """Store what came in and return what of it is new.

        A reading is known by sump, signal and source time, an entry by its id; of several the first is kept. Readings
        that are not finite are refused and kept among the rejected, and so are those of a time of which only figures
        are left: nobody could tell whether they are in them. Checkpoints that should have known of something new are
        dropped; what is older than `revisable_from_s` (too old to move the estimates any more) drops none.
        """
        good, refused = acceptable(readings, self._upkeep.readings_from_s)
        with self.transaction():
            new_readings = add_readings(self._db.conn, self._numbers, good)
            self._upkeep.note(new.time_s for new in new_readings)
            new_entries = add_entries(self._db.conn, entries)
            add_rejected(self._db, [*rejected, *refused])
            add_receipts(self._db, receipts)
            times = chain((new.time_s for new in new_readings), (new.time_s for new in new_entries))
            checkpoints.drop_from(self._db, min(filter(revisable_from_s.__le__, times), default=math.inf))
        return Added(
            tuple(new_readings),
            tuple(new_entries),
            len(good) - len(new_readings),
            len(entries) - len(new_entries),
            tuple(refused),
        )

    def save(self, changes: Changes) -> None:
        """Store what a step of the pipeline concluded: events, transitions with alerts, forecasts, landings."""
        with self.transaction():
            conclusions.save_events(self._db, changes.events)
            conclusions.save_transitions(self._db, changes.transitions)
            conclusions.save_forecasts(self._db, changes.forecasts)
            conclusions.save_landings(self._db, changes.landings)

    def save_events(self, events: Iterable[Event]) -> None:
        """Store events; one with a known id takes the place of what was said before."""
        with self.transaction():
            conclusions.save_events(self._db, events)

    def save_alerts(self, alerts: Iterable[Alert]) -> None:
        """Store alerts as they are now, where no transition does it."""
        with self.transaction():
            conclusions.save_alerts(self._db, alerts)

    def save_transitions(self, transitions: Iterable[Transition]) -> None:
        """Store transitions, each once by its id, and their alerts."""
        with self.transaction():
            conclusions.save_transitions(self._db, transitions)

    def save_forecasts(self, forecasts: Iterable[Forecast]) -> None:
        """Store the first forecast of each sump in each hour."""
        with self.transaction():
            conclusions.save_forecasts(self._db, forecasts)

    def save_estimates(self, estimates: Iterable[Estimate]) -> None:
        """Store estimates for the curves of the page; call it every 15 or 60 minutes."""
        with self.transaction():
            conclusions.save_estimates(self._db, estimates)

    def save_checkpoint(self, time_s: float, body: bytes) -> None:
        """Store the pipeline's state: it must hold everything added until now with a source time up to `time_s`."""
        with self.transaction():
            checkpoints.save_checkpoint(self._db, time_s, body)

    def settle(self, shapes: Mapping[str, str], now_s: float) -> dict[str, float]:
        """Note what gives each sump's numbers their meaning; return since when that is so (see `record.shapes`)."""
        with self.transaction():
            return settle(self._db.conn, shapes, now_s)

    def keep(self, keeping: Keeping) -> None:
        """Keep things as long as this says, from now on."""
        self._upkeep = Upkeep(self._db.conn, self.transaction, keeping)

    def note_away(self, from_s: float, to_s: float) -> None:
        """Note that nobody watched between two moments."""
        with self.transaction():
            self._db.execute("INSERT OR REPLACE INTO away (from_s, to_s) VALUES (?, ?)", [from_s, to_s])

    def new_ones(self, transitions: Sequence[Transition]) -> tuple[Transition, ...]:
        """Return the transitions that are not on record yet: ask before they are saved, in the same transaction."""
        new = outbox.unknown(self._db.conn, [one.id for one in transitions])
        return tuple(one for one in transitions if one.id in new)

    def post(
        self,
        messages: Sequence[outbox.Message],
        now_s: float,
        *,
        follow_ups: Sequence[outbox.FollowUp] = (),
        settled: Sequence[str] = (),
    ) -> int:
        """Put messages into the outbox and note what is to be said later; forget that of `settled` alerts."""
        with self.transaction():
            outbox.drop_follow_ups(self._db.conn, settled)
            outbox.put_follow_ups(self._db.conn, follow_ups)
            return outbox.put(self._db.conn, messages, now_s)

    def upkeep(self, now_s: float) -> bool:
        """Do one small step of what keeps the record in bounds; tell whether there is more to do at once."""
        with explained(self.path):
            return self._upkeep.turn(now_s)

    def has_due_follow_ups(self, now_s: float) -> bool:
        """Tell whether something has to be said again."""
        return outbox.has_due_follow_ups(self._db.conn, now_s)

    def take_due_follow_ups(self, now_s: float) -> list[outbox.FollowUp]:
        """Take what has to be said again; put the messages in the same transaction."""
        return outbox.take_due_follow_ups(self._db.conn, now_s)

    def has_event(self, event: str) -> bool:
        """Tell whether messages of an event were written already."""
        return outbox.has_event(self._db.conn, event)

    def add_token(self, name: str, scope: str, expires_s: float | None, now_s: float) -> str:
        """Make a token (scope read, act or admin) and return it; it is shown this once. None: it never expires."""
        with self.transaction():
            return tokens.add_token(self._db, name, scope, expires_s, now_s)

    def revoke_token(self, name: str) -> bool:
        """Make the token of that name invalid; False if there is none."""
        with self.transaction():
            return tokens.revoke_token(self._db, name)

    def begin_session(self, token: str, lasts_s: float, now_s: float) -> str | None:
        """Begin a session with a valid token and return it; it is shown this once. None: the token is not valid."""
        with self.transaction():
            return tokens.begin_session(self._db, token, lasts_s, now_s)

    def end_session(self, session: str) -> None:
        """End one session."""
        with self.transaction():
            tokens.end_session(self._db, session)

    def end_sessions(self, name: str) -> int:
        """End every session begun with the token of that name and return how many there were."""
        with self.transaction():
            return tokens.end_sessions(self._db, name)

    def backup(self, to_path: Path) -> None:
        """Copy the record as it is now to another file (mode 0600) while it stays in use; all of it or nothing."""
        unfinished = to_path.absolute().with_name(f"{to_path.absolute().name}.unfinished")
        try:
            if to_path.exists() and to_path.samefile(self.path):
                raise RecordError(f"{to_path}: is the record itself; name another file for the backup")
            if to_path.exists() and not to_path.is_file():
                raise RecordError(f"{to_path}: is no file that could hold a backup; name a file")
            unfinished.unlink(missing_ok=True)
            os.close(os.open(unfinished, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
            with explained(to_path):
                _copy(self.path, unfinished)
            mark_anew(unfinished)
            unfinished.replace(to_path)
        except OSError as error:
            raise RecordError(
                f"{to_path}: the backup cannot be written ({error}); check the folder and its space"
            ) from error
        finally:
            with contextlib.suppress(OSError):
                unfinished.unlink(missing_ok=True)


def _copy(source: Path, target: Path) -> None:
    with contextlib.closing(open_for_reading(source)) as live, contextlib.closing(sqlite3.connect(target)) as copy:
        live.backup(copy)
