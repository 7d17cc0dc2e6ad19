"""Since when each sump has the tank and the fluid that it has: what was told before is not told of it as it is now."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Mapping


def settle(connection: sqlite3.Connection, shapes: Mapping[str, str], now_s: float) -> dict[str, float]:
    """Note the shapes of sumps; return since when each has had it (Unix seconds), minus infinity for always.

    A sump that was never noted has had its shape always: all that is on record counts. With another shape than the one
    noted it counts from `now_s` on.
    """
    known = dict(connection.execute("SELECT sump, text FROM shape"))
    for sump, text in shapes.items():
        if sump not in known:
            connection.execute("INSERT INTO shape (sump, text, since_s) VALUES (?, ?, NULL)", (sump, text))
        elif known[sump] != text:
            connection.execute("UPDATE shape SET text = ?, since_s = ? WHERE sump = ?", (text, now_s, sump))
    rows = connection.execute("SELECT sump, since_s FROM shape")
    return {sump: -math.inf if since_s is None else since_s for sump, since_s in rows if sump in shapes}
