"""One daemon a record: a lock beside the database that ends with the process, however it ends."""

from __future__ import annotations

import fcntl
import os
import signal
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Self

from monitor.plant.errors import RecordError

ASK_S: Final = 120.0
_END: Final = "."


@dataclass(frozen=True, slots=True)
class Told:
    """What the lock says of the daemon that holds it: its process, how many reloads it had, how the last one went."""

    process: int
    reloads: int = 0
    done: bool = True
    text: str = ""


def told(database: Path) -> Told | None:
    """Return what the lock of a record says; None if no daemon holds it. RecordError if it cannot be read."""
    path = lock_of(database)
    try:
        handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return None
    except OSError as error:
        text = f"{path}: cannot be read ({error.strerror}); run this as the user of the service"
        raise RecordError(text) from error
    with os.fdopen(handle, "rb") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            return _read(file.read().decode("utf-8", "replace"))
    return None


def ask_for_reload(database: Path, *, within_s: float = ASK_S) -> Told:
    """Have the daemon on a record read its plant file anew; return how that went.

    RecordError if none runs there, if it may not be told, or if it says nothing for too long.
    """
    before = told(database)
    if before is None or before.process == 0:
        raise RecordError(f"{database}: no bandkeeper runs on this record; start it there")
    try:
        os.kill(before.process, signal.SIGHUP)
    except OSError as error:
        text = f"process {before.process} cannot be told ({error.strerror}); run this as the user of the service"
        raise RecordError(text) from error
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        time.sleep(0.05)
        after = told(database)
        if after is None:
            raise RecordError(f"{database}: the daemon has ended; its log says why")
        if after.process == before.process and after.reloads > before.reloads:
            return after
    raise RecordError(f"process {before.process} has said nothing for {within_s:g} s; its log says why")


def lock_of(database: Path) -> Path:
    """Return the lock's file: beside the record."""
    return database.with_name(f"{database.name}.lock")


def _read(text: str) -> Told:
    """Read what a daemon wrote; while it writes, little of it is there."""
    first, _, rest = text.partition("\n")
    words = first.split()
    if not words or not words[0].isdecimal():
        return Told(0)
    body, end, _ = rest.rpartition(f"\n{_END}\n")
    if len(words) < 3 or not end:
        return Told(int(words[0]))
    return Told(int(words[0]), int(words[1]), words[2] == "done", body)


class RecordLock:
    """Held by the daemon that writes the record. The file names the process for whoever comes second."""

    def __init__(self, handle: int) -> None:
        self._handle, self._reloads = handle, 0

    @classmethod
    def take(cls, database: Path) -> Self:
        """Take the lock; RecordError if another daemon holds it or the file cannot be written."""
        path = lock_of(database)
        try:
            handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            raise RecordError(
                f"{path}: cannot be written ({error.strerror}); let bandkeeper write its folder"
            ) from error
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = (os.read(handle, 32).decode("ascii", "replace").split() or ["unknown"])[0]
            os.close(handle)
            text = f"{database}: another bandkeeper (process {holder}) runs on this plant; stop it or name another file"
            raise RecordError(text) from error
        lock = cls(handle)
        lock._write(f"{os.getpid()}\n")
        return lock

    def note(self, *, done: bool, text: str) -> None:
        """Write down how a reload went, for whoever asked for it (see `told`)."""
        self._reloads += 1
        self._write(f"{os.getpid()} {self._reloads} {'done' if done else 'refused'}\n{text}\n{_END}\n")

    def _write(self, text: str) -> None:
        os.ftruncate(self._handle, 0)
        os.pwrite(self._handle, text.encode(), 0)

    def release(self) -> None:
        """Give the lock back."""
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1
