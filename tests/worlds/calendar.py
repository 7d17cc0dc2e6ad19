"""The time grid of a world: steps of five minutes, local clocks, duties and attended hours.

Recordings start on a Monday at local midnight, rounded to midnight UTC, away from clock changes, so that one offset
serves the whole recording.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

STEP_MIN: Final = 5
STEP_H: Final = STEP_MIN / 60
STEPS_A_DAY: Final = 24 * 60 // STEP_MIN
HORIZON_DAYS: Final = 10
FIRST_DAY: Final = datetime(2032, 5, 3, tzinfo=UTC)
WORKDAYS: Final = ("mon", "tue", "wed", "thu", "fri")
WEEK: Final = (*WORKDAYS, "sat", "sun")

# days, from, to of each span of a duty
DUTIES: Final[dict[str, tuple[tuple[tuple[str, ...], str, str], ...]]] = {
    "two-shift": ((WORKDAYS, "06:00", "22:00"),),
    "lights-out": (((*WORKDAYS, "sat"), "00:00", "24:00"), (("sun",), "00:00", "12:00")),
    "single-shift": ((WORKDAYS, "07:00", "15:30"),),
}
ATTENDED: Final = (WORKDAYS, "06:00", "22:00")


def minutes(clock: str) -> int:
    """Return minutes after midnight of HH:MM."""
    hours, rest = clock.split(":")
    return int(hours) * 60 + int(rest)


@dataclass(frozen=True)
class Grid:
    """The steps of a recording of some days and of the ten days after it, through which truth is carried on."""

    days: int
    zone: str

    @property
    def recorded(self) -> int:
        """Number of steps that are recorded."""
        return self.days * STEPS_A_DAY

    @property
    def steps(self) -> int:
        """Number of steps in all."""
        return (self.days + HORIZON_DAYS) * STEPS_A_DAY

    @property
    def start_s(self) -> float:
        """Unix seconds of the first step."""
        return FIRST_DAY.timestamp()

    @property
    def local_minute(self) -> NDArray[np.int64]:
        """Minutes since local midnight of the first day, one a step."""
        offset = FIRST_DAY.astimezone(ZoneInfo(self.zone)).utcoffset()
        shift = 0 if offset is None else int(offset.total_seconds() // 60)
        return np.arange(self.steps) * STEP_MIN + shift

    @property
    def local_day(self) -> NDArray[np.int64]:
        """Local days since the first, one a step (-1 before local midnight of the first)."""
        return self.local_minute // 1440

    @property
    def hour(self) -> Floats:
        """Local hour of the day, one a step."""
        return np.asarray(self.local_minute % 1440 / 60.0)

    def within(self, days: tuple[str, ...], start: str, end: str) -> Bools:
        """Return where a weekly span holds."""
        minute, weekday = self.local_minute % 1440, self.local_day % 7
        on_day = np.isin(weekday, [WEEK.index(day) for day in days])
        return np.asarray(on_day & (minute >= minutes(start)) & (minute < minutes(end)))

    def duty(self, name: str) -> Bools:
        """Return where a duty expects its machines to run."""
        return np.asarray(np.logical_or.reduce([self.within(*span) for span in DUTIES[name]]))

    def at_clock(self, clocks: tuple[str, ...]) -> Bools:
        """Return the steps at the given local clock times, every day."""
        minute = self.local_minute % 1440
        return np.isin(minute, [minutes(clock) // STEP_MIN * STEP_MIN for clock in clocks])
