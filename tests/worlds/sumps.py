"""The machines of a hall: constants drawn once a sump, and when each one really runs.

All arrays have one element a sump unless their shape is told; rates are litres an hour.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.recording import litres
from tests.benchmarks.tanks import volume_at
from tests.worlds.calendar import STEP_MIN, STEPS_A_DAY, Bools, Floats, Grid
from tests.worlds.makes import Kind, even, log_even
from tests.worlds.odd import odd_fluid, odd_tank
from tests.worlds.things import Fluid, Tank

FULLS_L: Final = (120.0, 180.0, 200.0, 280.0, 400.0, 560.0, 900.0)
FACTORS: Final = (1.0, 1.2, 1.5, 1.8)
TALLEST_MM: Final = 4000.0


@dataclass(frozen=True)
class Sumps:
    """What is constant of each sump."""

    ids: list[str]
    fluids: list[Fluid]
    tanks: list[Tank]
    duty: list[str]
    full_l: Floats
    lowest_l: Floats
    low_pct: Floats
    high_pct: Floats
    target_pct: Floats
    idle: Floats
    running_ratio: Floats
    drag_out: Floats
    concentrate_share: Floats
    job_sd: Floats
    share: Floats
    hold_up_l: Floats
    hold_up_told_l: Floats
    drain_back_min: Floats
    valve: NDArray[np.int64]  # 0 none, 1 mains, 2 proportioner
    valve_set_l: Floats
    has: dict[str, Bools]  # which sumps have a level and which a refractometer

    def __len__(self) -> int:
        return len(self.ids)


def draw(kind: Kind, count: int, rng: np.random.Generator) -> Sumps:
    """Draw the sumps of a hall."""
    fluids = [odd_fluid(rng) if kind.odd else plain_fluid(rng) for _ in range(count)]
    tanks = [odd_tank(rng) if kind.odd else plain_tank(rng) for _ in range(count)]
    full, lowest = (np.array([litres(text) for text in texts]) for texts in _fulls(tanks))
    hold_up = even(rng, kind.machines.hold_up, count) / 100 * full
    per_hour = full / 100 / 24
    return Sumps(
        ids=[f"mc-{i:03d}" for i in range(count)],
        fluids=fluids,
        tanks=tanks,
        duty=[str(rng.choice(kind.machines.duties)) for _ in range(count)],
        full_l=full,
        lowest_l=lowest,
        low_pct=np.array([fluid.band[0] for fluid in fluids]),
        high_pct=np.array([fluid.band[1] for fluid in fluids]),
        target_pct=np.array([fluid.target for fluid in fluids]),
        idle=even(rng, kind.losses.idle, count) * per_hour,
        running_ratio=log_even(rng, kind.losses.running_ratio, count),
        drag_out=log_even(rng, kind.losses.drag_out, count) * per_hour,
        concentrate_share=even(rng, kind.losses.concentrate_share, count),
        job_sd=even(rng, kind.losses.job_sd, count),
        share=even(rng, kind.machines.share, count),
        hold_up_l=hold_up,
        hold_up_told_l=hold_up * even(rng, kind.machines.hold_up_told, count),
        drain_back_min=even(rng, kind.machines.drain_back_min, count),
        valve=_valves(kind, count, rng),
        valve_set_l=full * even(rng, (0.80, 0.89), count),
        has=_gauges(kind, count, rng),
    )


def _fulls(tanks: list[Tank]) -> tuple[list[str], list[str]]:
    return [tank.full for tank in tanks], [tank.lowest for tank in tanks]


def _valves(kind: Kind, count: int, rng: np.random.Generator) -> NDArray[np.int64]:
    kinds = rng.permutation(np.arange(count) % 3)
    return np.asarray(kinds if kind.valves else np.zeros(count, int))


def _gauges(kind: Kind, count: int, rng: np.random.Generator) -> dict[str, Bools]:
    """Return which sumps have which gauge: those of the kind, less one of them for the lone ones."""
    place = rng.permutation(count) / count
    has = {name: np.full(count, name in kind.signals) for name in ("level", "refractometer")}
    has["refractometer"] &= place >= kind.lone
    has["level"] &= (place < kind.lone) | (place >= 2 * kind.lone)
    return has


def plain_fluid(rng: np.random.Generator) -> Fluid:
    """Draw one of the four ordinary fluids."""
    factor = float(rng.choice(FACTORS))
    return Fluid(f"factor-{factor * 10:.0f}", factor, (6.0, 10.0), 8.0)


def plain_tank(rng: np.random.Generator) -> Tank:
    """Draw an ordinary sump: straight walls, 280 to 420 mm of fluid when full."""
    full = float(rng.choice(FULLS_L))
    return Tank(f"{full:.1f} L", f"{full / 2:.1f} L", {"per_height": f"{full / rng.uniform(280, 420):.5f} L/mm"})


def height_of(tank: Tank, volume_l: Floats) -> Floats:
    """Return the level in the gauge's own unit at volumes in litres."""
    heights = np.linspace(0.0, TALLEST_MM, 40_001)
    volumes = np.maximum.accumulate(volume_at(tank.volume, heights))
    rising = np.concatenate([[True], np.diff(volumes) > 0])
    millimetre = 25.4 if tank.level_unit == "in" else 1.0
    return np.asarray(np.interp(volume_l, volumes[rising], heights[rising]) / millimetre)


def runs(grid: Grid, expected: Bools, sumps: Sumps, run_min: float, rng: np.random.Generator) -> Bools:
    """Return when pumps run: inside the expected hours, stopped now and then so that each sump keeps its own share."""
    stop_min = run_min * (1 - sumps.share) / sumps.share
    stops, starts = (1 - np.exp(-STEP_MIN / mean) for mean in (np.full(len(sumps), run_min), stop_min))
    chance = rng.random(expected.shape)
    fresh = rng.random(expected.shape) < sumps.share
    running = np.zeros(expected.shape, bool)
    now = np.zeros(len(sumps), bool)
    before = np.zeros(len(sumps), bool)
    for step in range(grid.steps):
        goes_on = np.where(now, chance[step] >= stops, chance[step] < starts)
        now = expected[step] & np.where(before, goes_on, fresh[step])
        before = expected[step]
        running[step] = now
    return running


def jobs(grid: Grid, sumps: Sumps, memory: float, rng: np.random.Generator) -> Floats:
    """Return the factor of the day's jobs on drag-out, steps x sumps: constant through a local day."""
    days = grid.steps // STEPS_A_DAY + 2
    shocks = rng.normal(size=(days, len(sumps)))
    level = np.empty((days, len(sumps)))
    level[0] = shocks[0]
    for day in range(1, days):
        level[day] = memory * level[day - 1] + np.sqrt(1 - memory**2) * shocks[day]
    daily = np.exp(level * sumps.job_sd - 0.5 * sumps.job_sd**2)
    return np.asarray(daily[grid.local_day + 1])
