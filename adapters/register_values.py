"""From the registers of a Modbus unit to a sample. Pure.

A register is 16 bits, most significant byte first. How two or four of them make a number is not in the standard, so it
is configuration: ABCD as they come, CDAB the registers in reverse order, BADC the bytes of each register swapped, DCBA
both. A value whose registers all read 0xFFFF, and a NaN or infinity, is how devices say that they have none.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from typing import Final

from adapters.sample import Sample
from monitor.plant.reading import Quality
from monitor.plant.registers import BIT, RegisterAddress

_FORMATS: Final = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f", "float64": ">d"}
_EMPTY: Final = 0xFFFF


def sample_of(words: Sequence[int], at: RegisterAddress) -> Sample:
    """Return what `words` (registers 0 to 65535, or one bit 0 or 1) say. No value comes with its reason."""
    if at.data_type == BIT:
        return Sample(float(words[0]))
    if all(word == _EMPTY for word in words):
        return Sample(None, quality=Quality.BAD, reason=f"{at.said}: all bits are set, the device has no value")
    (number,) = struct.unpack(_FORMATS[at.data_type], octets_of(words, at.word_order))
    if not math.isfinite(number):
        return Sample(None, quality=Quality.BAD, reason=f"{at.said}: {number} is no number, the device has no value")
    return Sample(float(number))


def octets_of(words: Sequence[int], word_order: str) -> bytes:
    """Return the bytes of a number, most significant first. A single register has no order but its own."""
    if len(words) == 1:
        return words[0].to_bytes(2, "big")
    ordered = reversed(words) if word_order in {"CDAB", "DCBA"} else words
    within = "little" if word_order in {"BADC", "DCBA"} else "big"
    return b"".join(word.to_bytes(2, within) for word in ordered)  # type: ignore[arg-type]
