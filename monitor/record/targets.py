"""Files that a command is told to write: never the record or the plant file, and whole or not at all."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from monitor.plant.errors import RecordError
from monitor.plant.types import Plant

_BESIDE = {"": "the record itself", "-wal": "the record's log", "-shm": "the record's index of its log"}
_BESIDE |= {".key": "the key of the record's links", ".lock": "the record's lock"}


def refuse_own(plant: Plant, *targets: Path) -> None:
    """Refuse, with RecordError, to write over the plant file, the record or what belongs to it, or one file twice."""
    own = {plant.file.resolve(): "the plant file"}
    own |= {plant.database.with_name(plant.database.name + end).resolve(): what for end, what in _BESIDE.items()}
    for target in targets:
        real = target.resolve()
        if real in own:
            raise RecordError(f"{target}: is {own[real]}; name another file to write")
        if real.is_dir():
            raise RecordError(f"{target}: is a folder; name a file to write")
        own[real] = "named twice"


@contextmanager
def whole(path: Path) -> Iterator[Path]:
    """Give the path to write to: its content takes the place of `path` when the block is done, and only then.

    What is no file, such as a pipe, is written as it stands.
    """
    real = path.resolve()
    if real.exists() and not real.is_file():
        yield path
        return
    unfinished = real.with_name(f"{real.name}.unfinished")
    try:
        yield unfinished
        unfinished.replace(real)
    finally:
        with contextlib.suppress(OSError):
            unfinished.unlink(missing_ok=True)
