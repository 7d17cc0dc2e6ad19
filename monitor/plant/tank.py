"""Tanks: from the level on the gauge to litres and back.

Heights are millimetres above the tank's lowest inner point, volumes litres, areas litres per millimetre (that is,
square metres). A level outside the tank gives NaN, never a guess; sensors are forgiven `LEVEL_TOLERANCE_MM` at either
end, where the level counts as empty or full. Formulas are those of partly filled vessels in the chemical engineering
handbooks; the two dished, elliptical (2:1) or hemispherical ends of a horizontal cylinder together hold
`factor * h^2 * (1.5 D - h)`, exact for the latter two and the usual approximation for dished ends (dish radius = D).
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

LEVEL_TOLERANCE_MM: Final = 2.0
_MM3_PER_L: Final = 1.0e6
_INVERSE_MM: Final = 1.0e-7
_VOLUME_SLACK: Final = 1.0e-9

Floats = NDArray[np.float64]
Ends = Literal["flat", "dished", "elliptical", "hemispherical"]
_END_FACTOR: Final[dict[str, float]] = {
    "flat": 0.0,
    "dished": 0.215483,
    "elliptical": math.pi / 6,
    "hemispherical": math.pi / 3,
}


class Tank(Protocol):
    """What the rest of the house asks of a tank."""

    @property
    def height_mm(self) -> float | None:
        """Greatest level the shape knows; None if it has no top."""

    @property
    def capacity_l(self) -> float | None:
        """Volume at `height_mm`; None if the shape has no top."""

    def volume_l(self, level_mm: float) -> float:
        """Return the litres at a level, NaN outside the tank."""

    def level_mm(self, volume_l: float) -> float:
        """Return the level at which the tank holds `volume_l`, NaN if it never does."""

    def area_l_per_mm(self, level_mm: float) -> float:
        """Return how many litres a millimetre holds at a level, NaN outside the tank."""

    def volumes_l(self, levels_mm: Floats) -> Floats:
        """Return the litres at many levels (any shape of array), NaN outside the tank."""


def _inside(level_mm: float, low_mm: float, high_mm: float) -> float:
    """Return the level clipped to the tank, NaN if it is outside by more than the tolerance."""
    if low_mm <= level_mm <= high_mm:
        return level_mm
    if low_mm - LEVEL_TOLERANCE_MM <= level_mm < low_mm:
        return low_mm
    if high_mm < level_mm <= high_mm + LEVEL_TOLERANCE_MM:
        return high_mm
    return math.nan


def _all_inside(levels_mm: Floats, low_mm: float, high_mm: float) -> Floats:
    """Do `_inside` for an array."""
    levels = np.asarray(levels_mm, dtype=np.float64)
    near = (levels >= low_mm - LEVEL_TOLERANCE_MM) & (levels <= high_mm + LEVEL_TOLERANCE_MM)
    return np.where(near, np.clip(levels, low_mm, high_mm), np.nan)


def _positive(**sizes: float) -> None:
    """Refuse sizes that no tank has."""
    for name, size in sizes.items():
        if not (math.isfinite(size) and size > 0):
            raise ValueError(f"{name} must be more than 0")


@dataclass(frozen=True, slots=True)
class PerHeight:
    """A tank with upright walls: so many litres a millimetre, no top."""

    l_per_mm: float

    def __post_init__(self) -> None:
        _positive(l_per_mm=self.l_per_mm)

    @property
    def height_mm(self) -> float | None:
        """None: no top."""
        return None

    @property
    def capacity_l(self) -> float | None:
        """None: no top."""
        return None

    def volume_l(self, level_mm: float) -> float:
        """V = area * h."""
        return self.l_per_mm * _inside(level_mm, 0.0, math.inf)

    def level_mm(self, volume_l: float) -> float:
        """Return h = V / area."""
        return volume_l / self.l_per_mm if volume_l >= 0 else math.nan

    def area_l_per_mm(self, level_mm: float) -> float:
        """Return the constant area, NaN below the bottom."""
        return self.l_per_mm + 0.0 * _inside(level_mm, 0.0, 1e300)

    def volumes_l(self, levels_mm: Floats) -> Floats:
        """V = area * h for an array."""
        return self.l_per_mm * _all_inside(levels_mm, 0.0, math.inf)


class Box(PerHeight):
    """A rectangular tank: V = length * width * h."""

    __slots__ = ()

    def __init__(self, length_mm: float, width_mm: float) -> None:
        _positive(length_mm=length_mm, width_mm=width_mm)
        super().__init__(length_mm * width_mm / _MM3_PER_L)


class VerticalCylinder(PerHeight):
    """An upright cylinder with a flat bottom: V = pi R^2 h."""

    __slots__ = ()

    def __init__(self, diameter_mm: float) -> None:
        _positive(diameter_mm=diameter_mm)
        super().__init__(math.pi * diameter_mm**2 / 4 / _MM3_PER_L)


@dataclass(frozen=True, slots=True)
class Table:
    """A strapping table: both columns rise strictly, straight lines between the points, nothing beyond them."""

    levels_mm: tuple[float, ...]
    known_l: tuple[float, ...]

    def __post_init__(self) -> None:
        if len(self.levels_mm) != len(self.known_l) or len(self.levels_mm) < 2:
            raise ValueError("a table needs at least two pairs of level and volume")
        for column in (self.levels_mm, self.known_l):
            if any(b <= a for a, b in pairwise(column)):
                raise ValueError("levels and volumes of a table must both rise from row to row")
        if self.levels_mm[0] < 0 or self.known_l[0] < 0:
            raise ValueError("levels and volumes of a table start at 0 or above")

    @property
    def height_mm(self) -> float | None:
        """Return the last level of the table."""
        return self.levels_mm[-1]

    @property
    def capacity_l(self) -> float | None:
        """Return the last volume of the table."""
        return self.known_l[-1]

    def volume_l(self, level_mm: float) -> float:
        """Interpolate the volume."""
        level = _inside(level_mm, self.levels_mm[0], self.levels_mm[-1])
        return math.nan if math.isnan(level) else _interpolate(level, self.levels_mm, self.known_l)

    def level_mm(self, volume_l: float) -> float:
        """Interpolate the level."""
        if not self.known_l[0] <= volume_l <= self.known_l[-1]:
            return math.nan
        return _interpolate(volume_l, self.known_l, self.levels_mm)

    def area_l_per_mm(self, level_mm: float) -> float:
        """Return the slope of the piece at the level; at a point of the table, of the piece above it."""
        level = _inside(level_mm, self.levels_mm[0], self.levels_mm[-1])
        if math.isnan(level):
            return math.nan
        i = _piece(level, self.levels_mm)
        return (self.known_l[i + 1] - self.known_l[i]) / (self.levels_mm[i + 1] - self.levels_mm[i])

    def volumes_l(self, levels_mm: Floats) -> Floats:
        """Interpolate an array."""
        return np.interp(_all_inside(levels_mm, self.levels_mm[0], self.levels_mm[-1]), self.levels_mm, self.known_l)


def _piece(x: float, xs: tuple[float, ...]) -> int:
    return min(max(bisect_right(xs, x) - 1, 0), len(xs) - 2)


def _interpolate(x: float, xs: tuple[float, ...], ys: tuple[float, ...]) -> float:
    i = _piece(x, xs)
    share = (x - xs[i]) / (xs[i + 1] - xs[i])
    return ys[i] * (1 - share) + ys[i + 1] * share


@dataclass(frozen=True, slots=True)
class HorizontalCylinder:
    """A lying cylinder; `length_mm` is its straight part, the ends come on top of it."""

    diameter_mm: float
    length_mm: float
    ends: Ends = "flat"
    _end_factor: float = field(init=False, repr=False, default=0.0)

    def __post_init__(self) -> None:
        _positive(diameter_mm=self.diameter_mm, length_mm=self.length_mm)
        if self.ends not in _END_FACTOR:
            raise ValueError(f"ends are one of {', '.join(_END_FACTOR)}")
        object.__setattr__(self, "_end_factor", _END_FACTOR[self.ends])

    @property
    def height_mm(self) -> float | None:
        """Return the diameter."""
        return self.diameter_mm

    @property
    def capacity_l(self) -> float | None:
        """Return the volume when full."""
        return self._volume(self.diameter_mm)

    def volume_l(self, level_mm: float) -> float:
        """V = L [R^2 acos((R-h)/R) - (R-h) sqrt(2Rh - h^2)] + ends."""
        return self._volume(_inside(level_mm, 0.0, self.diameter_mm))

    def level_mm(self, volume_l: float) -> float:
        """Invert `volume_l` to a millionth of a millimetre."""
        return _inverse(volume_l, self.diameter_mm, self._volume, self._area)

    def area_l_per_mm(self, level_mm: float) -> float:
        """Return the surface: 2 L sqrt(2Rh - h^2) + ends' 3 factor h (D - h)."""
        return self._area(_inside(level_mm, 0.0, self.diameter_mm))

    def volumes_l(self, levels_mm: Floats) -> Floats:
        """Do `volume_l` for an array."""
        h = _all_inside(levels_mm, 0.0, self.diameter_mm)
        r = self.diameter_mm / 2
        root = np.sqrt(np.maximum(h * (self.diameter_mm - h), 0.0))
        circle = r * r * np.arccos(np.clip((r - h) / r, -1.0, 1.0)) - (r - h) * root
        ends = self._end_factor * h * h * (1.5 * self.diameter_mm - h)
        return np.asarray((self.length_mm * circle + ends) / _MM3_PER_L, dtype=np.float64)

    def _volume(self, h: float) -> float:
        r = self.diameter_mm / 2
        if math.isnan(h):
            return math.nan
        root = math.sqrt(max(h * (self.diameter_mm - h), 0.0))
        circle = r * r * math.acos(min(max((r - h) / r, -1.0), 1.0)) - (r - h) * root
        return (self.length_mm * circle + self._end_factor * h * h * (1.5 * self.diameter_mm - h)) / _MM3_PER_L

    def _area(self, h: float) -> float:
        if math.isnan(h):
            return math.nan
        chord = 2 * math.sqrt(max(h * (self.diameter_mm - h), 0.0))
        return (self.length_mm * chord + 3 * self._end_factor * h * (self.diameter_mm - h)) / _MM3_PER_L


@dataclass(frozen=True, slots=True)
class Cone:
    """A cone standing on its apex, `diameter_mm` wide at `height_mm`: V = pi R^2 h^3 / (3 a^2)."""

    diameter_mm: float
    height: float

    def __post_init__(self) -> None:
        _positive(diameter_mm=self.diameter_mm, height=self.height)

    @property
    def height_mm(self) -> float | None:
        """Return the height of the cone."""
        return self.height

    @property
    def capacity_l(self) -> float | None:
        """Return the volume when full."""
        return self.volume_l(self.height)

    @property
    def _l_per_mm3(self) -> float:
        return math.pi * self.diameter_mm**2 / (12 * self.height**2) / _MM3_PER_L

    def volume_l(self, level_mm: float) -> float:
        """Return the litres below the level."""
        return self._l_per_mm3 * _inside(level_mm, 0.0, self.height) ** 3

    def level_mm(self, volume_l: float) -> float:
        """Invert in closed form: the cube root."""
        if not 0 <= volume_l <= self._l_per_mm3 * self.height**3 * (1 + _VOLUME_SLACK):
            return math.nan
        return min(math.cbrt(volume_l / self._l_per_mm3), self.height)

    def area_l_per_mm(self, level_mm: float) -> float:
        """Return the surface at the level."""
        return 3 * self._l_per_mm3 * _inside(level_mm, 0.0, self.height) ** 2

    def volumes_l(self, levels_mm: Floats) -> Floats:
        """Do `volume_l` for an array."""
        return np.asarray(self._l_per_mm3 * _all_inside(levels_mm, 0.0, self.height) ** 3, dtype=np.float64)


def _inverse(
    wanted_l: float, height_mm: float, volume: Callable[[float], float], area: Callable[[float], float]
) -> float:
    """Find the level by Newton's steps, halving the bracket where a step would leave it."""
    capacity = volume(height_mm)
    if not 0 <= wanted_l <= capacity * (1 + _VOLUME_SLACK):
        return math.nan
    if wanted_l >= capacity:
        return height_mm
    low, high, level = 0.0, height_mm, height_mm * wanted_l / capacity
    while high - low > _INVERSE_MM:
        excess = volume(level) - wanted_l
        low, high = (low, level) if excess > 0 else (level, high)
        slope = area(level)
        step = excess / slope if slope > 0 else math.inf
        if abs(step) < _INVERSE_MM:
            return min(max(level - step, 0.0), height_mm)
        level -= step
        if not low < level < high:
            level = (low + high) / 2
    return (low + high) / 2
