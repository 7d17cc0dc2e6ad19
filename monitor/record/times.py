"""RFC 3339 texts to Unix seconds and back, without losing a bit of the float."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from decimal import Decimal

_RFC3339 = re.compile(r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d:\d\d)(?:\.(\d{1,20}))?(?:[Zz]|([+-]\d\d:\d\d))", re.ASCII)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def parse_time(text: str) -> float:
    """Return the Unix seconds of an RFC 3339 text with an offset; raise ValueError with what would be right."""
    match = _RFC3339.fullmatch(text)
    if match is None:
        raise ValueError(f"time {text[:40]!r} is not of the form 2031-03-03T21:30:00+00:00")
    day, clock, fraction, offset = match.groups()
    try:
        moment = datetime.fromisoformat(f"{day}T{clock}{offset or '+00:00'}")
        seconds = (moment - _EPOCH) // timedelta(seconds=1)
    except (ValueError, OverflowError) as error:
        raise ValueError(f"time {text[:40]!r} does not exist: {error}") from None
    return float(seconds + Decimal(f"0.{fraction}")) if fraction else float(seconds)


def write_time(time_s: float) -> str:
    """Return Unix seconds as RFC 3339 in UTC with as many decimals as it takes to read the same float back."""
    exact = Decimal(repr(time_s))
    whole = int(exact // 1) if exact >= 0 else -int(-exact // 1) - (exact % 1 != 0)
    fraction = f"{exact - whole:f}".partition(".")[2].rstrip("0")
    text = (_EPOCH + timedelta(seconds=whole)).isoformat()
    return f"{text[:19]}.{fraction}{text[19:]}" if fraction else text
