"""Readings from a replay file: `time,sump,signal,value[,unit]`, one row a reading, in time order up to 1 h of disorder.

The loop in `_rows` runs once a row and is kept lean: texts that repeat (times, sump and signal) are looked up once.
Everything that is not the plain case goes the slow way and may end in a reason for the row's rejection.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final, NamedTuple

from monitor.plant.errors import QuantityError
from monitor.plant.quantity import parse_unit
from monitor.plant.reading import Quality, Reading, Rejected, Signal
from monitor.plant.types import Plant, SignalSpec
from monitor.record.csv_lines import MAX_LINE, CsvLines, open_csv, rejected_row
from monitor.record.csv_text import unguard
from monitor.record.times import parse_time

REQUIRED: Final = ("time", "sump", "signal", "value")
OPTIONAL: Final = ("unit", "quality", "reason", "arrived")
DISORDER_S: Final = 3600.0
"""Rows may lie this far behind the newest one before them (contract, section 2)."""
LEAP_S: Final = 86_400.0
"""A row this far ahead of the newest is believed only when the rows behind it do not go back."""
LEAP_ROWS: Final = 20
"""So many rows behind a leap make it believed."""

_TIMES_KEPT: Final = 4096
_SIGNALS: Final = frozenset(Signal)
_QUALITIES: Final = frozenset(Quality)

IN_THE_FUTURE: Final = "the time lies in the future: set the clock of whatever wrote the file, or of this machine"

OnReject = Callable[[Rejected], None]
Convert = Callable[[float], float]


class RowError(ValueError):
    """Why one row cannot be used."""


class Row(NamedTuple):
    """One row whose fields are understood; its place in time is not judged yet."""

    line: int
    raw: str
    time_s: float
    sump: str
    signal: Signal
    value: float | None
    quality: Quality
    reason: str
    arrived_s: float | None = None


class _Times(dict[str, float]):
    """Seconds of time texts; each text is parsed once while it is in use."""

    def __missing__(self, text: str) -> float:
        if len(self) >= _TIMES_KEPT:
            self.clear()
        self[text] = time_s = parse_time(text)
        return time_s


class _Keys(dict[tuple[str, str, str], tuple[str, Signal, Convert | None]]):
    """By sump, signal and unit text: the sump, the signal, how values are converted (None: they stand as they are)."""

    def __init__(self, plant: Plant) -> None:
        super().__init__()
        self._plant = plant

    def __missing__(self, key: tuple[str, str, str]) -> tuple[str, Signal, Convert | None]:
        sump, signal, unit = key
        spec = self._spec(sump, signal)
        self[key] = found = (self._plant.sumps[sump].id, spec.signal, _conversion(spec, unit))
        return found

    def _spec(self, sump: str, signal: str) -> SignalSpec:
        file = self._plant.file.name
        if sump not in self._plant.sumps:
            raise RowError(f"no sump {sump[:64]!r} in {file}")
        if signal not in _SIGNALS:
            raise RowError(f"no signal is called {signal[:40]!r}; it is one of {', '.join(Signal)}")
        declared = self._plant.sumps[sump].signals
        if signal not in declared:
            raise RowError(f"sump {sump} has no signal {signal} in {file}; it has {', '.join(declared) or 'none'}")
        return declared[Signal(signal)]


def _conversion(spec: SignalSpec, text: str) -> Convert | None:
    try:
        unit = parse_unit(text, spec.unit.dimension) if text else spec.unit
    except QuantityError as error:
        raise RowError(str(error)) from None
    if spec.signal is Signal.RUNNING:
        return _on_off
    return None if (unit.factor, unit.shift) == (1.0, 0.0) else unit.to_canonical


def _on_off(value: float) -> float:
    if value not in {0.0, 1.0}:
        raise RowError(f"running is {value:g}; it must be 0 or 1")
    return value


class _Understand:
    """Turns the cells of a row into a `Row`; remembers what texts mean."""

    def __init__(self, columns: tuple[str, ...], plant: Plant) -> None:
        self.columns = columns
        self.times = _Times()
        self.keys = _Keys(plant)

    def row(self, line: int, text: str) -> Row:
        """Read one row of any form; raise RowError with what is wrong and what would be right."""
        named = self._named(text)
        time_s = self.times[named["time"]]
        sump, signal, convert = self.keys[named["sump"], named["signal"], named.get("unit", "")]
        quality, reason = named.get("quality", "") or Quality.GOOD.value, unguard(named.get("reason", ""))
        if quality not in _QUALITIES:
            raise RowError(f"quality {quality[:40]!r} is none of {', '.join(Quality)}")
        value = None if reason and not named["value"] else _value(named["value"], convert)
        arrived_s = parse_time(named["arrived"]) if named.get("arrived") else None
        return Row(line, text, time_s, sump, signal, value, Quality(quality), reason, arrived_s)

    def _named(self, text: str) -> dict[str, str]:
        if len(text) >= MAX_LINE:
            raise RowError(f"the line is longer than {MAX_LINE} characters")
        cells = next(csv.reader([text]), [])
        if len(cells) != len(self.columns):
            raise RowError(f"{len(cells)} fields where {len(self.columns)} belong ({','.join(self.columns)})")
        return dict(zip(self.columns, (cell.strip() for cell in cells), strict=True))


def _value(text: str, convert: Convert | None) -> float:
    if not text:
        raise RowError("no value; a reading needs a number")
    try:
        value = float("_" if "_" in text else text)
    except ValueError:
        raise RowError(f"value {text[:40]!r} is no number; write digits with a decimal point, as in 251.4") from None
    value = value if convert is None else convert(value)
    if not math.isfinite(value):
        raise RowError(f"value {text[:40]!r} is not finite")
    return value


class _Rejects:
    """Passes on what cannot be used, with file, line and why."""

    def __init__(self, path: Path, on_reject: OnReject) -> None:
        self._path = path
        self._on_reject = on_reject
        self.newest_s = 0.0

    def __call__(self, line: int, raw: str, why: str) -> None:
        self._on_reject(rejected_row(self._path, line, raw, why, self.newest_s))


def _rows(lines: CsvLines, understand: _Understand, reject: _Rejects) -> Iterator[Row]:
    """Yield the rows whose fields can be used; the four usual columns in their usual order go the fast way."""
    times, keys, usual = understand.times, understand.keys, understand.columns == REQUIRED
    good, isfinite, new = Quality.GOOD, math.isfinite, Row._make
    for line, text in enumerate(lines, 2):
        try:
            if usual and '"' not in text:
                when, sump_text, signal_text, number = text.split(",")
                sump, signal, convert = keys[sump_text, signal_text, ""]
                value = float(number) if convert is None else convert(float(number))
                if isfinite(value) and "_" not in number:
                    yield new((line, text, times[when], sump, signal, value, good, "", None))
                    continue
        except ValueError:
            pass
        if not text.isspace():
            try:
                yield understand.row(line, text)
            except (ValueError, csv.Error) as error:
                reject(line, text, str(error))


class _Order:
    """Judges rows by their time: too far back is refused, a leap ahead must be confirmed by what follows.

    What lies beyond `latest_s` is refused.
    """

    def __init__(self, reject: _Rejects, latest_s: float) -> None:
        self._reject = reject
        self._latest_s = latest_s
        self._newest_line = 1
        self._leapt: list[Row] = []
        self.newest_s = -math.inf

    def sort(self, row: Row) -> Iterator[Row]:
        """Take a row that is not plainly in order; yield the rows that can go on."""
        if row.time_s > self._latest_s:
            self._reject(row.line, row.raw, IN_THE_FUTURE)
        elif self._leapt:
            yield from self._after_leap(row)
        elif row.time_s - self.newest_s > LEAP_S and math.isfinite(self.newest_s):
            self._leapt.append(row)
        else:
            yield from self._judge(row)

    def _after_leap(self, row: Row) -> Iterator[Row]:
        if row.time_s - self.newest_s > LEAP_S:
            self._leapt.append(row)
            if len(self._leapt) > LEAP_ROWS:
                yield from self.rest()
            return
        for leapt in self._leapt:
            ahead_h = (leapt.time_s - self.newest_s) / 3600
            self._reject(leapt.line, leapt.raw, f"time lies {ahead_h:.1f} h ahead of the rows before and behind it")
        self._leapt.clear()
        yield from self._judge(row)

    def _judge(self, row: Row) -> Iterator[Row]:
        behind_s = self.newest_s - row.time_s
        if behind_s > DISORDER_S:
            why = f"time lies {behind_s / 3600:.1f} h behind line {self._newest_line}; rows may be out of order by 1 h"
            self._reject(row.line, row.raw, why)
            return
        if behind_s < 0:
            self.newest_s = self._reject.newest_s = row.time_s
            self._newest_line = row.line
        yield row

    def rest(self) -> Iterator[Row]:
        """Believe what leapt ahead: enough rows followed, or the file ends."""
        leapt, self._leapt = self._leapt, []
        for row in leapt:
            yield from self._judge(row)

    @property
    def settled(self) -> bool:
        """Tell whether no row waits for its confirmation."""
        return not self._leapt


def read_readings(path: Path, plant: Plant, on_reject: OnReject, *, latest_s: float = math.inf) -> Iterator[Reading]:
    """Yield the readings of a replay file, values in canonical units, in the order of the file.

    Optional columns: `unit` (of the value, else it is the one in the plant file), `quality` (good, doubtful, bad),
    `reason` (for a row without a value) and `arrived`, as an export writes them; where nothing is said of it, a row
    arrived at its own time or the newest time before it. Each row that cannot be used, or tells of a time after
    `latest_s`, goes to `on_reject`; RecordError if the file cannot be read or has another header.
    """
    with open_csv(path, REQUIRED, OPTIONAL) as lines:
        reject = _Rejects(path, on_reject)
        rows = _rows(lines, _Understand(lines.columns, plant), reject)
        for row in _in_order(rows, _Order(reject, latest_s)):
            _, _, time_s, sump, signal, value, quality, reason, arrived_s = row
            came_s = reject.newest_s if arrived_s is None else arrived_s  # the order was judged: never behind time_s
            yield Reading(sump, signal, value, time_s, came_s, quality, reason)


def _in_order(rows: Iterator[Row], order: _Order) -> Iterator[Row]:
    for row in rows:
        if row.time_s == order.newest_s and order.settled:
            yield row
        else:
            yield from order.sort(row)
    yield from order.rest()
