"""Since when each sump has the tank and the fluid that it has: what was told before is not told of it as it is now."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Mapping


def sinces(connection: sqlite3.Connection, shapes: Mapping[str, str], now_s: float) -> dict[str, float]:
    """Return since when each sump has its shape (Unix seconds), minus infinity for always.

    A sump that was never noted has had its shape always: all that is on record counts. With another shape than the one
    noted it counts from `now_s` on.
    """
    known = {sump: (text, since_s) for sump, text, since_s in connection.execute("SELECT * FROM shape")}
    found = {}
    for sump, text in shapes.items():
        noted, since_s = known.get(sump, (text, None))
        found[sump] = now_s if noted != text else -math.inf if since_s is None else since_s
    return found


def settle(connection: sqlite3.Connection, shapes: Mapping[str, str], now_s: float) -> dict[str, float]:
    """Note the shapes of sumps, inside the caller's transaction; return what `sinces` says."""
    found = sinces(connection, shapes, now_s)
    rows = [(sump, text, found[sump] if math.isfinite(found[sump]) else None) for sump, text in shapes.items()]
    connection.executemany("INSERT OR REPLACE INTO shape (sump, text, since_s) VALUES (?, ?, ?)", rows)
    return found
