"""Payloads, from bytes to samples: a JSON object and a bare number. Pure; shared by MQTT and serial lines.

The JSON payload is `{"t": time, "v": number, "u": unit, "q": quality}`; only `v` must be there. Other keys are
left alone. A `v` of null says that the device has no value.
"""

from __future__ import annotations

import json
import math
import re
from typing import Final, NoReturn

from adapters.sample import PayloadError, Sample
from adapters.timestamps import parse_time
from monitor.plant.reading import Quality

MOST_BYTES: Final = 64 * 1024
MOST_DEPTH: Final = 16
LARGEST: Final = 1e9
"""No level, strength, temperature, conductivity or meter of a sump reaches this in any unit the plant file knows."""

_QUALITIES: Final = {quality.value: quality for quality in Quality}
_NUMBER: Final = re.compile(rb"[+-]?(?:\d{1,40}(?:\.\d{0,40})?|\.\d{1,40})(?:[eE][+-]?\d{1,3})?")
OBJECT: Final = 'send an object like {"t": "2031-03-03T21:30:00Z", "v": 251.4}'
_MISSING: Final = object()
_BRACKET_OR_TEXT: Final = re.compile(rb'[\[{\]}]|"(?:[^"\\]|\\.)*+\\?(?:"|\Z)', re.DOTALL)


def parse_json(payload: bytes) -> Sample:
    """Read one JSON payload. Raises PayloadError."""
    content = load_json(payload)
    if not isinstance(content, dict):
        raise PayloadError(f"the payload is a JSON {_kind(content)}, not an object: {OBJECT}")
    value = content.get("v", _MISSING)
    if value is _MISSING:
        raise PayloadError(f'the object has no "v": {OBJECT}')
    time = content.get("t")
    return Sample(
        value=None if value is None else number(value, '"v"'),
        time_s=None if time is None else parse_time(time),
        unit=_unit(content.get("u")),
        quality=_quality(content.get("q")),
        reason="the device sent no value" if value is None else "",
    )


def parse_number(payload: bytes) -> Sample:
    """Read one bare decimal number in ASCII, like b"251.4". Raises PayloadError."""
    refuse_long(payload)
    text = payload.strip()
    if _NUMBER.fullmatch(text) is None:
        raise PayloadError(f"the payload {show(payload)} is no number: send digits with a decimal point, like 251.4")
    return Sample(value=number(float(text), "the number"))


def number(raw: object, what: str) -> float:
    """Give a finite number of a possible size as float; `what` names it in the error."""
    if isinstance(raw, bool):
        raise PayloadError(f"{what} is {str(raw).lower()}, not a number: send 1 or 0")
    if not isinstance(raw, float | int):
        raise PayloadError(f"{what} is a {_kind(raw)}, not a number: send it bare, like 251.4")
    if not math.isfinite(raw) or abs(raw) > LARGEST:
        raise PayloadError(f"{what} is {raw:.6g}: nothing in a sump is larger than {LARGEST:g}; look at the sensor")
    return float(raw)


def load_json(payload: bytes) -> object:
    """Decode strict JSON (RFC 8259, UTF-8) within the limits of size and depth. All numbers become floats."""
    refuse_long(payload)
    if payload.count(b"[") + payload.count(b"{") > MOST_DEPTH:
        _refuse_deep(payload)
    try:
        return _DECODER.decode(payload.decode())
    except UnicodeDecodeError as error:
        raise PayloadError(f"the payload is not UTF-8 text (byte {error.start}): {OBJECT}") from None
    except json.JSONDecodeError as error:
        raise PayloadError(f"the payload {show(payload)} is no JSON ({error.msg} at {error.pos}): {OBJECT}") from None


def refuse_long(payload: bytes) -> None:
    """Raise PayloadError for a payload over 64 KiB."""
    if len(payload) > MOST_BYTES:
        raise PayloadError(f"the payload has {len(payload)} bytes: at most {MOST_BYTES} are taken")


def show(raw: bytes, most: int = 60) -> str:
    """Give bytes as readable text for a message, cut to a bearable length."""
    text = raw[:most].decode("utf-8", "backslashreplace")
    return repr(text) + ("…" if len(raw) > most else "")


def _refuse_deep(payload: bytes) -> None:
    depth = 0
    for mark in _BRACKET_OR_TEXT.finditer(payload):
        depth += {b"[": 1, b"{": 1, b"]": -1, b"}": -1}.get(mark[0], 0)
        if depth > MOST_DEPTH:
            raise PayloadError(f"the JSON is nested deeper than {MOST_DEPTH}: {OBJECT}")


def _unique(pairs: list[tuple[str, object]]) -> dict[str, object]:
    content = dict(pairs)
    if len(content) != len(pairs):
        raise PayloadError(f"a key stands twice in one JSON object: {OBJECT}")
    return content


def _no_constant(text: str) -> NoReturn:
    raise PayloadError(f"{text} is no JSON number: leave the message out or send null")


_DECODER: Final = json.JSONDecoder(object_pairs_hook=_unique, parse_int=float, parse_constant=_no_constant)


def _unit(raw: object) -> str:
    if raw is None:
        return ""
    if not isinstance(raw, str) or not raw:
        raise PayloadError('"u" is no unit: write a unit of the plant file in quotes, like "mm"')
    return raw


def _quality(raw: object) -> Quality:
    if raw is None:
        return Quality.GOOD
    quality = _QUALITIES.get(raw) if isinstance(raw, str) else None
    if quality is None:
        raise PayloadError(f'"q" is {str(raw)[:40]!r}: write "good", "doubtful" or "bad", or leave it out')
    return quality


def _kind(raw: object) -> str:
    names = {dict: "object", list: "list", str: "text", bool: "true or false", type(None): "null"}
    return names.get(type(raw), "number")
