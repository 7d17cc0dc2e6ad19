"""The `current` of a signal: the range of a transmitter's 4-20 mA loop, read and checked."""

from __future__ import annotations

from typing import Any

from monitor.plant import schema
from monitor.plant.errors import QuantityError
from monitor.plant.faults import Faults
from monitor.plant.lines import Path
from monitor.plant.quantity import Unit, parse_quantity
from monitor.plant.reading import Signal
from monitor.plant.tables import Table, read_table
from monitor.plant.types import CurrentLoop


def read_loop(
    signal: Signal, raw: Any, unit: Unit | None, beside: Table, path: Path, faults: Faults
) -> CurrentLoop | None:
    """Read the loop of a signal; `beside` holds the signal's other keys. None if it has faults."""
    before = faults.noted
    v = read_table(schema.CurrentTable, raw, path, faults)
    if signal is Signal.RUNNING:
        faults.add(path, "a machine runs or stands still, which no range of a loop can say: take it out")
    if beside.get("scale", 1.0) != 1.0 or beside.get("offset", 0.0) != 0.0:
        faults.add(path, "has the range already: take scale and offset out, or tell counts_at_4_ma and counts_at_20_ma")
    ends = [_end(v[key], unit, (*path, key), faults) for key in ("at_4_ma", "at_20_ma") if key in v and unit]
    counts = _counts(v, path, faults)
    if len(ends) == 2 and ends[0] is not None and ends[0] == ends[1]:
        faults.add((*path, "at_20_ma"), "is the same as at_4_ma: the two ends of the range differ")
    if faults.noted > before or len(ends) != 2 or ends[0] is None or ends[1] is None:
        return None
    return CurrentLoop(ends[0], ends[1], counts)


def _end(text: str, unit: Unit | None, path: Path, faults: Faults) -> float | None:
    """Return the canonical value at one end of the loop."""
    if unit is None:
        return None
    try:
        return parse_quantity(text, unit.dimension)
    except QuantityError as error:
        faults.add(path, str(error))
        return None


def _counts(v: Table, path: Path, faults: Faults) -> tuple[float, float] | None:
    keys = ("counts_at_4_ma", "counts_at_20_ma")
    given = {key: float(v[key]) for key in keys if v.get(key) is not None}
    if len(given) == 1 and v.keys() >= set(keys):
        (missing,) = set(keys) - given.keys()
        faults.miss((*path, missing), f"is missing: {keys[0]} and {keys[1]} go together")
    if len(given) < 2:
        return None
    if given[keys[0]] == given[keys[1]]:
        faults.add((*path, keys[1]), f"is the same as {keys[0]}: the two ends differ")
    return given[keys[0]], given[keys[1]]
