"""Readings and entries: the two things that come in.

Times are Unix seconds in UTC (`_s`). A reading's value stands in the canonical unit of its signal (see
`CANONICAL_UNITS`), converted once by the adapter that took it in. No value (`None`) always has a reason.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

EARLIEST_S: Final = 946_684_800.0
"""2000-01-01T00:00:00Z: an older time comes from a clock that was never set."""


class Signal(StrEnum):
    """What a sensor tells of a sump."""

    LEVEL = "level"
    REFRACTOMETER = "refractometer"
    RUNNING = "running"
    COOLANT_TEMPERATURE = "coolant_temperature"
    PH = "ph"
    CONDUCTIVITY = "conductivity"
    MAKE_UP_METER = "make_up_meter"


class Quality(StrEnum):
    """How far the device itself trusts a value."""

    GOOD = "good"
    DOUBTFUL = "doubtful"
    BAD = "bad"


class EntryKind(StrEnum):
    """What a person (or the mixing station) logged."""

    TOP_UP = "top_up"
    REMOVAL = "removal"
    CHARGE = "charge"
    CHECK = "check"
    HARDNESS = "hardness"
    PH = "ph"


CANONICAL_UNITS: Final[dict[Signal, tuple[str, ...]]] = {
    # A level is a height (mm) or, from gauges that compute it, a volume (L);
    # a refractometer gives degrees Brix or, with the factor inside the instrument, percent.
    Signal.LEVEL: ("mm", "L"),
    Signal.REFRACTOMETER: ("degBx", "%"),
    Signal.RUNNING: ("1",),
    Signal.COOLANT_TEMPERATURE: ("degC",),
    Signal.PH: ("1",),
    Signal.CONDUCTIVITY: ("uS/cm",),
    Signal.MAKE_UP_METER: ("L",),
}


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one signal of one sump, as the device said it.

    `value` is in the signal's canonical unit, or None with a `reason`. `time_s` is the source's time,
    `arrived_s` the moment it reached us (the same where the source sends no time).
    """

    sump: str
    signal: Signal
    value: float | None
    time_s: float
    arrived_s: float
    quality: Quality = Quality.GOOD
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the log book. Litres, percent, and `value` in the kind's own unit (%, ppm, pH).

    `id` makes repeats harmless: the same id is the same entry. `logged_s` is when it reached us. `who` is the person or
    the station that did it. `container` is the set-aside container that a removal was put into, that a filling was made
    from, or that a check measured (then `volume_l` is what is left in it, and the sump is where it came from).
    """

    id: str
    sump: str
    kind: EntryKind
    time_s: float
    logged_s: float
    volume_l: float | None = None
    mix_pct: float | None = None
    value: float | None = None
    unit: str = ""
    note: str = ""
    who: str = ""
    container: str = ""

    @property
    def is_of_container(self) -> bool:
        """Tell whether it is about set-aside fluid alone and says nothing of the sump."""
        return self.kind is EntryKind.CHECK and self.container != ""


def dispensed_id(report: str) -> str:
    """Return the id of the entry that a mixing station's report becomes, by whichever way it comes."""
    return report if report.startswith("dispensed-") else f"dispensed-{report}"


@dataclass(frozen=True, slots=True)
class Act:
    """Somebody takes an alert on: its id, and who says so."""

    alert_id: str
    who: str


@dataclass(frozen=True, slots=True)
class Rejected:
    """Input that could not be used, kept as it came. `where` names the source or the file and line."""

    where: str
    arrived_s: float
    why: str
    raw: str
