"""The files of a drop folder: which of them can be read now, and what is wrong with the others.

A file counts as complete once it did not change for the time told, whether it was written there, copied or renamed. A
plain file that ends in the middle of a line is given twelve times as long. Nothing here reads what a file says.
"""

from __future__ import annotations

import errno
import fcntl
import hashlib
import os
import stat
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final, NamedTuple

ENDINGS: Final = (".csv", ".csv.gz")
LISTING: Final = ".rejected.csv"
LONGEST_NAME: Final = 200
CUT_SHARE: Final = 12.0
_PIECE: Final = 1 << 20
_SHOWN: Final = 80


class Stamp(NamedTuple):
    """What changes when a file does."""

    inode: int
    size: int
    modified_ns: int
    changed_ns: int


class Complaint(NamedTuple):
    """What is wrong with a file, and what helps."""

    what: str
    remedy: str


@dataclass(frozen=True, slots=True)
class Found:
    """A file in the folder: where, as it stands now, and why it cannot be read yet (empty: it can)."""

    path: Path
    stamp: Stamp
    complaint: Complaint | None = None
    settled: bool = False


def said_name(path: Path) -> str:
    """Return the name of a file as text that every log and page can show."""
    plain = plain_text(path.name)
    return plain if len(plain) <= _SHOWN else plain[: _SHOWN - 1] + "…"


def plain_text(text: str) -> str:
    """Return a text with what cannot be shown written out: names of files are bytes and may hold anything."""
    known = text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")
    return "".join(sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in known)


def stamp_of(path: Path) -> Stamp:
    """Return what changes when a file does. Raises OSError."""
    return _stamp(path.lstat())


def _stamp(status: os.stat_result) -> Stamp:
    return Stamp(status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns)


class Watch:
    """Looks at the folder again and again, and remembers since when each file stands as it does."""

    def __init__(self, folder: Path, settle_s: float) -> None:
        self._folder, self._settle_s = folder, settle_s
        self._since: dict[str, tuple[Stamp, float]] = {}

    def look(self, now_s: float) -> list[Found]:
        """Return the files in the order in which they were written; `now_s` is monotonic. Raises OSError."""
        found = sorted(self._found(now_s), key=lambda one: (one.stamp.modified_ns, one.path.name))
        here = {one.path.name for one in found}
        self._since = {name: seen for name, seen in self._since.items() if name in here}
        return found

    def _found(self, now_s: float) -> Iterator[Found]:
        with os.scandir(self._folder) as entries:
            for entry in entries:
                name = entry.name.lower()
                if name.startswith(".") or not name.endswith(ENDINGS) or name.endswith(LISTING):
                    continue
                try:
                    status = entry.stat(follow_symlinks=False)
                except FileNotFoundError:  # taken away between two looks
                    continue
                yield self._judged(Path(entry.path), status, now_s)

    def _judged(self, path: Path, status: os.stat_result, now_s: float) -> Found:
        stamp = _stamp(status)
        seen, since_s = self._since.get(path.name, (None, now_s))
        if seen != stamp:
            since_s = now_s
            self._since[path.name] = (stamp, since_s)
        old_s = max(now_s - since_s, min(time.time() - status.st_mtime, time.time() - status.st_ctime))
        return Found(path, stamp, _unfit(path, status), old_s >= self._settle_s)

    def cut_off_for_s(self, found: Found, now_s: float) -> float:
        """Return how much longer a file that ends in the middle of a line is given."""
        _, since_s = self._since.get(found.path.name, (found.stamp, now_s))
        return CUT_SHARE * self._settle_s - (now_s - since_s)


def _unfit(path: Path, status: os.stat_result) -> Complaint | None:
    """Say what is wrong with a file whatever is in it."""
    if not stat.S_ISREG(status.st_mode):
        what = "a link" if stat.S_ISLNK(status.st_mode) else "no plain file"
        return Complaint(f"is {what}", "put a file of its own into the folder")
    if len(os.fsencode(path.name)) > LONGEST_NAME:
        return Complaint("has too long a name", f"rename it: {LONGEST_NAME} bytes at most")
    return None


class LockedError(OSError):
    """Another program holds a lock on the file."""


def open_plain(path: Path) -> int:
    """Open a file to read and hold a shared lock on it. Raises OSError, LockedError if another holds it locked."""
    number = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        for lock in (fcntl.flock, fcntl.lockf):
            lock(number, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError as error:
        os.close(number)
        if error.errno in {errno.EAGAIN, errno.EACCES}:
            raise LockedError(*error.args) from error
        if error.errno in {errno.ENOLCK, errno.ENOTSUP, errno.ENOSYS}:  # a file system without locks
            return os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
        raise
    return number


def ends_in_a_line(number: int, path: Path) -> bool:
    """Tell whether a plain file ends with the end of a line; a compressed one has its own end."""
    size = os.fstat(number).st_size
    return path.name.lower().endswith(".gz") or size == 0 or os.pread(number, 1, size - 1) in {b"\n", b"\r"}


def digest_of(number: int, path: Path, known: str) -> int:
    """Return 63 bits that tell content and place of an open file, and what was `known` to whoever reads it."""
    content = hashlib.blake2b(os.fsencode(path.name) + b"\0" + known.encode() + b"\0", digest_size=8)
    at = 0
    while piece := os.pread(number, _PIECE, at):
        content.update(piece)
        at += len(piece)
    return int.from_bytes(content.digest(), "big") >> 1


def free_name(folder: Path, name: str) -> Path:
    """Return where a file of that name can be put without taking another's place: day.csv, day.2.csv, …."""
    ending = next((end for end in reversed(ENDINGS) if name.lower().endswith(end)), "")
    stem, ending = name[: len(name) - len(ending)], name[len(name) - len(ending) :]
    path, number = folder / name, 2
    while path.exists() or path.is_symlink():
        path, number = folder / f"{stem}.{number}{ending}", number + 1
    return path
