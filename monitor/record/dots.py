"""The twenty dots of a forecast as they lie on disk: four bytes each.

Kept are whole thousandths of an hour, each number's highest byte first. Records that were begun earlier hold some as a
list in JSON; both are read.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Sequence
from typing import Final

PARTS_AN_HOUR: Final = 1000


def packed(dots_h: Sequence[float]) -> bytes:
    """Return the dots, hours of 0 to two million, as bytes; they are rounded to a thousandth of an hour."""
    return struct.pack(f">{len(dots_h)}I", *(round(round(dot, 3) * PARTS_AN_HOUR) for dot in dots_h))


def unpacked(kept: bytes | str) -> tuple[float, ...]:
    """Return the dots, in hours, that bytes of `packed` or a list in JSON hold."""
    if isinstance(kept, str):
        return tuple(json.loads(kept))
    return tuple(parts / PARTS_AN_HOUR for (parts,) in struct.iter_unpack(">I", kept))
