"""Which part of a device's IO-Link process data a signal means: the part of its address behind `?`. Pure.

Octets by bit offset (0 is the last bit of the last octet) and length as in the IODD, decoded fields by name, switches:

    press-1/devices/brix/processdata/value?bit=16&length=16&scale=0.1
    …?bit=0&length=12&type=int&scale=0.5&offset=-20       type: uint (default), int, float
    …?field=Concentration&scale=0.01                      a decoded field, with a factor
    …?iqValue   …?cqValue                                 the switch
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple
from urllib.parse import parse_qsl

SWITCHES: Final = ("iqValue", "cqValue")
_KEYS: Final = {"bit", "length", "type", "scale", "offset", "field"}
_FORM: Final = "write ?field=NAME, ?bit=OFFSET&length=BITS (and type, scale, offset if needed) or ?iqValue"


class Where(NamedTuple):
    """Which part of the process data is meant, and its scale: value = raw * scale + offset."""

    field: str = ""
    switch: str = ""
    bit: int = 0
    length: int = 0
    kind: str = "uint"
    scale: float = 1.0
    offset: float = 0.0


def parse_where(selector: str) -> Where:
    """Read the part of an address behind the question mark. Raises ValueError saying what would be right."""
    if selector in SWITCHES:
        return Where(switch=selector)
    pairs = dict(parse_qsl(selector, keep_blank_values=True))
    if not pairs or set(pairs) - _KEYS:
        raise ValueError(_FORM)
    scale, offset = _number(pairs, "scale", 1.0), _number(pairs, "offset", 0.0)
    if "field" in pairs:
        if not pairs["field"] or set(pairs) & {"bit", "length", "type"}:
            raise ValueError(f"a field has a name and no bits: {_FORM}")
        return Where(field=pairs["field"], scale=scale, offset=offset)
    where = Where("", "", _whole(pairs, "bit"), _whole(pairs, "length"), pairs.get("type", "uint"), scale, offset)
    if where.kind not in {"int", "uint", "float"} or not (0 <= where.bit <= 255 and 1 <= where.length <= 64):
        raise ValueError("type is int, uint or float, bit 0 to 255, length 1 to 64")
    if where.kind == "float" and where.length not in {32, 64}:
        raise ValueError("a float has length=32 or length=64")
    return where


def _number(pairs: dict[str, str], key: str, usual: float) -> float:
    try:
        number = float(pairs.get(key, usual))
    except ValueError:
        number = math.nan
    if not math.isfinite(number) or (key == "scale" and number == 0.0):
        raise ValueError(f'{key} is "{pairs[key]}": write a number, such as {key}=0.1')
    return number


def _whole(pairs: dict[str, str], key: str) -> int:
    text = pairs.get(key, "0")
    if not (text.isascii() and text.isdecimal() and len(text) < 4):
        raise ValueError(f'{key} is "{text}": write a whole number, such as {key}=16')
    return int(text)
