"""Times as devices write them: RFC 3339 text or Unix seconds. Pure: `now_s` is always an argument."""

from __future__ import annotations

import math
import re
from datetime import datetime
from typing import Final

from adapters.sample import PayloadError
from monitor.plant.reading import EARLIEST_S

LATEST_S: Final = 10_000_000_000.0
"""The year 2286: a larger number counts milliseconds or finer."""

AHEAD_TOLERANCE_S: Final = 300.0
"""Clocks of gateways may run ahead by this much; a reading further in the future is not believed."""

_RFC3339: Final = re.compile(
    r"(\d{4}-\d{2}-\d{2})[Tt ](\d{2}:\d{2}:)(\d{2})(?:\.(\d{1,12}))?([Zz]|[+-]\d{2}:\d{2})", re.ASCII
)
_RIGHT: Final = 'write RFC 3339 with an offset, like "2031-03-03T21:30:00Z", or Unix seconds'


def parse_time(raw: object) -> float:
    """Turn RFC 3339 text (with an offset) or a number of Unix seconds into Unix seconds.

    Raises PayloadError for anything else and for times before 2000 or after 2286.
    """
    if isinstance(raw, str):
        time_s = parse_rfc3339(raw)
    elif isinstance(raw, float | int) and not isinstance(raw, bool):
        time_s = float(raw)
    else:
        raise PayloadError(f"the time is {type(raw).__name__}, not a time: {_RIGHT}")
    return _believable(time_s)


def parse_rfc3339(text: str) -> float:
    """Turn RFC 3339 section 5.6 text into Unix seconds; a leap second is the first second after it."""
    match = _RFC3339.fullmatch(text)
    if match is None:
        raise PayloadError(f"the time {text[:40]!r} is not understood: {_RIGHT}")
    day, hour_minute, second, fraction, offset = match.groups()
    leap = second == "60"
    try:
        whole = datetime.fromisoformat(f"{day}T{hour_minute}{'59' if leap else second}{offset.upper()}")
        return whole.timestamp() + float(f"0.{fraction or 0}") + leap
    except (ValueError, OverflowError) as error:
        raise PayloadError(f"the time {text[:40]!r} does not exist ({error}): {_RIGHT}") from None


def parse_time_text(text: str) -> float:
    """Turn a time from a text line into Unix seconds: digits are Unix seconds, all else is RFC 3339."""
    return parse_time(float(text) if re.fullmatch(r"\d{1,20}(?:\.\d{1,9})?", text, re.ASCII) else text)


def too_far_ahead(time_s: float, now_s: float) -> bool:
    """Say whether a source's time lies further in the future than a clock may run ahead."""
    return time_s > now_s + AHEAD_TOLERANCE_S


def _believable(time_s: float) -> float:
    if not math.isfinite(time_s) or time_s > LATEST_S:
        raise PayloadError(f"the time {time_s:g} is no Unix time in seconds (milliseconds?): {_RIGHT}")
    if time_s < EARLIEST_S:
        raise PayloadError(f"the time {time_s:g} lies before the year 2000: set the device's clock or send no time")
    return time_s
