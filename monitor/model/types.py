"""What the model says of a sump: estimate, events, forecast. Immutable; safe to hand to any thread."""

from __future__ import annotations

from array import array
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import chain
from typing import Self

from monitor.plant.reading import Signal


class Side(StrEnum):
    """On which side a sump leaves its band."""

    RICH = "rich"
    LEAN = "lean"
    LOW = "low"
    NONE = "none"


class EventKind(StrEnum):
    """What the pipeline noticed by itself."""

    UNLOGGED_TOP_UP = "unlogged_top_up"
    UNLOGGED_REMOVAL = "unlogged_removal"
    LOSS_JUMP = "loss_jump"
    DOUBTFUL_SIGNAL = "doubtful_signal"
    SILENT_SIGNAL = "silent_signal"


@dataclass(frozen=True, slots=True)
class Estimate:
    """The state of one sump at `time_s` with one-sigma uncertainties.

    Rates are litres a day, means over the last 24 h (`evaporation`: water only, `drag_out`: fluid at the sump's
    strength). The `_idle`/`_running` rates are litres an hour. `known` is False until a level or a concentration was
    ever heard.
    """

    sump: str
    time_s: float
    known: bool
    volume_l: float
    volume_sd_l: float
    concentration_pct: float
    concentration_sd_pct: float
    correlation: float
    evaporation_l_per_day: float
    evaporation_sd_l_per_day: float
    drag_out_l_per_day: float
    drag_out_sd_l_per_day: float
    evaporation_idle_l_per_h: float
    evaporation_running_l_per_h: float
    drag_out_running_l_per_h: float
    refractometer_bias_degbx: float
    refractometer_bias_sd_degbx: float
    hold_up_l: float
    hold_up_sd_l: float
    running: bool | None
    last_heard_s: Mapping[Signal, float]
    silent: tuple[Signal, ...]
    doubtful: tuple[Signal, ...]


@dataclass(frozen=True, slots=True)
class Event:
    """Something noticed: when it happened, when it was first said, how large and how sure (confidence 0..1).

    For a top-up `volume_l` and `mix_pct` are what was added; for a loss jump `volume_l` is litres a day.
    """

    id: str
    sump: str
    kind: EventKind
    time_s: float
    detected_s: float
    volume_l: float | None
    mix_pct: float | None
    confidence: float
    detail: str


@dataclass(frozen=True, slots=True)
class Path:
    """The forecast course at `hours` ahead of the estimate: 10/50/90 % of volume (L) and concentration (%).

    The six lie one after the other in `courses`: of a thousand sumps there are a thousand such, not six thousand.
    """

    hours: Sequence[float]
    courses: array[float]

    @classmethod
    def of(
        cls,
        hours: Sequence[float],
        volume_p10_l: Sequence[float],
        volume_p50_l: Sequence[float],
        volume_p90_l: Sequence[float],
        concentration_p10_pct: Sequence[float],
        concentration_p50_pct: Sequence[float],
        concentration_p90_pct: Sequence[float],
    ) -> Self:
        """Make a course of its six parts, each as long as `hours`."""
        volumes = (volume_p10_l, volume_p50_l, volume_p90_l)
        strengths = (concentration_p10_pct, concentration_p50_pct, concentration_p90_pct)
        return cls(hours, array("d", chain(*volumes, *strengths)))

    def _course(self, number: int) -> Sequence[float]:
        length = len(self.hours)
        return self.courses[number * length : (number + 1) * length]

    @property
    def volume_p10_l(self) -> Sequence[float]:
        """Litres that nine in ten are above."""
        return self._course(0)

    @property
    def volume_p50_l(self) -> Sequence[float]:
        """Litres in the middle."""
        return self._course(1)

    @property
    def volume_p90_l(self) -> Sequence[float]:
        """Litres that one in ten is above."""
        return self._course(2)

    @property
    def concentration_p10_pct(self) -> Sequence[float]:
        """Strength that nine in ten are above, %."""
        return self._course(3)

    @property
    def concentration_p50_pct(self) -> Sequence[float]:
        """Strength in the middle, %."""
        return self._course(4)

    @property
    def concentration_p90_pct(self) -> Sequence[float]:
        """Strength that one in ten is above, %."""
        return self._course(5)


@dataclass(frozen=True, slots=True)
class Forecast:
    """When a sump leaves its band if nobody touches it.

    Exits are hours from `made_s`, capped at `horizon_h`; `dots_h` are twenty equally likely exits in rising order.
    A sump outside its band now has 0. `side_share` is the probability of each side within the horizon.
    """

    sump: str
    made_s: float
    horizon_h: float
    exit_p10_h: float
    exit_p50_h: float
    exit_p90_h: float
    side: Side
    side_share: Mapping[Side, float]
    dots_h: Sequence[float]
    path: Path

    def share_before(self, hours: float) -> float:
        """Chance (0..1) that the sump leaves its band within `hours`, read off the twenty dots."""
        return sum(dot < hours for dot in self.dots_h) / len(self.dots_h)
