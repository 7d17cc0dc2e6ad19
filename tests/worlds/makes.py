"""What a hall is made of: the ranges its sumps, sensors and people are drawn from, and the kinds of hall.

Rates are percent of the full volume a day, times hours or minutes as named, noise in the signal's own unit. A pair is
(lowest, highest) of an even draw, on a log scale where the comment says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from tests.benchmarks.recording import Floats

Range = tuple[float, float]


@dataclass(frozen=True)
class Losses:
    """How sumps lose fluid, and how the weather and the jobs move it."""

    idle: Range = (1.2, 3.0)
    running_ratio: Range = (2.2, 7.0)  # log
    drag_out: Range = (2.0, 9.0)  # log; a day of running
    concentrate_share: Range = (0.98, 1.11)
    job_sd: Range = (0.20, 0.35)
    job_memory: float = 0.3
    weather_sd: float = 0.15
    weather_memory: float = 0.6
    diurnal: float = 0.2
    warmest_h: float = 18.0


@dataclass(frozen=True)
class Machines:
    """When pumps run, and what the fluid outside the sump does to the gauge."""

    duties: tuple[str, ...] = ("single-shift", "two-shift", "lights-out")
    share: Range = (0.82, 0.94)
    run_min: float = 165.0
    hold_up: Range = (2.0, 8.0)
    hold_up_told: Range = (0.8, 1.2)
    drain_back_min: Range = (2.0, 8.0)


@dataclass(frozen=True)
class Sensors:
    """Noise, outliers, drift and gaps of level (mm) and refractometer (degrees Brix)."""

    level_idle: Range = (0.85, 2.5)
    level_running: float = 1.9
    level_memory: float = 0.0
    level_tail: float = 0.0  # share of readings drawn with four times the noise
    foam_share: float = 0.003
    foam_mm: Range = (20.0, 85.0)
    brix: Range = (0.05, 0.12)
    chip_share: float = 0.002
    chip_burst: float = 0.1  # share of chips that stay for some readings
    bias: float = 0.17
    drift: float = 0.1  # a square root of a week
    missing: float = 0.028
    gaps: float = 1.0  # a recording
    gap_h: Range = (1.0, 8.0)
    check_sd: float = 0.13


@dataclass(frozen=True)
class People:
    """When people walk round, what makes them act, what they pour in and what they write down."""

    rounds: tuple[str, ...] = ("06:00", "14:00", "21:30")
    notice: float = 0.55
    rich_at: Range = (8.9, 10.1)
    low_at: Range = (0.72, 0.86)
    fill_to: Range = (0.90, 0.99)
    aim_error: float = 0.04
    water_share: float = 0.14
    logged: float = 0.6
    log_volume: float = 0.055
    log_mix: float = 0.05
    log_minutes: Range = (0.0, 20.0)
    buckets: bool = False
    wrong_sump: float = 0.0
    hours_off: float = 0.0
    doubled: float = 0.0
    gallons: float = 0.0
    removals: bool = False


@dataclass(frozen=True)
class Kind:
    """A kind of hall. `events` names the scripts that change the world mid-way (see `scripts`)."""

    name: str
    losses: Losses = field(default_factory=Losses)
    machines: Machines = field(default_factory=Machines)
    sensors: Sensors = field(default_factory=Sensors)
    people: People = field(default_factory=People)
    zone: str = "UTC"
    period_min: int = 5
    running_signal: bool = True
    signals: tuple[str, ...] = ("level", "refractometer")
    hand_times: tuple[str, ...] = ()
    gateway: bool = False
    sites: tuple[str, ...] = ()  # of real weather, see `weather`
    measured_every: int = 2  # where real weather is: a coolant temperature on every so manieth sump
    valves: bool = False
    odd: bool = False
    lone: float = 0.0  # share of sumps without a refractometer, and as many without a level
    leaks: tuple[int, ...] = ()
    events: tuple[str, ...] = ()


def even(rng: np.random.Generator, ends: Range, size: int) -> Floats:
    """Draw evenly between two ends."""
    return np.asarray(rng.uniform(*ends, size))


def log_even(rng: np.random.Generator, ends: Range, size: int) -> Floats:
    """Draw evenly on a log scale between two ends."""
    return np.asarray(np.exp(rng.uniform(math.log(ends[0]), math.log(ends[1]), size)))


PLAIN: Final = Kind("plain", leaks=(3, 17))
OTHER_MAKE: Final = Kind(
    "plain_other_make",
    losses=Losses(
        idle=(0.5, 2.2),
        running_ratio=(1.4, 4.0),
        drag_out=(1.0, 12.0),
        concentrate_share=(1.0, 1.25),
        job_sd=(0.1, 0.5),
        job_memory=0.7,
        weather_sd=0.1,
        weather_memory=0.85,
        diurnal=0.1,
        warmest_h=15.5,
    ),
    machines=Machines(share=(0.6, 0.95), run_min=60.0, hold_up=(1.0, 12.0), drain_back_min=(4.0, 20.0)),
    sensors=Sensors(
        level_idle=(0.4, 1.5),
        level_running=4.0,
        level_memory=0.5,
        level_tail=0.02,
        foam_share=0.008,
        foam_mm=(8.0, 60.0),
        brix=(0.1, 0.3),
        chip_share=0.008,
        chip_burst=0.3,
        bias=0.25,
        drift=0.12,
        missing=0.06,
        gaps=2.5,
        gap_h=(0.5, 14.0),
        check_sd=0.18,
    ),
    people=People(
        rounds=("07:15", "13:40"),
        notice=0.6,
        rich_at=(8.6, 10.2),
        low_at=(0.6, 0.9),
        fill_to=(0.8, 1.0),
        aim_error=0.1,
        water_share=0.05,
        logged=0.5,
        log_volume=0.09,
        log_mix=0.1,
        log_minutes=(-20.0, 90.0),
    ),
    zone="Europe/Lisbon",
    leaks=(3, 17),
)
HABITS: Final = People(
    buckets=True, logged=0.46, wrong_sump=0.13, hours_off=0.14, doubled=0.1, gallons=0.025, removals=True, log_mix=0.06
)
EACH_FAULT: Final = (
    *(
        f"{fault}@{name}"
        for fault in ("stuck_noisy", "drift", "noisy", "scaled")
        for name in ("level", "refractometer")
    ),
    *("swapped@level", "swapped@refractometer", "swapped_both", "running_stuck@running"),
)
HAND: Final = Sensors(
    level_idle=(2.0, 5.0), level_running=1.5, foam_share=0.005, brix=(0.1, 0.2), chip_share=0.01, missing=0.08, gaps=0.0
)
KINDS: Final[dict[str, Kind]] = {
    kind.name: kind
    for kind in (
        PLAIN,
        OTHER_MAKE,
        Kind("norun", period_min=15, running_signal=False, leaks=(3,)),
        Kind("habits", people=HABITS),
        Kind("valves", valves=True),
        Kind("hand", sensors=HAND, running_signal=False, hand_times=("06:30", "10:00", "14:00", "18:00", "21:30")),
        Kind("gateway", gateway=True, period_min=1, sensors=replace(Sensors(), gaps=5.0, gap_h=(0.7, 6.0))),
        Kind("weather", sites=("EWR", "JFK", "LGA")),
        Kind("weather_elsewhere", sites=("sand-point", "greensboro"), measured_every=1),
        Kind("level_only", signals=("level",)),
        Kind("refractometer_only", signals=("refractometer",)),
        Kind("sensors", lone=0.2, events=("stuck", "drift", "swapped")),
        Kind("broken", events=("stuck", "drift", "swapped")),
        Kind("sick", events=EACH_FAULT),
        Kind("changes", events=("job", "shift_plan", "holiday", "slow_leak", "overflow")),
        Kind("odd", odd=True, zone="America/Chicago"),
    )
}
