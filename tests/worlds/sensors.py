"""What the instruments say of a course: level, refractometer, running and coolant temperature, with all their faults.

Signals are steps x sumps in their own units; `Samples` are the readings that arrive, in order of arrival.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from tests.worlds.calendar import ATTENDED, STEP_MIN, STEPS_A_DAY, Bools, Floats, Grid
from tests.worlds.course import Course
from tests.worlds.makes import Kind, Sensors, even
from tests.worlds.sumps import Sumps, height_of

HAND_LEVEL_STEP: Final = 5.0
HAND_BRIX_STEP: Final = 0.2
HEARTBEAT_STEPS: Final = 60 // STEP_MIN
CHIP_READS: Final = (0.05, 0.7)
CHIP_STAYS: Final = (3, 12)
LATEST_S: Final = 55 * 60
LATE_SHARE: Final = 0.15
DOUBLED_SHARE: Final = 0.03


@dataclass(frozen=True)
class Samples:
    """Readings of one signal: seconds from the start, sump number, value."""

    signal: str
    time_s: NDArray[np.int64]
    sump: NDArray[np.int64]
    value: Floats
    digits: NDArray[np.int64]


@dataclass(frozen=True)
class Arrivals:
    """All readings of a recording in order of arrival."""

    signal: NDArray[np.str_]
    time_s: NDArray[np.int64]
    sump: NDArray[np.int64]
    value: Floats
    digits: NDArray[np.int64]


def held_up(sumps: Sumps, running: Bools) -> Floats:
    """Return litres out of the sump: drawn up within a step of the start, draining back over minutes after a stop."""
    keeps = np.exp(-STEP_MIN / sumps.drain_back_min)
    held = np.empty(running.shape)
    now = sumps.hold_up_l * running[0]
    for step in range(len(running)):
        now = np.where(running[step], sumps.hold_up_l, now * keeps)
        held[step] = now
    return held


def ideal(grid: Grid, sumps: Sumps, course: Course, running: Bools) -> dict[str, Floats]:
    """Return what faultless instruments would show: level in the gauge's unit, degrees Brix."""
    there = course.volume - held_up(sumps, running[: grid.recorded])
    level = np.stack([height_of(tank, there[:, i]) for i, tank in enumerate(sumps.tanks)], axis=1)
    factor = np.array([fluid.factor for fluid in sumps.fluids])
    return {"level": level, "refractometer": 100 * course.concentrate / course.volume / factor}


def drifts(grid: Grid, sensors: Sensors, count: int, rng: np.random.Generator) -> Floats:
    """Return the refractometers' bias in degrees Brix: a start and a random walk."""
    step_sd = sensors.drift / np.sqrt(7 * STEPS_A_DAY)
    walk = np.cumsum(rng.normal(size=(grid.recorded, count)) * step_sd, axis=0)
    return np.asarray(walk + rng.normal(size=count) * sensors.bias)


def level_noise(shape: tuple[int, int], running: Bools, sensors: Sensors, rng: np.random.Generator) -> Floats:
    """Return the noise of the levels in millimetres: waves while running, foam now and then."""
    idle_sd = even(rng, sensors.level_idle, shape[1])
    white = rng.normal(size=shape)
    memory = sensors.level_memory
    if memory:
        white = np.asarray(lfilter([np.sqrt(1 - memory**2)], [1.0, -memory], white, axis=0))
    sd = idle_sd * np.where(running, sensors.level_running, 1.0)
    sd = np.where(rng.random(shape) < sensors.level_tail, 4 * sd, sd)
    foam = np.where(rng.random(shape) < sensors.foam_share, rng.uniform(*sensors.foam_mm, shape), 0.0)
    return np.asarray(white * sd + foam)


def chips(shape: tuple[int, int], sensors: Sensors, rng: np.random.Generator) -> Floats:
    """Return what share of the true reading is left where chips lie on the prism (1 elsewhere)."""
    left = np.where(rng.random(shape) < sensors.chip_share, rng.uniform(*CHIP_READS, shape), 1.0)
    for row, sump in zip(*np.nonzero(left < 1.0), strict=True):
        if rng.random() < sensors.chip_burst:
            left[row : row + int(rng.integers(*CHIP_STAYS)), sump] = left[row, sump]
    return np.asarray(left)


def _rows_of(kind: Kind, grid: Grid, rng: np.random.Generator) -> NDArray[np.int64]:
    """Return the minutes at which a gauge is read."""
    if kind.hand_times:
        at = grid.at_clock(kind.hand_times) & grid.within(ATTENDED[0], "00:00", "24:00")
        steps = np.flatnonzero(at[: grid.recorded])
        return np.asarray(
            np.clip(steps * STEP_MIN + rng.integers(-15, 16, len(steps)), 0, grid.recorded * STEP_MIN - 1)
        )
    return np.arange(0, grid.recorded * STEP_MIN, kind.period_min)


def _kept(minutes: NDArray[np.int64], count: int, sensors: Sensors, rng: np.random.Generator) -> Bools:
    """Return which readings arrive at all: single ones are missing, gateways are silent for hours."""
    kept = rng.random((len(minutes), count)) >= sensors.missing
    for sump in range(count):
        for _ in range(rng.poisson(sensors.gaps)):
            start = rng.integers(0, minutes[-1])
            away = (minutes >= start) & (minutes < start + 60 * rng.uniform(*sensors.gap_h))
            kept[away, sump] = False
    return kept


def gauge(
    kind: Kind,
    grid: Grid,
    sumps: Sumps,
    shown: dict[str, Floats],
    running: Bools,
    stuck: dict[str, Bools],
    rough: dict[str, Floats],
    rng: np.random.Generator,
) -> list[Samples]:
    """Return the readings of level and refractometer.

    Where a signal is `stuck` it shows no noise either, elsewhere its noise is multiplied by `rough`.
    """
    minutes = _rows_of(kind, grid, rng)
    step, shape = minutes // STEP_MIN, (len(minutes), len(sumps))
    kept = _kept(minutes, len(sumps), kind.sensors, rng)
    alive = {name: ~mask[step] for name, mask in stuck.items()}
    loud = {name: alive[name] * rough[name][step] for name in alive}
    noise = level_noise(shape, running[step], kind.sensors, rng) / _unit_mm(sumps)
    fuzz = rng.normal(size=shape) * even(rng, kind.sensors.brix, len(sumps))
    left = np.where(alive["refractometer"], chips(shape, kind.sensors, rng), 1.0)
    values = {
        "level": shown["level"][step] + loud["level"] * noise,
        "refractometer": shown["refractometer"][step] * left + loud["refractometer"] * fuzz,
    }
    smallest = {
        "level": np.array([HAND_LEVEL_STEP if kind.hand_times else tank.resolution for tank in sumps.tanks]),
        "refractometer": np.full(len(sumps), HAND_BRIX_STEP if kind.hand_times else 0.1),
    }
    made = []
    for name in kind.signals:
        single = rng.random(shape) >= kind.sensors.missing
        value = np.maximum(values[name], 0.0)
        made.append(_samples(name, minutes, kept & single & sumps.has[name], value, smallest[name]))
    return made


def _unit_mm(sumps: Sumps) -> Floats:
    """Return the millimetres of each gauge's unit."""
    return np.array([25.4 if tank.level_unit == "in" else 1.0 for tank in sumps.tanks])


def _samples(name: str, minutes: NDArray[np.int64], kept: Bools, value: Floats, smallest: Floats) -> Samples:
    row, sump = np.nonzero(kept)
    size = smallest[sump]
    rounded = np.rint(value[row, sump] / size) * size
    return Samples(name, minutes[row] * 60, sump, rounded, np.where(size < 0.1, 2, 1))


def running_signal(grid: Grid, running: Bools) -> Samples:
    """Return the running signal: said on every change and every hour."""
    states = running[: grid.recorded]
    changed = np.concatenate([np.ones((1, states.shape[1]), bool), states[1:] != states[:-1]])
    changed[::HEARTBEAT_STEPS] = True
    step, sump = np.nonzero(changed)
    return Samples(
        "running", step * STEP_MIN * 60, sump, states[step, sump].astype(np.float64), np.zeros(len(step), int)
    )


def temperature_signal(grid: Grid, coolant: Floats, every: int, rng: np.random.Generator) -> Samples:
    """Return the coolant temperature of every so manieth sump."""
    states = coolant[: grid.recorded] + rng.normal(size=(grid.recorded, coolant.shape[1])) * 0.15
    kept = np.zeros(states.shape, bool)
    kept[:, ::every] = rng.random(kept[:, ::every].shape) > 0.03
    minutes = np.arange(grid.recorded) * STEP_MIN
    return _samples("coolant_temperature", minutes, kept, states, np.full(states.shape[1], 0.1))


def in_order(samples: list[Samples], rng: np.random.Generator, *, gateway: bool) -> Arrivals:
    """Return all readings in order of arrival; a fast gateway disorders and doubles them."""
    names = np.array([part.signal for part in samples])
    which = np.concatenate([np.full(len(part.time_s), i) for i, part in enumerate(samples)])
    time_s, sump, value, digits = (
        np.concatenate([getattr(part, name) for part in samples]) for name in ("time_s", "sump", "value", "digits")
    )
    arrival = time_s.astype(float)
    if gateway:
        again = rng.random(len(time_s)) < DOUBLED_SHARE
        every = np.concatenate([np.arange(len(time_s)), np.flatnonzero(again)])
        which, time_s, sump, value, digits = (part[every] for part in (which, time_s, sump, value, digits))
        late = np.minimum(rng.exponential(600.0, len(every)), LATEST_S)
        arrival = time_s + np.where(rng.random(len(every)) < LATE_SHARE, late, 0.0)
    order = np.lexsort((which, sump, arrival))
    return Arrivals(names[which[order]], time_s[order], sump[order], value[order], digits[order])
