"""How the arrival of a reading is kept: in two bytes where a clock of whole milliseconds stamped it.

Kept is nothing where a reading arrived at its own time; else the milliseconds between the two where these give the
arrival back to the very last bit; else the arrival itself. Both are numbers in one column, told apart by their size:
a delay is less than 10 days, an arrival is a moment after 1998. What would fit neither is kept as eight bytes.
"""

from __future__ import annotations

import struct
from typing import Final

Kept = float | bytes | None
LONGEST_MS: Final = 9e8

LATE: Final = (
    f"CASE WHEN abs(arrived_s) < {LONGEST_MS} THEN arrived_s > 1000.0 * :by_s ELSE arrived_s > time_s + :by_s END"
)
"""SQL: whether a reading arrived more than `by_s` seconds after its time."""


def kept(time_s: float, arrived_s: float) -> Kept:
    """Return what is kept of an arrival."""
    if arrived_s == time_s:
        return None
    delay_ms = float(round((arrived_s - time_s) * 1000.0))
    if abs(delay_ms) < LONGEST_MS and round(time_s + delay_ms / 1000.0, 3) == arrived_s:
        return delay_ms
    return arrived_s if arrived_s >= LONGEST_MS else struct.pack(">d", arrived_s)


def arrival(time_s: float, found: Kept) -> float:
    """Return the arrival that `kept` was made of."""
    if found is None:
        return time_s
    if isinstance(found, bytes):
        return float(struct.unpack(">d", found)[0])
    return round(time_s + found / 1000.0, 3) if abs(found) < LONGEST_MS else found
