"""Alerts and transitions as JSON texts and back, whole and typed (with the recipe inside)."""

from __future__ import annotations

import json
from functools import cache

from pydantic import TypeAdapter

from alerts.types import Alert


@cache
def _adapter() -> TypeAdapter[Alert]:
    return TypeAdapter(Alert)


def alert_text(alert: Alert) -> str:
    """Return an alert as one line of JSON (infinite numbers as Python's json writes them)."""
    return json.dumps(_adapter().dump_python(alert, mode="json"), separators=(",", ":"))


def alert_of(text: str) -> Alert:
    """Return the alert that `alert_text` wrote; fields that a later release added get their defaults."""
    return _adapter().validate_python(json.loads(text))
