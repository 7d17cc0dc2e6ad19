"""The estimator's state, its order and its prior: one row a sump, one column a quantity.

Columns of `State.mean` (n, 11) and both axes of `State.cov` (n, 11, 11):

    VOLUME      litres in the whole circuit
    STRENGTH    concentration, % by volume
    LN_IDLE     natural log of the evaporation while idle, litres an hour
    LN_RUN      the same while running
    LN_DRAG     natural log of the drag-out while running, litres an hour
    BIAS        what the refractometer reads too much, degrees Brix
    HOLD_UP     litres out of the gauge's sight while running
    WEATHER     log factor on evaporation that the whole hall shares, wanders over days
    JOB         log factor on drag-out of this sump today
    LEAK        litres an hour lost without a machine at work (zero unless something broke)
    VALVE_MIX   strength of what an automatic filling valve adds, %
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from mmap import MAP_ANONYMOUS, MAP_PRIVATE, mmap
from typing import Any, Final, Self

import numpy as np
import numpy.typing as npt

from monitor.plant.reading import Signal
from monitor.plant.types import Plant, Sump

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Flags = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

VOLUME, STRENGTH, LN_IDLE, LN_RUN, LN_DRAG, BIAS, HOLD_UP, WEATHER, JOB, LEAK, VALVE_MIX = range(11)
WIDTH: Final = 11

BIN_S: Final = 900.0
BINS_A_DAY: Final = 96

# Losses of a new sump before it has told us anything, share of full an hour (trade-facts 3.3: 2 to 10 % a working day).
FIRST_IDLE: Final = 0.013 / 24
FIRST_RUN: Final = 0.075 / 24
FIRST_DRAG: Final = 0.042 / 24
CARRY: Final = 1.04  # a little more concentrate than water leaves on parts (design, k >= 1)
DENSE_S: Final = 2700.0
"""Readings further apart lie in no neighbouring bins: taken by hand, or nearly so, each is judged by itself."""
GAUGE_POINTS: Final = 65
HIGHEST: Final = 1.3  # of full
UNTOUCHED_FROM: Final = 1 << 15
STILL_SURFACE: Final = 0.2
"""Litres an hour and square metre from still fluid, where the surface is told. Shah's natural convection (ASHRAE Trans.
120(2), 2014, coefficients from memory) gives 0.22 for water of 28 degC under air of 24 degC and 45 %, other formulas up
to 0.42: a first guess, no more."""


def sumps_last(array: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return a view with the axis of the sumps last instead of first."""
    return array.transpose(*range(1, array.ndim), 0)


def laid_out(array: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return the array as it should lie in memory: the same quantity of all sumps side by side, as a step runs."""
    return np.moveaxis(np.ascontiguousarray(sumps_last(array)), -1, 0)


def zeros(n: int, *shape: int) -> Floats:
    """Return zeros (n, *shape) for n sumps that lie in memory as `laid_out` has them."""
    return np.moveaxis(np.zeros((*shape, n)), -1, 0)


def untouched(*shape: int) -> Floats:
    """Return zeros that take up memory only where somebody writes: pages come from the system one by one."""
    count = math.prod(shape)
    if count < UNTOUCHED_FROM:
        return np.zeros(shape)
    pages = mmap(-1, 8 * count, flags=MAP_PRIVATE | MAP_ANONYMOUS)
    return np.frombuffer(pages, dtype=np.float64).reshape(shape)


def copy_of_touched(array: Floats) -> Floats:
    """Copy an array most of whose rows are zero; those take up no memory in the copy either."""
    copy, rows = untouched(*array.shape), np.flatnonzero(touched(array))
    copy[rows] = array[rows]
    return copy


def touched(array: Floats) -> Flags:
    """Tell of which rows anything is not zero."""
    return np.asarray(array.any(axis=tuple(range(1, array.ndim))))


def added(array: Floats) -> Floats:
    """Return the sums over the second axis, added up one after the other: they hang on nothing else of the array."""
    total = array[:, 0].copy(order="K")
    for column in range(1, array.shape[1]):
        total += array[:, column]
    return total


@dataclass(frozen=True, slots=True)
class Fixed:
    """What the plant file fixes, as arrays over the sumps in the order of `ids`."""

    ids: tuple[str, ...]
    full_l: Floats
    lowest_l: Floats
    factor: Floats  # % a unit of the refractometer signal (1 where the instrument says %)
    low_pct: Floats
    high_pct: Floats
    target_pct: Floats
    leanest_pct: Floats  # the leanest mix that may be filled in
    hold_up_told: Flags
    hold_up_l: Floats
    first_idle_l_per_h: Floats
    has_level: Flags
    has_refractometer: Flags
    has_running: Flags
    has_temperature: Flags
    level_period_s: Floats
    refractometer_period_s: Floats
    gauge_l: Floats  # (n, 65) litres at the showings of `gauge_mm`, both rising
    gauge_mm: Floats  # (n, 65)

    @classmethod
    def of(cls, plant: Plant) -> Self:
        """Read the arrays off a plant."""
        sumps = list(plant.sumps.values())

        def column(pick: object) -> Floats:
            return np.array([pick(s) for s in sumps], dtype=np.float64)  # type: ignore[operator]

        gauges = np.stack([_gauge(s) for s in sumps], axis=1) if sumps else np.zeros((2, 0, GAUGE_POINTS))
        return cls(
            ids=tuple(s.id for s in sumps),
            full_l=column(lambda s: s.full_l),
            lowest_l=column(lambda s: s.lowest_l),
            factor=column(_factor),
            low_pct=column(lambda s: s.fluid.band_pct[0]),
            high_pct=column(lambda s: s.fluid.band_pct[1]),
            target_pct=column(lambda s: s.fluid.target_pct),
            leanest_pct=column(lambda s: s.fluid.leanest_make_up_pct),
            hold_up_told=np.array([s.hold_up_l is not None for s in sumps], dtype=np.bool_),
            hold_up_l=column(lambda s: 0.03 * s.full_l if s.hold_up_l is None else s.hold_up_l),
            first_idle_l_per_h=column(_first_idle),
            has_level=_has(sumps, Signal.LEVEL),
            has_refractometer=_has(sumps, Signal.REFRACTOMETER),
            has_running=_has(sumps, Signal.RUNNING),
            has_temperature=_has(sumps, Signal.COOLANT_TEMPERATURE),
            level_period_s=_periods(sumps, Signal.LEVEL),
            refractometer_period_s=_periods(sumps, Signal.REFRACTOMETER),
            gauge_l=gauges[0],
            gauge_mm=gauges[1],
        )

    def take(self, rows: Ints) -> Self:
        """Return the same for some rows only."""
        values = {f.name: getattr(self, f.name) for f in fields(self) if f.name != "ids"}
        return type(self)(ids=tuple(self.ids[i] for i in rows), **{name: value[rows] for name, value in values.items()})


def _factor(sump: Sump) -> float:
    spec = sump.signals.get(Signal.REFRACTOMETER)
    return 1.0 if spec is not None and spec.unit.canonical == "%" else sump.fluid.refractometer_factor


def _first_idle(sump: Sump) -> float:
    return FIRST_IDLE * sump.full_l if sump.surface_m2 is None else STILL_SURFACE * sump.surface_m2


def _gauge(sump: Sump) -> Floats:
    """Return litres and millimetres of a gauge over its whole range (2, 65); of one that says litres, those alone."""
    spec = sump.signals.get(Signal.LEVEL)
    if spec is not None and spec.unit.canonical == "L":
        litres: Floats = np.linspace(0.0, HIGHEST * sump.full_l, GAUGE_POINTS)
        return np.stack([litres, litres])
    top_mm = sump.tank.level_mm(min(HIGHEST * sump.full_l, sump.tank.capacity_l or np.inf))
    levels: Floats = np.linspace(0.0, top_mm, GAUGE_POINTS)
    return np.stack([np.maximum.accumulate(sump.tank.volumes_l(levels)), levels])


def _has(sumps: list[Sump], signal: Signal) -> Flags:
    return np.array([signal in s.signals for s in sumps], dtype=np.bool_)


def _periods(sumps: list[Sump], signal: Signal) -> Floats:
    return np.array([s.signals[signal].period_s if signal in s.signals else np.inf for s in sumps], dtype=np.float64)
