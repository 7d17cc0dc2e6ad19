"""From the [record] table to the rules of the record: what is kept how long, backups, how long input is gathered."""

from __future__ import annotations

import math
from pathlib import Path as FilePath
from typing import Any, Final, NamedTuple

from monitor.plant.faults import Faults
from monitor.plant.record_schema import DAY_S, RecordTable
from monitor.plant.tables import Table, read_table
from monitor.plant.types import BackupSpec, Keeping

LEAST_READINGS_S: Final = 31 * DAY_S
"""A restart without any checkpoint goes 30 days back."""
DEFAULT_BACKUP_AT: Final = 2 * 60 + 30
_PATH: Final = ("record",)
_AT_LEAST: Final = (("hourly", "readings"), ("daily", "hourly"))


class RecordRules(NamedTuple):
    """What the table says: how long what is kept, backups (None: no backups), how long input is gathered (seconds)."""

    keeping: Keeping
    backup: BackupSpec | None
    gather_s: float


def read_record(raw: Any, database: FilePath, folder: FilePath, faults: Faults) -> RecordRules:
    """Read the rules of the record, which is the file `database`. A relative folder of backups begins at `folder`."""
    v = read_table(RecordTable, raw, _PATH, faults)
    _check(v, faults)
    spans = {f"{name}_s": v[name] for name in ("readings", "hourly", "daily", "forecasts", "alerts") if name in v}
    entries_s = v.get("entries")
    keeping = Keeping(**spans, entries_s=math.inf if entries_s is None else entries_s)
    gather_s = v.get("gather", 0.0)
    if v.get("backup") == "off":
        return RecordRules(keeping, None, gather_s)
    named = v.get("backup")
    place = database.with_name(f"{database.name}.backups") if named is None else folder / named
    at = v.get("backup_at")
    spec = BackupSpec(place, v.get("backups", 2), DEFAULT_BACKUP_AT if at is None else at % 1440)
    return RecordRules(keeping, spec, gather_s)


def _check(v: Table, faults: Faults) -> None:
    for name in ("readings", "entries"):
        seconds = v.get(name)
        if seconds is not None and seconds < LEAST_READINGS_S:
            text = f"{seconds / DAY_S:g} d is too short: a restart may have to go 30 days back, so keep 31 d or more"
            faults.add((*_PATH, name), text)
    for longer, shorter in _AT_LEAST:
        if v.get(longer, math.inf) < v.get(shorter, 0.0):
            text = f"must not be less than {shorter}, which is {v[shorter] / DAY_S:g} d: nothing is left in between"
            faults.add((*_PATH, longer), text)
