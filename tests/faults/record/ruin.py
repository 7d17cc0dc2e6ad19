"""Records to ruin, and how: nonsense over pages, logs that were left by a kill."""

from __future__ import annotations

import math
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

from monitor.plant.reading import Reading
from monitor.record.backups import make_backup
from monitor.record.migrations import PAGE_BYTES
from monitor.record.store import Record
from tests.unit.record.things import T0, alert, entry, event, reading, transition

DAY_S = 86_400.0


def fill(record: Record, minutes: range) -> list[Reading]:
    """Store a reading a minute."""
    readings = [reading(minute, 250.0 + minute % 7) for minute in minutes]
    record.add(readings)
    return readings


def made(folder: Path) -> tuple[Path, Path, list[Reading]]:
    """Make a record with a backup after 3000 minutes and 600 more minutes behind it."""
    path, backups = folder / "bandkeeper.db", folder / "backups"
    record = Record.open(path, now_s=T0)
    readings = fill(record, range(3000))
    record.add([], [entry(1, 10.0)])
    record.save_checkpoint(T0 + 2900 * 60.0, b"state")
    record.add_token("revoked", "read", None, T0)
    record.close()
    make_backup(path, backups, 2, T0 + 3000 * 60.0)
    record = Record.open(path, now_s=T0)
    readings += fill(record, range(3000, 3600))
    record.add([], [entry(2, 3500.0)])
    record.save_transitions([transition(1, alert(1))])
    record.save_events([event(1)])
    record.revoke_token("revoked")
    record.close()
    return path, backups, readings


def spoil(path: Path, page: int, count: int = 1) -> None:
    """Write nonsense over pages (numbered from 1)."""
    with path.open("r+b") as file:
        file.seek((page - 1) * PAGE_BYTES)
        file.write(b"\xa5" * PAGE_BYTES * count)


def page_of(path: Path, table: str) -> int:
    with closing(sqlite3.connect(path)) as connection:
        sql = "SELECT rootpage FROM sqlite_master WHERE name = ?"
        return int(connection.execute(sql, (table,)).fetchone()[0])


def leaves_of(path: Path, table: str) -> list[int]:
    """Return the pages in which the rows of a table lie, in their order."""
    with closing(sqlite3.connect(path)) as connection:
        sql = "SELECT pageno FROM dbstat WHERE name = ? AND pagetype = 'leaf' ORDER BY path"
        return [row[0] for row in connection.execute(sql, (table,))]


def asides(path: Path) -> list[str]:
    return sorted(file.name for file in path.parent.iterdir() if ".damaged-" in file.name)


def times(record: Record) -> list[float]:
    return [one.time_s for one in record.reader().readings(-math.inf, math.inf)]


def broken_off(path: Path, readings: range) -> None:
    """Let a daemon store something and be gone, so that its log stays."""
    program = (
        "import os, signal, sys\n"
        "from pathlib import Path\n"
        "from monitor.record.store import Record\n"
        "from tests.unit.record.things import T0, reading\n"
        "record = Record.open_mended(Path(sys.argv[1]), None, now_s=T0)\n"
        "record.add([reading(minute, 5.0) for minute in range(int(sys.argv[2]), int(sys.argv[3]))])\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    command = [sys.executable, "-c", program, str(path), str(readings.start), str(readings.stop)]
    subprocess.run(command, check=False, timeout=60)
    assert path.with_name(path.name + "-wal").stat().st_size > 0
