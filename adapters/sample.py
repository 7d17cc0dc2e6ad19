"""What a payload said, before it is matched with a signal of a sump."""

from __future__ import annotations

from typing import NamedTuple

from monitor.plant.reading import Quality


class PayloadError(ValueError):
    """Input that cannot be used; the text says what is wrong and what would be right."""


class Sample(NamedTuple):
    """One value as the device said it. `unit` is empty where the device names none (the signal's unit holds then).

    `time_s` is None where the device sends no time (the time of arrival stands in). `name` tells samples of one
    payload apart (a SenML name); it is empty where a payload holds one value only. `relative`: the time was told as
    so many seconds before or after now.
    """

    value: float | None
    time_s: float | None = None
    unit: str = ""
    quality: Quality = Quality.GOOD
    reason: str = ""
    name: str = ""
    relative: bool = False

    @property
    def hangs_on_arrival(self) -> bool:
        """Say whether the time of the sample follows from when it came."""
        return self.time_s is None or self.relative
