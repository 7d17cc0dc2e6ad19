"""What the record gives back beside the house's own types: forecasts without their course, thinned curves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from monitor.model.types import Side


class Point(NamedTuple):
    """A signal within one stretch of time: the stretch's middle reading time, lowest, mean and highest value."""

    time_s: float
    low: float
    mean: float
    high: float


@dataclass(frozen=True, slots=True)
class EstimatePoint:
    """The estimate of a sump at `time_s` (or its mean over a stretch): litres, percent, one sigma, litres a day."""

    time_s: float
    volume_l: float
    volume_sd_l: float
    concentration_pct: float
    concentration_sd_pct: float
    evaporation_l_per_day: float
    drag_out_l_per_day: float


@dataclass(frozen=True, slots=True)
class StoredForecast:
    """A forecast as it was made, kept once an hour and sump, without its course. Exits are hours from `made_s`."""

    sump: str
    made_s: float
    horizon_h: float
    exit_p10_h: float
    exit_p50_h: float
    exit_p90_h: float
    side: Side
    side_share: Mapping[Side, float]
    dots_h: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Mishap:
    """Something that happened to the record itself, in words, and what helps."""

    what: str
    remedy: str
