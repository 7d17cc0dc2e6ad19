"""What is on record, written in the two replay formats, so that a live week can be replayed anywhere.

Readings: `time,sump,signal,value,unit`. The value stands in the unit that the plant file declares for the signal; where
that would not read back to the very same number, it stands in the canonical unit, and `unit` says so. If a reading of
the span is not good, or has no value, two more columns follow, `quality` and `reason`, and reading the file brings both
back (line breaks in a reason become spaces). If one came later than the daemon waits for, a column `arrived` says when
those came: a replay then believes them as late as the daemon did. Entries get two more columns, `who` and `container`,
where any of the span has one, and always `id` and `logged`.
Texts that a spreadsheet would take for formulas are guarded (`csv_text`).
"""

from __future__ import annotations

import csv
import gzip
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Final

from monitor.plant.errors import RecordError
from monitor.plant.quantity import UNITS, Unit
from monitor.plant.reading import CANONICAL_UNITS, Entry, Quality, Reading
from monitor.plant.types import Plant
from monitor.record.csv_text import cell, guard
from monitor.record.reader import Reader
from monitor.record.targets import whole
from monitor.record.times import write_time

READING_COLUMNS: Final = ("time", "sump", "signal", "value", "unit")
UNSURE_COLUMNS: Final = ("quality", "reason")
ENTRY_COLUMNS: Final = ("time", "sump", "kind", "volume", "mix", "value", "unit", "note")
WHO_COLUMNS: Final = ("who", "container")
OWN_COLUMNS: Final = ("id", "logged")
ARRIVED_COLUMN: Final = "arrived"
ON_TIME_S: Final = 10.0
"""What comes no later than this after its time counts as if it had come at once (`monitor.waiting.SETTLE_S`)."""


def export_readings(reader: Reader, plant: Plant, out_path: Path, from_s: float, to_s: float) -> int:
    """Write the readings of a span (`.gz` in the name: compressed) and return how many; RecordError if that fails."""
    late = reader.late_count(from_s, to_s, ON_TIME_S) > 0
    unsure = reader.unsure_count(from_s, to_s) > 0
    columns = (*READING_COLUMNS, *(UNSURE_COLUMNS if unsure else ()), *((ARRIVED_COLUMN,) if late else ()))
    readings = reader.readings(from_s, to_s)
    return _write(out_path, columns, (_picked(_reading_cells(plant, one), columns) for one in readings))


def export_entries(reader: Reader, out_path: Path, from_s: float, to_s: float) -> int:
    """Write the log book of a span (`.gz` in the name: compressed) and return how many; RecordError if that fails."""
    entries = reader.entries(from_s, to_s)
    more = any(entry.who or entry.container for entry in entries)
    columns = (*ENTRY_COLUMNS, *(WHO_COLUMNS if more else ()), *OWN_COLUMNS)
    return _write(out_path, columns, (_picked(_entry_cells(entry), columns) for entry in entries))


def _picked(cells: dict[str, str], columns: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(cells[name] for name in columns)


def _reading_cells(plant: Plant, reading: Reading) -> dict[str, str]:
    value, unit = "", ""
    if reading.value is not None:
        value, unit = _in_unit(reading.value, _declared(plant, reading))
    reason = " ".join(reading.reason.split()) or ("no value" if reading.value is None else "")
    return {
        "time": write_time(reading.time_s),
        "sump": reading.sump,
        "signal": reading.signal.value,
        "value": value,
        "unit": unit,
        "quality": "" if reading.quality is Quality.GOOD else reading.quality.value,
        "reason": guard(reason),
        ARRIVED_COLUMN: write_time(reading.arrived_s) if reading.arrived_s - reading.time_s > ON_TIME_S else "",
    }


def _declared(plant: Plant, reading: Reading) -> Unit:
    """Return the unit of a signal; of one no longer in the plant file, the canonical one."""
    sump = plant.sumps.get(reading.sump)
    spec = None if sump is None else sump.signals.get(reading.signal)
    return UNITS[CANONICAL_UNITS[reading.signal][0]] if spec is None else spec.unit


def _in_unit(value: float, unit: Unit) -> tuple[str, str]:
    shown = _short(unit.from_canonical(value), unit, value)
    return (shown, unit.name) if unit.to_canonical(float(shown)) == value else (repr(value), unit.canonical)


def _short(shown: float, unit: Unit, value: float) -> str:
    """Return the number as the device most likely said it: division leaves a tail that rounding takes away."""
    rounded = f"{shown:.12g}"
    return rounded if unit.to_canonical(float(rounded)) == value else repr(shown)


def _entry_cells(entry: Entry) -> dict[str, str]:
    return {
        "time": write_time(entry.time_s),
        "sump": entry.sump,
        "kind": entry.kind.value,
        "volume": _text(entry.volume_l),
        "mix": _text(entry.mix_pct),
        "value": _text(entry.value),
        "unit": entry.unit,
        "note": cell(entry.note),
        "who": cell(entry.who),
        "container": entry.container,
        "id": cell(entry.id),
        "logged": write_time(entry.logged_s),
    }


def _text(number: float | None) -> str:
    return "" if number is None else repr(number)


def _write(path: Path, columns: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> int:
    count = 0
    try:
        with _created(path) as stream:
            writer = csv.writer(stream, lineterminator="\n")
            writer.writerow(columns)
            for count, row in enumerate(rows, 1):  # noqa: B007 - the last count is the result
                writer.writerow(row)
    except OSError as error:
        raise RecordError(f"{path}: cannot be written ({error}); check the folder and its free space") from error
    return count


@contextmanager
def _created(path: Path) -> Iterator[IO[str]]:
    with whole(path) as unfinished:
        if path.name.endswith(".gz"):
            with gzip.open(unfinished, "wt", encoding="utf-8", newline="") as packed:
                yield packed
        else:
            with unfinished.open("w", encoding="utf-8", newline="") as plain:
                yield plain
