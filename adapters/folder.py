"""Drop folder: CSV files that appear are read as a replay reads them, taken in once, and moved into `done/`.

The last delivery of a file carries a receipt (its digest) that is stored in the same transaction. So after a kill at
any point a file is only moved, if its receipt is there; else it is read again, which doubles nothing: readings are
known by signal and time, entries by what they say. Where the plant file knows other signals since, a file that is
dropped again is read again. Rows that cannot be used are listed in `done/NAME.rejected.csv`.
"""

from __future__ import annotations

import errno
import logging
import math
import os
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Final

from adapters.delivery import Clock, Deliver, Delivery, Inlet, Receipt, SourceState, Trouble
from adapters.drop_files import (
    LISTING,
    Complaint,
    Found,
    LockedError,
    Stamp,
    Watch,
    digest_of,
    ends_in_a_line,
    free_name,
    open_plain,
    plain_text,
    said_name,
    stamp_of,
)
from adapters.options import Options
from adapters.order import History, Order
from adapters.threaded import ThreadedInlet
from adapters.timestamps import AHEAD_TOLERANCE_S
from monitor.plant.errors import RecordError, SourceError
from monitor.plant.reading import Entry, Reading, Rejected
from monitor.plant.types import Plant

log = logging.getLogger("bandkeeper.sources")

DONE: Final = "done"
AT_ONCE: Final = 1_000
"""Readings handed over together."""
MOST_OUTSTANDING: Final = 4
MOST_TOLD: Final = 100
"""So many refused rows of a file go on record; the others stand in its list only."""
MOST_REMEMBERED: Final = 20_000
"""So many files, the newest, are known again by their content, as on record; older ones are read again, which doubles
nothing."""
_LOOK_S: Final = 5.0
_AGAIN_S: Final = 60.0
_WATCHED_SHARE: Final = 12.0
_ROUND_S: Final = 20.0
_UNHEARD_S: Final = 600.0


class _Stopped(Exception):  # noqa: N818 - no error: the file is read again after the next start
    """The inlet is being stopped."""


class _Changed(Exception):  # noqa: N818 - no error: the file is read again when it is complete
    """The file was written to while it was read."""


class _Unheard(Exception):  # noqa: N818 - no error: whoever writes has its own troubles, which it tells
    """What was handed over is not on disk after a long time."""


@dataclass(slots=True)
class _Batch:
    """What is handed over next, and the refusals of the whole file."""

    readings: list[Reading] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    rejected: list[Rejected] = field(default_factory=list)
    refused: int = 0

    @property
    def size(self) -> int:
        return len(self.readings) + len(self.entries)


class FolderInlet(ThreadedInlet):
    """The way in from one folder."""

    def __init__(
        self,
        source: str,
        folder: Path,
        plant: Plant,
        history: History,
        clock: Clock,
        *,
        settle_s: float,
        receipts: Iterator[Receipt],
    ) -> None:
        super().__init__(source, "folder")
        self._folder, self._plant, self._history, self._clock = folder, plant, history, clock
        self._settle_s = settle_s
        self._watch = Watch(folder, settle_s)
        self._taken = dict.fromkeys(receipt.digest for receipt in receipts)
        self._complaints: dict[str, tuple[Stamp, Complaint, float]] = {}
        self._moved: dict[Path, tuple[Path, Stamp, float]] = {}
        self._room = threading.Condition()
        self._pending: set[int] = set()
        self._number = 0

    def reroute(self, other: Inlet) -> bool:
        """Read the files to come by the plant file of another inlet on the same folder."""
        if not isinstance(other, FolderInlet):
            return False
        folder, settle_s, plant = other.reading
        if (folder, settle_s) != (self._folder, self._settle_s):
            return False
        self._plant = plant
        return True

    @property
    def reading(self) -> tuple[Path, float, Plant]:
        """Which folder it looks into, how long a file has to have stood there (s), by which plant file it is read."""
        return self._folder, self._settle_s, self._plant

    def start(self, deliver: Deliver) -> None:
        """Begin to look; what an earlier run handed over is waited for no more."""
        self._pending.clear()
        super().start(deliver)

    def stop(self) -> None:
        """End within a second; a file that is being read stays where it is."""
        self._stopping.set()
        with self._room:
            self._room.notify_all()
        super().stop()

    def _unconfirmed(self) -> int:
        return len(self._pending)

    def _run(self, deliver: Deliver) -> None:
        while not self._stopping.is_set():
            self._board.beat()
            try:
                self._bring_back()
                self._look(deliver)
            except _Stopped:
                return
            except OSError as error:
                self._board.set(*self._trouble(error))
            except MemoryError:  # ends the thread, and with it the daemon, which is started again
                raise
            except Exception:
                log.exception("%s: own fault while looking into the folder", self.source)
            self._stopping.wait(min(_LOOK_S, self._settle_s / 2.0))

    def _trouble(self, error: OSError) -> Trouble:
        """Explain why the folder cannot be used."""
        match error.errno:
            case errno.ENOENT | errno.ENOTDIR:
                return Trouble(SourceState.WAITING, f"{self._folder} is not there", "make the folder, or check path")
            case errno.EACCES | errno.EPERM | errno.EROFS:
                remedy = "let the service's user read and write the folder and what is in it"
                return Trouble(SourceState.REFUSED, f"{self._folder} may not be used by this user", remedy)
            case _:
                return Trouble(SourceState.WAITING, f"{self._folder} cannot be read ({error})", "check disk or share")

    def _look(self, deliver: Deliver) -> None:
        """Take in every file that is complete, the oldest first; one that is in the way of nothing stays."""
        now_s = time.monotonic()
        found = self._watch.look(now_s)
        self._complaints = {one.path.name: self._complaints[one.path.name] for one in found if self._complained(one)}
        for one in found:
            if one.complaint is not None:
                self._complain(one, one.complaint, math.inf)
            elif one.settled and self._is_due(one, now_s) and not self._stopping.is_set():
                self._try(one, deliver)
        self._tell()

    def _complained(self, one: Found) -> bool:
        """Tell whether a complaint about a file still holds: it goes when the file changes."""
        known = self._complaints.get(one.path.name)
        return known is not None and known[0] == one.stamp

    def _is_due(self, one: Found, now_s: float) -> bool:
        known = self._complaints.get(one.path.name)
        return known is None or now_s >= known[2]

    def _complain(self, one: Found, complaint: Complaint, again_s: float) -> None:
        self._complaints[one.path.name] = (one.stamp, complaint, again_s)

    def _tell(self) -> None:
        if not self._complaints:
            self._board.set(SourceState.UP, f"watching {self._folder}")
            return
        name, (_, complaint, _) = min(self._complaints.items())
        more = f", and {len(self._complaints) - 1} more files" if len(self._complaints) > 1 else ""
        what = f"{said_name(Path(name))} {complaint.what}{more}"
        self._board.set(SourceState.REFUSED, what, complaint.remedy)

    def _try(self, one: Found, deliver: Deliver) -> None:
        """Take a file in, or note what is wrong with it; its neighbours go on."""
        again_s = time.monotonic() + _AGAIN_S
        try:
            self._take(one, deliver)
        except (_Changed, FileNotFoundError):
            return
        except RecordError as error:
            what = f"cannot be used: {_without_path(str(error), one.path)}"
            self._complain(
                one, Complaint(what, "mend the file, or take it out"), again_s if _passes(error) else math.inf
            )
        except _Unheard:
            what, remedy = "is read, and not yet on record", "see what else is wrong; it is tried again by itself"
            self._complain(one, Complaint(what, remedy), again_s)
        except LockedError:
            self._complain(one, Complaint("is locked by another program", "close it there"), 0.0)
        except PermissionError as error:
            remedy = "let the service's user read the file, and write into the folder and into done"
            self._complain(one, Complaint(f"may not be read or moved ({error.strerror})", remedy), again_s)
        except OSError as error:
            self._complain(one, Complaint(f"cannot be read or moved ({error.strerror})", "check the disk"), again_s)
        except _Stopped:
            raise
        except Exception as error:
            log.exception("%s: own fault while reading %s", self.source, said_name(one.path))
            what = f"cannot be used for a fault of ours ({type(error).__name__})"
            self._complain(one, Complaint(what, "please report it, with the log"), math.inf)
        else:
            self._complaints.pop(one.path.name, None)

    def _take(self, one: Found, deliver: Deliver) -> None:
        number = open_plain(one.path)
        try:
            if not ends_in_a_line(number, one.path) and self._watch.cut_off_for_s(one, time.monotonic()) > 0:
                self._complain(one, Complaint("ends in the middle of a line", "it is waited for"), 0.0)
                raise _Changed
            digest = digest_of(number, one.path, _known(self._plant))
            target = free_name(self._done_folder(), one.path.name)
            if digest in self._taken:
                log.info("%s: %s was taken in before", self.source, said_name(one.path))
            else:
                self._read(one, target.with_name(target.name + LISTING), digest, deliver)
            self._check_unchanged(one)
            one.path.rename(target)
            self._moved[target] = (one.path, one.stamp, time.monotonic() + _WATCHED_SHARE * self._settle_s)
        finally:
            os.close(number)

    def _done_folder(self) -> Path:
        folder = self._folder / DONE
        folder.mkdir(exist_ok=True)
        if not os.access(folder, os.W_OK | os.X_OK):
            raise PermissionError(errno.EACCES, f"{DONE}/ may not be written")
        return folder

    def _check_unchanged(self, one: Found) -> None:
        if stamp_of(one.path) != one.stamp:
            raise _Changed

    def _read(self, one: Found, listing: Path, digest: int, deliver: Deliver) -> None:
        """Hand over what a file says; the last of it only once it is sure that nobody wrote to it meanwhile."""
        batch, name = _Batch(), said_name(one.path)
        with self._history.listing(listing) as listed:

            def refuse(row: Rejected) -> None:
                batch.refused += 1
                line = row.where.rpartition(":")[2]
                listed.add(replace(row, where=f"{one.path.name}:{line}"))
                if len(batch.rejected) < MOST_TOLD:
                    batch.rejected.append(replace(row, where=f"{self.source}: {name}:{line}", arrived_s=self._clock()))

            latest_s = self._clock() + AHEAD_TOLERANCE_S
            for item in self._history.read(one.path, self._plant, refuse, latest_s):
                if isinstance(item, Entry):
                    batch.entries.append(replace(item, logged_s=self._clock()))
                else:
                    batch.readings.append(replace(item, arrived_s=self._clock()))
                if batch.size > AT_ONCE:
                    self._hand_over(batch, AT_ONCE, deliver)
            self._check_unchanged(one)
        self._hand_over_last(batch, digest, deliver)
        self._taken[digest] = None
        while len(self._taken) > MOST_REMEMBERED:
            del self._taken[next(iter(self._taken))]
        log.info("%s: %s is taken in, %d rows refused", self.source, name, batch.refused)

    def _hand_over(self, batch: _Batch, count: int, deliver: Deliver) -> None:
        """Hand over the first so many of a batch; wait while too much is not yet on disk."""
        self._wait(MOST_OUTSTANDING - 1)
        readings, entries = tuple(batch.readings[:count]), tuple(batch.entries[:count])
        del batch.readings[:count], batch.entries[:count]
        self._give(Delivery(readings, entries=entries), deliver)

    def _hand_over_last(self, batch: _Batch, digest: int, deliver: Deliver) -> None:
        """Hand over what is left with the receipt, and wait until all of the file is on disk."""
        self._wait(0)
        receipt = Receipt(self.source, 0, digest, self._clock())
        self._board.count(batch.refused, 0, batch.refused)
        readings, rejected, entries = tuple(batch.readings), tuple(batch.rejected), tuple(batch.entries)
        self._give(Delivery(readings, rejected, receipts=(receipt,), entries=entries), deliver)
        self._wait(0)

    def _give(self, delivery: Delivery, deliver: Deliver) -> None:
        count = len(delivery.readings) + len(delivery.entries)
        self._board.count(count, count, 0, self._clock())
        with self._room:
            self._number += 1
            self._pending.add(self._number)
        deliver(replace(delivery, done=partial(self._done, self._number)))

    def _done(self, number: int) -> None:
        with self._room:
            self._pending.discard(number)
            self._room.notify_all()

    def _wait(self, most: int) -> None:
        """Wait until no more deliveries than these are not on disk. Raises _Stopped, or _Unheard after ten minutes."""
        until = time.monotonic() + _UNHEARD_S
        with self._room:
            heard = False
            while not heard and time.monotonic() < until:
                self._board.beat()
                heard = self._room.wait_for(lambda: len(self._pending) <= most or self._stopping.is_set(), _ROUND_S)
            if not heard:
                self._pending.clear()
        if self._stopping.is_set():
            raise _Stopped
        if not heard:
            raise _Unheard

    def _bring_back(self) -> None:
        """Put a file back that somebody went on writing to after it was moved: the rest of it is to be read too."""
        now_s = time.monotonic()
        for target, (origin, stamp, until_s) in list(self._moved.items()):
            if now_s > until_s or not target.exists():
                del self._moved[target]
            elif stamp_of(target)[:-1] != stamp[:-1]:  # being moved changes nothing but the last
                del self._moved[target]
                if not origin.exists():
                    target.rename(origin)
                    log.warning("%s: %s was written to after it was taken in", self.source, said_name(origin))


def _known(plant: Plant) -> str:
    """Return what a plant file knows of signals: with more of them, rows of a file may be taken that were refused."""
    signals = ((sump.id, one) for sump in plant.sumps.values() for one in sump.signals.values())
    return "\n".join(sorted((*plant.sumps, *(f"{sump}/{one.signal} {one.unit.name}" for sump, one in signals))))


def _passes(error: RecordError) -> bool:
    """Tell whether what is wrong may be mended without a change of the file: a full disk, a share that is away."""
    return isinstance(error.__cause__, OSError) and error.__cause__.errno is not None


def _without_path(text: str, path: Path) -> str:
    """Return what is wrong with a file without the path in front, fit to be shown."""
    return plain_text(text.removeprefix(str(path)).removeprefix(":1").removeprefix(":").strip())


def folder_inlet(order: Order) -> Inlet:
    """Build the way in from a folder."""
    options, spec = Options(order.spec), order.spec
    path = options.file("path")
    if path is None:
        raise SourceError(f"source {spec.id}: path is missing: write the folder")
    if order.history is None:
        raise SourceError(f"source {spec.id}: files cannot be read here")
    settle_s = options.number("settle", 10.0, 0.01, 3600.0)
    receipts = iter(order.receipts)
    return FolderInlet(spec.id, path, order.plant, order.history, order.clock, settle_s=settle_s, receipts=receipts)
