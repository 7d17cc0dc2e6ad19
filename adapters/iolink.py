"""IO-Link process data as JSON ("JSON Integration for IO-Link" V1.0.0 and V2.0.0). Pure.

Topics are `{originatorId}/devices/{deviceAlias}/processdata/value`. A payload holds `iolink` (V1.0.0's schema wrote
`ioLink`: both are read) with `valid` and `value`: either the octets, most significant first, or the decoded fields by
name; or a plain switch as `iqValue`/`cqValue`. Where the value lies in the octets stands in the device's description
(IODD), so it is configuration, written behind ? in the address (see `monitor.plant.process_data`).
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

from adapters.parsers import load_json, number
from adapters.sample import PayloadError, Sample
from monitor.plant.errors import SourceError
from monitor.plant.process_data import SWITCHES, Where, parse_where
from monitor.plant.reading import Quality

_SHAPE: Final = 'send {"iolink": {"valid": true, "value": …}}'


class ProcessData(NamedTuple):
    """One payload: whether the device says it is valid, its value (octets, fields), its switches."""

    valid: bool
    value: bytes | Mapping[str, Any] | None
    switches: Mapping[str, bool]


def read_iolink(payload: bytes, _now_s: float = 0.0) -> ProcessData:
    """Read process data. Raises PayloadError."""
    content = load_json(payload)
    if not isinstance(content, dict):
        raise PayloadError(f"this is no IO-Link process data: {_SHAPE}")
    switches = {key: content[key] for key in SWITCHES if key in content}
    if any(not isinstance(state, bool) for state in switches.values()):
        raise PayloadError("iqValue and cqValue are true or false")
    data = content.get("iolink", content.get("ioLink"))
    if data is None and switches:
        return ProcessData(valid=True, value=None, switches=switches)
    if not isinstance(data, dict) or not isinstance(data.get("valid"), bool):
        raise PayloadError(f"this is no IO-Link process data: {_SHAPE}")
    return ProcessData(data["valid"], _value(data.get("value")), switches)


def pick_iolink(data: ProcessData, selector: str) -> Sequence[Sample]:
    """Give the one sample that a selector means. Invalid process data gives no value, with the reason."""
    where = parse_where(selector)
    if where.switch:
        if where.switch not in data.switches:
            raise PayloadError(f"the payload has no {where.switch}")
        return (Sample(float(data.switches[where.switch]), unit="1"),)
    if not data.valid:
        return (Sample(None, quality=Quality.BAD, reason="the device says that its process data is not valid"),)
    raw = _field(data.value, where) if where.field else _bits(data.value, where)
    return (Sample(number(raw * where.scale + where.offset, "the value")),)


def check_iolink(selector: str) -> None:
    """Refuse a selector that can never work, with SourceError."""
    try:
        parse_where(selector)
    except ValueError as error:
        raise SourceError(f'"?{selector}": {error}') from None


def _value(raw: object) -> bytes | Mapping[str, Any] | None:
    if raw is None or isinstance(raw, dict):
        return raw
    if isinstance(raw, list) and all(isinstance(one, float) and 0 <= one <= 255 and one.is_integer() for one in raw):
        return bytes(int(octet) for octet in raw)
    raise PayloadError("the value is neither a list of octets (0 to 255) nor an object of fields")


def _field(value: bytes | Mapping[str, Any] | None, where: Where) -> float:
    if not isinstance(value, Mapping) or where.field not in value:
        known = ", ".join(list(value)[:8]) if isinstance(value, Mapping) else "octets"
        raise PayloadError(f"the process data has no field {where.field!r}: it has {known or 'none'}")
    content = value[where.field]
    inner = content.get("value") if isinstance(content, dict) else content
    return float(inner) if isinstance(inner, bool) else number(inner, where.field)


def _bits(value: bytes | Mapping[str, Any] | None, where: Where) -> float:
    if not isinstance(value, bytes):
        raise PayloadError("the process data is decoded: write ?field=NAME in the address")
    if where.bit + where.length > 8 * len(value):
        raise PayloadError(f"the process data has {len(value)} octets: bit and length point beyond")
    raw = (int.from_bytes(value, "big") >> where.bit) & ((1 << where.length) - 1)
    if where.kind == "float":
        octets = raw.to_bytes(where.length // 8, "big")
        return float(struct.unpack(">f" if where.length == 32 else ">d", octets)[0])
    negative = where.kind == "int" and raw >> (where.length - 1)
    return float(raw - (1 << where.length) if negative else raw)
