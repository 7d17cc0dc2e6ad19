"""SenML packs in JSON (RFC 8428). Pure.

An address `topic?NAME` picks the records of one resolved name; a bare topic takes a pack of one name only. Units of
the IANA SenML registry (RFC 8428 section 12.1, RFC 8798) become those of the plant file; the ratio "/" is a percentage.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any, Final, NamedTuple

from adapters.parsers import load_json, number
from adapters.sample import PayloadError, Sample
from adapters.timestamps import LATEST_S
from monitor.plant.reading import EARLIEST_S

ABSOLUTE_FROM_S: Final = 2.0**28
"""Times from here on are Unix seconds, smaller ones are relative to now (RFC 8428 section 4.5.3)."""
VERSION: Final = 10.0
_VALUES: Final = ("v", "vs", "vb", "vd")
_BASES: Final = ("bn", "bt", "bu", "bv", "bs", "bver")
_TEXTS: Final = ("n", "u", "vs", "vd", "bn", "bu")
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
_URL_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_\[\]]*")
_SHAPE: Final = 'send a list of records like [{"n": "lathe-04/level", "u": "m", "v": 0.2514}]'


class Record(NamedTuple):
    """A resolved record: whole name, unit, value (number, text, truth or None with a sum), absolute time."""

    name: str
    unit: str
    value: float | str | bool | None
    time_s: float | None
    total: float | None = None
    relative: bool = False


def resolve(payload: bytes, now_s: float) -> list[Record]:
    """Resolve a pack (RFC 8428 section 4.6). `time_s` is None where the pack names no time at all.

    Raises PayloadError for what the RFC forbids.
    """
    pack = load_json(payload)
    if not isinstance(pack, list) or not pack or not all(isinstance(record, dict) for record in pack):
        raise PayloadError(f"this is no SenML pack: {_SHAPE}")
    bases: dict[str, Any] = {}
    records = []
    for raw in pack:
        _check(raw)
        bases.update({key: raw[key] for key in _BASES if key in raw})
        if float(bases.get("bver", VERSION)) > VERSION:
            raise PayloadError(f"SenML version {bases['bver']:g} is newer than {VERSION:g}, which is understood here")
        if any(key in raw for key in (*_VALUES, "s")):
            records.append(_record(raw, bases, now_s))
        elif not any(key in raw for key in _BASES):
            raise PayloadError(f"a record has no value: {_SHAPE}")
    return records


def read_senml(payload: bytes, now_s: float) -> list[Sample]:
    """Give the samples of a pack, each with its resolved name."""
    return [_sample(record) for record in resolve(payload, now_s)]


def pick_senml(samples: list[Sample], selector: str) -> Sequence[Sample]:
    """Give the samples of a name (none, if the pack lacks it); without a name all of a pack that holds one name."""
    if selector:
        return [sample for sample in samples if sample.name == selector]
    names = list(dict.fromkeys(sample.name for sample in samples))
    if len(names) > 1:
        raise PayloadError(f"the pack holds several names: write one behind ? in the address: {', '.join(names[:8])}")
    return samples


def _check(raw: dict[str, Any]) -> None:
    for key, value in raw.items():
        if key.endswith("_"):
            raise PayloadError(f"the label {key!r} must be understood to use the pack, and is not")
        if key in _TEXTS and not isinstance(value, str):
            raise PayloadError(f'"{key}" is no text: {_SHAPE}')
        if key in {"bt", "t", "ut"} and (isinstance(value, bool) or not isinstance(value, float)):
            raise PayloadError(f'"{key}" is no number of seconds: {_SHAPE}')
        if key in {"bv", "bs", "v", "s", "bver"}:
            number(value, f'"{key}"')
        if key == "vb" and not isinstance(value, bool):
            raise PayloadError(f'"vb" is neither true nor false: {_SHAPE}')


def _record(raw: dict[str, Any], bases: dict[str, Any], now_s: float) -> Record:
    name = bases.get("bn", "") + raw.get("n", "")
    if not (_URL_NAME if "://[" in name else _NAME).fullmatch(name):
        raise PayloadError(f"the name {name[:60]!r} is empty or has signs that SenML does not allow: {_SHAPE}")
    present = [key for key in _VALUES if key in raw]
    if len(present) > 1 or not (present or "s" in raw):
        raise PayloadError(f"{name}: a record has exactly one value: {_SHAPE}")
    value = raw[present[0]] if present else None
    if present == ["v"]:
        value = bases.get("bv", 0.0) + raw["v"]
    total = bases.get("bs", 0.0) + raw.get("s", 0.0) if "s" in raw or "bs" in bases else None
    time_s = bases.get("bt", 0.0) + raw.get("t", 0.0) if "t" in raw or "bt" in bases else None
    relative = time_s is not None and time_s < ABSOLUTE_FROM_S
    time_s = now_s + time_s if time_s is not None and relative else time_s
    return Record(name, raw.get("u", bases.get("bu", "")), value, _believable(time_s), total, relative)


def _believable(time_s: float | None) -> float | None:
    if time_s is None:
        return None
    if not EARLIEST_S <= time_s <= LATEST_S:
        raise PayloadError(f"the time {time_s:g} is no likely Unix time in seconds: set the device's clock")
    return time_s


_UNITS: Final[dict[str, tuple[str, float]]] = {
    # SenML symbol: unit of the plant file, factor
    "Cel": ("degC", 1.0),
    "l": ("L", 1.0),
    "m3": ("m3", 1.0),
    "m": ("m", 1.0),
    "cm": ("cm", 1.0),
    "mm": ("mm", 1.0),
    "/": ("%", 100.0),
    "/100": ("%", 1.0),
    "%": ("%", 1.0),
    "pH": ("1", 1.0),
    "A": ("mA", 1000.0),
    "mA": ("mA", 1.0),
    "S/m": ("uS/cm", 10_000.0),
}


def _sample(record: Record) -> Sample:
    value = record.total if record.value is None else record.value
    unit, factor = _UNITS.get(record.unit, (record.unit, 1.0))
    reason = ""
    if isinstance(value, bool):
        value, unit, factor = float(value), "1", 1.0
    elif not isinstance(value, float):
        value, reason = None, f"the device sent no number but {str(value)[:40]!r}"
    scaled = None if value is None else value * factor
    return Sample(scaled, record.time_s, unit, reason=reason, name=record.name, relative=record.relative)
