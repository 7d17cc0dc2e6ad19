"""What came in, put on disk: readings, entries and rejects. All functions run inside the caller's transaction."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import compress
from typing import Final, Protocol

from monitor.plant.reading import Entry, Quality, Reading, Rejected
from monitor.record import samples
from monitor.record.arrivals import kept
from monitor.record.streams import StreamNumbers
from monitor.record.tables import Database
from monitor.record.times import write_time

REJECTED_KEPT: Final = 10_000
"""So many of the newest rejects are kept for reading; all are counted."""
RECEIPTS_KEPT: Final = 20_000
"""So many receipts of messages stamped on arrival are kept: more than any broker may repeat at once."""
RAW_KEPT: Final = 4_096
"""Characters kept of a rejected input."""

QUALITIES: Final = (Quality.GOOD, Quality.DOUBTFUL, Quality.BAD)
_QUALITY_NUMBER: Final = {quality: number for number, quality in enumerate(QUALITIES)}
_ENTRY_SQL: Final = "INSERT INTO entry VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"

_Key = tuple[float, int]


@dataclass(frozen=True, slots=True)
class Added:
    """What of a batch was new, and how much was there already."""

    readings: tuple[Reading, ...] = ()
    entries: tuple[Entry, ...] = ()
    doubled_readings: int = 0
    doubled_entries: int = 0
    refused: tuple[Rejected, ...] = ()


def add_readings(connection: sqlite3.Connection, numbers: StreamNumbers, readings: Iterable[Reading]) -> list[Reading]:
    """Store finite readings and return those that were not there; of several with one key the first is kept."""
    batch: dict[_Key, Reading] = {}
    for reading in readings:
        batch.setdefault((reading.time_s, numbers[reading.sump, reading.signal]), reading)
    if not batch:
        return []
    new = samples.add(connection, list(map(_row, batch, batch.values())))
    return list(compress(batch.values(), new))


def _row(key: _Key, reading: Reading) -> samples.Raw:
    arrived = kept(reading.time_s, reading.arrived_s)
    reason = _storable(reading.reason) if reading.reason else None
    return (*key, reading.value, _QUALITY_NUMBER[reading.quality], arrived, reason)


def add_entries(connection: sqlite3.Connection, entries: Iterable[Entry]) -> list[Entry]:
    """Store entries and return those whose id was not there."""
    return [entry for entry in entries if connection.execute(_ENTRY_SQL, _entry_row(entry)).rowcount == 1]


def _entry_row(entry: Entry) -> tuple[str | float | None, ...]:
    return (
        entry.id,
        entry.sump,
        entry.kind.value,
        entry.time_s,
        entry.logged_s,
        entry.volume_l,
        entry.mix_pct,
        entry.value,
        entry.unit,
        entry.note,
        entry.who,
        entry.container,
    )


def add_rejected(db: Database, rejected: Sequence[Rejected]) -> None:
    """Keep input that could not be used; the oldest beyond `REJECTED_KEPT` are dropped."""
    if not rejected:
        return
    db.conn.executemany(
        "INSERT INTO rejected (place, arrived_s, why, raw) VALUES (?, ?, ?, ?)",
        [(_storable(row.where), _finite(row.arrived_s), _storable(row.why), _storable(row.raw)) for row in rejected],
    )
    db.execute("DELETE FROM rejected WHERE id <= (SELECT max(id) FROM rejected) - ?", [REJECTED_KEPT])


class Receipt(Protocol):
    """A message stamped on arrival: its source, its number on the wire, a digest and the stamp (Unix seconds)."""

    @property
    def source(self) -> str: ...  # noqa: D102
    @property
    def mid(self) -> int: ...  # noqa: D102
    @property
    def digest(self) -> int: ...  # noqa: D102
    @property
    def arrived_s(self) -> float: ...  # noqa: D102


def add_receipts(db: Database, receipts: Sequence[Receipt]) -> None:
    """Keep receipts; only the newest `RECEIPTS_KEPT` can still be asked for."""
    if not receipts:
        return
    db.conn.executemany(
        "INSERT INTO receipt (source, mid, digest, arrived_s) VALUES (?, ?, ?, ?)",
        [(one.source, one.mid, _signed(one.digest), one.arrived_s) for one in receipts],
    )
    db.execute("DELETE FROM receipt WHERE id <= (SELECT max(id) FROM receipt) - ?", [RECEIPTS_KEPT])


def _signed(digest: int) -> int:
    """Fit an unsigned 64-bit number into SQLite's signed one."""
    return digest - (1 << 64) if digest >= 1 << 63 else digest


def _finite(time_s: float) -> float:
    return time_s if math.isfinite(time_s) else 0.0


def _storable(raw: str) -> str:
    """Cut the text and write out what UTF-8 cannot hold (lone surrogates)."""
    return raw[:RAW_KEPT].encode("utf-8", "backslashreplace").decode("utf-8")


def acceptable(readings: Iterable[Reading], from_s: float) -> tuple[list[Reading], list[Rejected]]:
    """Split off readings that are not finite (SQLite would keep NaN as "nothing"), or of a time before `from_s`."""
    good: list[Reading] = []
    refused: list[Rejected] = []
    for reading in readings:
        if not (math.isfinite(reading.time_s) and (reading.value is None or math.isfinite(reading.value))):
            refused.append(_refused(reading, "value or time is not finite"))
        elif reading.time_s < from_s:
            why = f"too late: single readings are kept from {write_time(from_s)} on, of what was before only figures"
            refused.append(_refused(reading, why))
        else:
            good.append(reading)
    return good, refused


def _refused(reading: Reading, why: str) -> Rejected:
    return Rejected(f"{reading.sump}/{reading.signal}", reading.arrived_s, why, repr(reading))
