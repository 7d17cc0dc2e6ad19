"""Minerals: hardness stays behind when water evaporates, so the make-up water decides where it ends.

The algebra is a cooling tower's (drag-out is the blowdown): a sump held at its level with water of hardness H_w,
losing the shares e (evaporation) and d (drag-out) of its volume a day, has `H(t) = H_w [(e + d) / d - (e / d) exp(-d
t)]` after t days from a fresh fill, and ends at `H_w (1 + E / D)`. Hardness is ppm as CaCO3; the water share of the
mix is taken as one.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from monitor.plant.types import Plant, Sump, Water


def hardness_after(water_ppm: float, evaporation_share: float, drag_out_share: float, days: float) -> float:
    """Hardness of a sump held at its level, `days` after a fresh fill with the same water (shares of volume a day)."""
    return value_after(water_ppm, water_ppm, evaporation_share, drag_out_share, days)


def value_after(start: float, brought: float, evaporation_share: float, drag_out_share: float, days: float) -> float:
    """Return a mineral `days` after it was `start`, in a sump held at its level with water that brings `brought`.

    `dH/dt = w (e + d) - d H`, so `H(t) = H_s + (H_0 - H_s) exp(-d t)` with `H_s = w (1 + e / d)`; without drag-out it
    rises by `w e` a day.
    """
    if drag_out_share <= 0.0:
        return start + brought * evaporation_share * days
    steady = brought * (1.0 + evaporation_share / drag_out_share)
    return steady + (start - steady) * math.exp(-drag_out_share * days)


def days_until(limit: float, start: float, brought: float, evaporation_share: float, drag_out_share: float) -> float:
    """Return after how many days a mineral passes a limit: 0 where it has already, infinite where it never does."""
    if start >= limit:
        return 0.0
    if drag_out_share <= 0.0:
        rise = brought * evaporation_share
        return math.inf if rise <= 0.0 else (limit - start) / rise
    steady = brought * (1.0 + evaporation_share / drag_out_share)
    return math.inf if steady <= limit else math.log((steady - start) / (steady - limit)) / drag_out_share


def steady_hardness(water_ppm: float, evaporation: float, drag_out: float) -> float:
    """Hardness the sump ends at; infinite without drag-out (nothing carries the minerals out)."""
    if water_ppm <= 0.0:
        return 0.0
    return math.inf if drag_out <= 0.0 else water_ppm * (1.0 + evaporation / drag_out)


def soft_share(limit_ppm: float, hard_ppm: float, soft_ppm: float, cycles: float) -> float | None:
    """Share (0..1) of the softer water that keeps the steady hardness at the limit; None where even all of it does not.

    `cycles` is how often the make-up's minerals are concentrated: `1 + E / D`.
    """
    allowed = 0.0 if math.isinf(cycles) else limit_ppm / cycles
    if hard_ppm <= allowed:
        return 0.0
    return None if soft_ppm > allowed else (hard_ppm - allowed) / (hard_ppm - soft_ppm)


@dataclass(frozen=True, slots=True)
class WaterChoice:
    """The water to mix with (None: the plant file names none), and why it is not the sump's own."""

    water: Water | None
    why: str = ""


def choose_water(plant: Plant, sump: Sump, evaporation: float, drag_out: float) -> WaterChoice:
    """Choose the sump's own water, or the softest at hand where its own would end above the fluid's hardness limit."""
    softest = _softest(plant.waters.values())
    own, limit = sump.make_up_water, sump.fluid.hardness_limit_ppm
    if own is None:
        return WaterChoice(softest)
    if limit is None or evaporation + drag_out <= 0.0 or softest is None or softest.hardness_ppm >= own.hardness_ppm:
        return WaterChoice(own)
    end = steady_hardness(own.hardness_ppm, evaporation, drag_out)
    if end <= limit:
        return WaterChoice(own)
    where = "without end" if math.isinf(end) else f"to about {end:.0f} ppm"
    why = f"With {own.id} water the hardness would rise {where}, above the limit of {limit:.0f} ppm: use {softest.id}."
    return WaterChoice(softest, why)


def _softest(waters: Iterable[Water]) -> Water | None:
    return min(waters, key=lambda water: (water.hardness_ppm, water.id), default=None)
