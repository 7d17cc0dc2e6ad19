"""Opening a CSV file, plain or gzipped, and handing out its lines with an upper bound on their length."""

from __future__ import annotations

import gzip
import io
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from monitor.plant.errors import RecordError
from monitor.plant.reading import Rejected

MAX_LINE = 65_536
"""Longest line in characters that is looked at; a longer one is cut and rejected by its reader."""

RAW_KEPT = 1000
"""Characters kept of a row that cannot be used."""

_GZIP_MAGIC = b"\x1f\x8b"

UNFOLDS = 250
"""A row of readings packs to two bytes at best of about fifty; what unfolds to more than this is no such file."""

JUDGED_FROM = 4 << 20
"""Bytes that are unpacked before the ratio is judged."""


class _TooMuchError(OSError):
    """A compressed file that unfolds to far more than readings would."""


class _Unpacked(io.RawIOBase):
    """What a compressed file holds, refused once it unfolds beyond reason."""

    def __init__(self, path: Path) -> None:
        self._packed_bytes = path.stat().st_size
        self._gzip = gzip.GzipFile(path, "rb")
        self._count = 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any, /) -> int:
        got = self._gzip.readinto(buffer)
        self._count += got
        if self._count > JUDGED_FROM and self._count > UNFOLDS * self._packed_bytes:
            raise _TooMuchError(f"it unfolds to more than {UNFOLDS} times its size")
        return got

    def close(self) -> None:
        self._gzip.close()
        super().close()


class CsvLines:
    """The lines of one CSV file. The header is read and checked when the file is opened.

    Iterating gives each line behind the header with its line end; `columns` are the header's names.
    """

    def __init__(self, path: Path, stream: IO[str]) -> None:
        self.path = path
        self._stream = stream
        self.columns = tuple(name.strip() for name in self._readline().rstrip("\r\n").split(","))

    def _readline(self) -> str:
        try:
            return self._stream.readline(MAX_LINE)
        except (OSError, EOFError, zlib.error) as error:
            raise RecordError(_unreadable(self.path, error)) from error

    def __iter__(self) -> Iterator[str]:
        readline = self._stream.readline
        try:
            while line := readline(MAX_LINE):
                if len(line) < MAX_LINE or line.endswith("\n"):
                    yield line
                else:
                    self._skip_rest()
                    yield f'{line}"'  # an open quote: never a whole row by mistake
        except (OSError, EOFError, zlib.error) as error:
            raise RecordError(_unreadable(self.path, error)) from error

    def _skip_rest(self) -> None:
        while (rest := self._stream.readline(MAX_LINE)) and not rest.endswith("\n"):
            pass


def _unreadable(path: Path, error: BaseException) -> str:
    if isinstance(error, FileNotFoundError):
        return f"{path}: there is no such file; give the path of a CSV file, plain or .gz"
    if isinstance(error, IsADirectoryError):
        return f"{path}: is a folder; give the path of a CSV file, plain or .gz"
    if isinstance(error, _TooMuchError):
        return f"{path}: was not read on: {error}, which no file of readings does; fetch it again or unpack it yourself"
    if isinstance(error, EOFError | zlib.error | gzip.BadGzipFile):
        return f"{path}: the compressed file is damaged or cut off ({error}); fetch it again"
    return f"{path}: cannot be read ({error}); check the file and its permissions"


def _open_text(path: Path) -> IO[str]:
    with path.open("rb") as probe:
        packed = probe.read(2) == _GZIP_MAGIC
    if packed:
        unpacked = io.BufferedReader(_Unpacked(path), 1 << 16)
        return io.TextIOWrapper(unpacked, encoding="utf-8-sig", errors="backslashreplace", newline="")
    return path.open(encoding="utf-8-sig", errors="backslashreplace", newline="")


@contextmanager
def open_csv(path: Path, required: Sequence[str], optional: Sequence[str]) -> Iterator[CsvLines]:
    """Open `path` and check its header; raise RecordError if it cannot be read or its columns are not these."""
    try:
        stream = _open_text(path)
    except OSError as error:
        raise RecordError(_unreadable(path, error)) from error
    with stream:
        lines = CsvLines(path, stream)
        _check_header(lines, required, optional)
        yield lines


def header_of(path: Path) -> tuple[str, ...]:
    """Return the names in the first line of a file; RecordError if it cannot be read."""
    try:
        stream = _open_text(path)
    except OSError as error:
        raise RecordError(_unreadable(path, error)) from error
    with stream:
        return CsvLines(path, stream).columns


def rejected_row(path: Path, line: int, raw: str, why: str, newest_s: float) -> Rejected:
    """Return a row that cannot be used with its place, why, and the newest time so far as its arrival."""
    return Rejected(f"{path}:{line}", newest_s, why, raw.rstrip("\r\n")[:RAW_KEPT])


def _check_header(lines: CsvLines, required: Sequence[str], optional: Sequence[str]) -> None:
    found = lines.columns
    right = ",".join(required) + (f"[,{','.join(optional)}]" if optional else "")
    if found == ("",):
        raise RecordError(
            f"{lines.path}:1: the file is empty or begins with an empty line; the first line must be {right}"
        )
    missing = [name for name in required if name not in found]
    unknown = [name for name in found if name not in required and name not in optional]
    doubled = sorted({name for name in found if found.count(name) > 1})
    faults = [
        f"{what} {', '.join(repr(name[:40]) for name in names[:8])}"
        for what, names in (("no column", missing), ("unknown column", unknown), ("twice the column", doubled))
        if names
    ]
    if faults:
        raise RecordError(f"{lines.path}:1: {'; '.join(faults)}; the first line must be {right}, separated by commas")
