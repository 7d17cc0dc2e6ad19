"""Run a world: the real course with people in it, and the truth of every forecast moment: the same world untouched.

Balance of a step: dV = -(E + D + L) dt + valve, dM = -(k D + L) M/V dt + valve x mix, with M litres of concentrate.
Column 0 of the state is the real hall; the others are copies taken at the forecast moments that nobody touches
(valves go on working), each watched until it leaves its band or the horizon is over.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tests.worlds.calendar import HORIZON_DAYS, STEP_H, STEPS_A_DAY, Bools, Floats, Grid
from tests.worlds.people import Crew
from tests.worlds.sumps import Sumps

MOMENT_STEPS: Final = STEPS_A_DAY // 4
FIRST_MOMENT: Final = 5 * STEPS_A_DAY
COPIES: Final = HORIZON_DAYS * 4 + 1
VALVE_PER_H: Final = 0.25
LEAST_SHARE: Final = 0.03
SIDES: Final = ("none", "rich", "lean", "low")
FIGURES: Final = (
    "evaporated", "dragged_out", "leaked", "valve", "concentrate_in", "concentrate_out",
)  # fmt: skip


@dataclass(frozen=True)
class Flows:
    """What happens whether or not anybody looks: litres an hour, steps x sumps, and the valve's mix in percent."""

    running: Bools
    evaporation: Floats
    drag_out: Floats
    leak: Floats
    valve_mix: Floats


@dataclass
class Course:
    """The real course (steps x sumps, at the start of each step) and the exits.

    `volume` and `concentrate` include what people do at that step; `before` (both, one row more) does not.
    """

    volume: Floats
    concentrate: Floats
    before: tuple[Floats, Floats]
    totals: dict[str, Floats]
    moments: list[int]
    exit_h: Floats  # moments x sumps, NaN beyond the horizon
    exit_side: NDArray[np.int64]


@dataclass
class Copies:
    """The untouched copies that are still being watched."""

    course: Course
    sumps: Sumps
    watched: Bools
    born: NDArray[np.int64]
    moment: NDArray[np.int64]

    def add(self, step: int, volume: Floats, concentrate: Floats) -> None:
        """Copy the real hall into the oldest place."""
        number = len(self.course.moments)
        place = number % COPIES
        self.course.moments.append(step)
        volume[:, 1 + place], concentrate[:, 1 + place] = volume[:, 0], concentrate[:, 0]
        self.watched[:, place] = True
        self.born[place], self.moment[place] = step, number

    def look(self, step: int, volume: Floats, concentrate: Floats) -> None:
        """Note which copies have left their band."""
        strength = 100 * concentrate[:, 1:] / volume[:, 1:]
        side = np.where(
            strength > self.sumps.high_pct[:, None],
            1,
            np.where(
                strength < self.sumps.low_pct[:, None],
                2,
                np.where(volume[:, 1:] < self.sumps.lowest_l[:, None], 3, 0),
            ),
        )
        self.watched &= step - self.born <= HORIZON_DAYS * STEPS_A_DAY
        left = self.watched & (side > 0)
        if left.any():
            sump, place = np.nonzero(left)
            self.course.exit_h[self.moment[place], sump] = (step - self.born[place]) * STEP_H
            self.course.exit_side[self.moment[place], sump] = side[sump, place]
            self.watched &= ~left


def run(grid: Grid, sumps: Sumps, flows: Flows, crew: Crew, start: tuple[Floats, Floats]) -> Course:
    """Run the world through the recording and ten days beyond it; `start` is volume (L) and strength (%)."""
    volume = np.repeat(start[0][:, None], 1 + COPIES, axis=1)
    concentrate = volume * start[1][:, None] / 100
    course = _empty(grid, len(sumps))
    copies = Copies(
        course,
        sumps,
        np.zeros((len(sumps), COPIES), bool),
        np.zeros(COPIES, int),
        np.zeros(COPIES, int),
    )
    for step in range(grid.steps):
        if step <= grid.recorded:
            course.before[0][step], course.before[1][step] = volume[:, 0], concentrate[:, 0]
        if step < grid.recorded:
            _live(step, volume, concentrate, crew, copies)
        copies.look(step, volume, concentrate)
        out = _advance(step, sumps, flows, volume, concentrate)
        if step < grid.recorded:
            for name, amount in zip(FIGURES, out, strict=True):
                course.totals[name][step] = amount
    return course


def _empty(grid: Grid, count: int) -> Course:
    moments = len(range(FIRST_MOMENT, grid.recorded, MOMENT_STEPS))
    shape = (grid.recorded, count)
    return Course(
        np.empty(shape),
        np.empty(shape),
        (np.empty((shape[0] + 1, count)), np.empty((shape[0] + 1, count))),
        {name: np.zeros(shape) for name in FIGURES},
        [],
        np.full((moments, count), np.nan),
        np.zeros((moments, count), int),
    )


def _live(step: int, volume: Floats, concentrate: Floats, crew: Crew, copies: Copies) -> None:
    crew.visit(step, volume[:, 0], concentrate[:, 0])
    copies.course.volume[step], copies.course.concentrate[step] = volume[:, 0], concentrate[:, 0]
    if step >= FIRST_MOMENT and step % MOMENT_STEPS == 0:
        copies.add(step, volume, concentrate)


def _advance(step: int, sumps: Sumps, flows: Flows, volume: Floats, concentrate: Floats) -> tuple[Floats, ...]:
    """Move the state on by a step, in place, and return what left and came in the real hall."""
    least = LEAST_SHARE * sumps.full_l[:, None]
    wet = np.clip((volume - least) / least, 0.0, 1.0)
    evaporated = flows.evaporation[step][:, None] * STEP_H * wet
    dragged = flows.drag_out[step][:, None] * STEP_H * wet
    leaked = flows.leak[step][:, None] * STEP_H * wet
    gone = (sumps.concentrate_share[:, None] * dragged + leaked) * concentrate / volume
    volume -= evaporated + dragged + leaked
    concentrate -= gone
    valve = _valve(step, sumps, flows, volume)
    brought = valve * flows.valve_mix[step][:, None] / 100
    volume += valve
    concentrate += brought
    return tuple(part[:, 0] for part in (evaporated, dragged, leaked, valve, brought, gone))


def _valve(step: int, sumps: Sumps, flows: Flows, volume: Floats) -> Floats:
    """Return what float valves let in: they see the fluid in the sump, without what the running pump holds up."""
    seen = volume - (sumps.hold_up_l * flows.running[step])[:, None]
    is_open = (seen < sumps.valve_set_l[:, None]) & (sumps.valve > 0)[:, None]
    return np.asarray(np.where(is_open, (VALVE_PER_H * STEP_H * sumps.full_l)[:, None], 0.0))
