"""One daemon a record: a lock beside the database that ends with the process, however it ends."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path
from typing import Self

from monitor.plant.errors import RecordError


class RecordLock:
    """Held by the daemon that writes the record. The file names the process for whoever comes second."""

    def __init__(self, handle: int) -> None:
        self._handle = handle

    @classmethod
    def take(cls, database: Path) -> Self:
        """Take the lock; RecordError if another daemon holds it or the file cannot be written."""
        path = database.with_name(f"{database.name}.lock")
        try:
            handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            raise RecordError(
                f"{path}: cannot be written ({error.strerror}); let bandkeeper write its folder"
            ) from error
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = os.read(handle, 32).decode("ascii", "replace").strip() or "unknown"
            os.close(handle)
            text = f"{database}: another bandkeeper (process {holder}) runs on this plant; stop it or name another file"
            raise RecordError(text) from error
        os.ftruncate(handle, 0)
        os.pwrite(handle, f"{os.getpid()}\n".encode(), 0)
        return cls(handle)

    def release(self) -> None:
        """Give the lock back."""
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1
