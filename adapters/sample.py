"""What a payload said, before it is matched with a signal of a sump."""

from __future__ import annotations

from typing import NamedTuple

from monitor.plant.reading import Quality


class PayloadError(ValueError):
    """Input that cannot be used; the text says what is wrong and what would be right."""


class Sample(NamedTuple):
    """One value as the device said it. `unit` is empty where the device names none (the signal's unit holds then).

    `time_s` is None where the device sends no time (the time of arrival stands in). `name` tells samples of one
    payload apart (a SenML name); it is empty where a payload holds one value only.
    """

    value: float | None
    time_s: float | None = None
    unit: str = ""
    quality: Quality = Quality.GOOD
    reason: str = ""
    name: str = ""
