"""When each sump leaves its band if nobody touches it: many futures drawn from the estimate, the same draws every time.

A future is a state drawn from the estimate's covariance, then days of weather, jobs and running drawn as the sump's own
past had them. The same balance as in the filter carries volume and strength along (`monitor.model.courses`); the first
crossing of the lowest level or of a side of the band is the exit.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from monitor.model import warmth
from monitor.model.courses import Courses, Desk, First, Rates, Steps, Valve, walk
from monitor.model.duty import stands_for, stops_a_day
from monitor.model.layout import (
    HOLD_UP,
    JOB,
    LEAK,
    LN_DRAG,
    LN_IDLE,
    LN_RUN,
    STRENGTH,
    VALVE_MIX,
    VOLUME,
    WEATHER,
    WIDTH,
    Fixed,
    Flags,
    Floats,
    Ints,
)
from monitor.model.state import JOB_SD, WEATHER_SD, State
from monitor.model.valves import MARK, SIZE, mains_chance, there_chance

HORIZON_H: Final = 240.0
DRAWS: Final = 200
CHUNK: Final = 10
DAYS: Final = 12
DAY_KEEP: Final = float(np.exp(-24.0 / 108.0))
JOB_KEEP: Final = 0.3
SHARE_SD: Final = 0.1
LEAKS_FROM: Final = 2e-4  # of full an hour: smaller leaks are noise
RUNS_SOME: Final = 0.05
PACES: Final = [LN_IDLE, LN_RUN, LN_DRAG, WEATHER, JOB, LEAK]
"""What a sump's own scored forecasts tell the spread of: how fast it moves. Where it stands they tell by half (the root
of it): what made forecasts miss has gone into the estimate too, but the checks and gauges have spoken as well."""

EDGES_H: Final[Floats] = np.concatenate(
    [np.arange(0.0, 12.0, 1.0), np.arange(12.0, 48.0, 3.0), np.arange(48.0, HORIZON_H + 1.0, 4.0)]
)
STEP_H: Final[Floats] = np.diff(EDGES_H)
PATH_STEPS: Final[Ints] = np.flatnonzero((EDGES_H % 3.0 == 0.0) & (EDGES_H <= 48.0) | (EDGES_H % 12.0 == 0.0))


def _draws() -> tuple[Floats, Floats, Floats, Floats]:
    """Return fixed standard normal draws: states, weather, jobs, running ((draws, ·) each), mirrored in pairs."""
    rng = np.random.default_rng(19580815)

    def pairs(width: int) -> Floats:
        half = rng.standard_normal((DRAWS // 2, width))
        return np.concatenate([half, -half])

    return (
        pairs(WIDTH),
        pairs(DAYS)[rng.permutation(DRAWS)],
        pairs(DAYS)[rng.permutation(DRAWS)],
        pairs(DAYS)[rng.permutation(DRAWS)],
    )


STATE_Z, WEATHER_Z, JOB_Z, SHARE_Z = _draws()


STAND_RANKS: Final[Floats] = (np.random.default_rng(19620505).permutation(DRAWS) + 0.5) / DRAWS
THERE_RANKS: Final[Floats] = (np.random.default_rng(19751101).permutation(DRAWS) + 0.5) / DRAWS
WATER_RANKS: Final[Floats] = (np.random.default_rng(19600201).permutation(DRAWS) + 0.5) / DRAWS
WEEK_RANKS: Final[Floats] = (np.random.default_rng(19660807).permutation(DRAWS) + 0.5) / DRAWS
STOP_BEGINS: Final[Floats] = -np.log((np.random.default_rng(19690720).permutation(DRAWS) + 0.5) / DRAWS)
"""In each future: days until the machine stops, times how often it does so a day."""
STOP_DAYS: Final[Floats] = DRAWS / (np.random.default_rng(19700411).permutation(DRAWS) + 0.5)
"""Then for how many days: a day at least, twice as long half as often."""


@dataclass(frozen=True, slots=True)
class Ahead:
    """The steps ahead: local hour of day, the day it belongs to (0 = today), each machine's running share.

    `monday_h` are the hours until the next week begins.
    """

    hour: Floats  # (steps,)
    day: Ints  # (steps,)
    share: Floats  # (n, steps)
    monday_h: float = 0.0

    def of(self, rows: Ints) -> Ahead:
        """Return the same for some sumps."""
        return replace(self, share=self.share[rows])


@dataclass(frozen=True, slots=True)
class Exits:
    """All futures of all sumps: hours to the exit (n, draws) capped at the horizon, side (n, draws), path quantiles.

    `path` has shape (n, 2, 3, len(PATH_STEPS)): volume and strength by 10, 50, 90 %.
    """

    hours: Floats
    side: Ints
    path: Floats
    strength_pct: Floats  # (n, draws) as it may be now


def forecast(state: State, fixed: Fixed, ahead: Ahead, widen: Floats) -> Exits:
    """Draw the futures of all sumps. `widen` (n,) scales the spread of each sump's futures (1: as the model has it)."""
    desk = Desk()
    n = len(fixed.ids)
    hours, side = np.empty((n, DRAWS)), np.empty((n, DRAWS), dtype=np.int64)
    path, strength = np.empty((n, 2, 3, len(PATH_STEPS))), np.empty((n, DRAWS))
    for rows in _chunks(state.valve[:, 0] > 0):
        part = ahead.of(rows)
        courses = _courses(state.take(rows), fixed.take(rows), part, widen[rows], desk)
        hours[rows], side[rows] = courses.exits(EDGES_H)
        path[rows] = courses.path(PATH_STEPS)
        strength[rows] = np.exp(courses.ln_strength[0])
    return Exits(hours, side, path, strength)


def _chunks(valve: Flags) -> Iterator[Ints]:
    """Yield rows to go together: sumps without a valve, then those with one, so many that they fit a cache."""
    for rows in (np.flatnonzero(~valve), np.flatnonzero(valve)):
        for begin in range(0, len(rows), CHUNK):
            yield rows[begin : begin + CHUNK]


def _courses(state: State, fixed: Fixed, ahead: Ahead, widen: Floats, desk: Desk) -> Courses:
    """Draw the futures of one chunk and carry them along."""
    drawn = np.matmul(_root(state.cov), STATE_Z.T, out=desk.room("drawn", len(widen), WIDTH, DRAWS))
    half = np.sqrt(widen)[:, None, None]
    drawn *= half
    drawn[:, PACES] *= half
    drawn += state.mean[:, :, None]
    _water_or_mix(drawn, state, fixed)
    least = 0.02 * fixed.full_l[:, None]
    leaks = state.mean[:, LEAK, None] > LEAKS_FROM * fixed.full_l[:, None]
    first = First(
        volume_l=np.clip(drawn[:, VOLUME], least, 1.2 * fixed.full_l[:, None]),
        ln_strength=np.log(np.maximum(drawn[:, STRENGTH], 0.1)),
        least_l=least,
        limits=(fixed.lowest_l[:, None], np.log(fixed.high_pct)[:, None], np.log(fixed.low_pct)[:, None]),
    )
    rates = _rates(drawn, state, ahead, widen, desk)
    rates.leak = np.where(leaks, np.maximum(drawn[:, LEAK], 0.0), 0.0)
    curve = warmth.ahead(state, ahead.hour)
    valve = None
    if state.valve[0, 0] > 0:
        held_up = np.where(ahead.share > RUNS_SOME, state.mean[:, HOLD_UP, None], 0.0)
        mark, opening = state.valve[:, MARK, None], state.valve[:, SIZE, None]
        mix, there = np.clip(drawn[:, VALVE_MIX], 0.0, 20.0), there_chance(state)[:, None] > THERE_RANKS
        valve = Valve(mark + held_up, opening, mix, there)
    return walk(first, rates, Steps(STEP_H, STEP_H * curve, ahead.day, ahead.share), valve, desk)


def _rates(drawn: Floats, state: State, ahead: Ahead, widen: Floats, desk: Desk) -> Rates:
    """Return litres an hour on each day ahead; (days, n, draws) each."""
    days = int(ahead.day[-1]) + 1
    by_hour, by_running, by_drag, runs = (
        desk.room(name, days, len(widen), DRAWS) for name in ("by_hour", "by_running", "by_drag", "runs")
    )
    _days(drawn[:, WEATHER] + warmth.anomaly(state)[:, None], drawn[:, JOB], widen, (by_hour, by_drag))
    most = 1.0 / np.maximum(ahead.share.max(axis=1), 0.05)
    np.multiply((SHARE_SD * widen)[:, None], SHARE_Z.T[:days, None, :], out=runs)
    runs += 1.0
    np.minimum(runs, most[:, None], out=runs)
    stands = stands_for(state, STAND_RANKS, WEEK_RANKS, ahead.monday_h)
    if stands.any():
        runs[stands > _day_middles(ahead)[:days, None, None]] = 0.0
    runs[_stopped(stops_a_day(state), days)] = 0.0
    idle = np.exp(drawn[:, LN_IDLE])
    more = np.exp(drawn[:, LN_RUN]) - idle
    np.exp(by_hour, out=by_hour)
    np.multiply(by_hour, more, out=by_running)
    by_running *= runs
    by_hour *= idle
    by_drag += drawn[:, LN_DRAG]
    np.exp(by_drag, out=by_drag)
    by_drag *= runs
    return Rates(by_hour, by_running, by_drag)


def _stopped(a_day: Floats, days: int) -> Flags:
    """Tell on which days each machine stands in each future (days, n, draws) for a stop that is still to come."""
    day = np.arange(float(days))[:, None, None]
    begun = day * a_day[:, None] >= STOP_BEGINS
    return np.asarray(begun & ((day - STOP_DAYS) * a_day[:, None] < STOP_BEGINS))


def _day_middles(ahead: Ahead) -> Floats:
    """Return hours from now to the middle of each local day ahead."""
    middles = 0.5 * (EDGES_H[1:] + EDGES_H[:-1])
    today = ahead.day == 0
    last = float(middles[today][-1]) if today.any() else 0.0
    return np.concatenate([[0.5 * last], last + 12.0 + 24.0 * np.arange(DAYS - 1)])


def _water_or_mix(drawn: Floats, state: State, fixed: Fixed) -> None:
    """Let a share of the futures of a sump with a valve be filled with plain water, the rates moved along; in place."""
    with_valve = np.flatnonzero(state.valve[:, 0] > 0)
    if not len(with_valve):
        return
    chance = mains_chance(state, fixed)
    for i in with_valve:
        water = chance[i] > WATER_RANKS
        off = np.where(water, -drawn[i, VALVE_MIX], np.maximum(0.15 * fixed.target_pct[i] - drawn[i, VALVE_MIX], 0.0))
        var = max(float(state.cov[i, VALVE_MIX, VALVE_MIX]), 1e-6)
        drawn[i] += (state.cov[i, :, VALVE_MIX] / var)[:, None] * off


def _root(cov: Floats) -> Floats:
    """Return lower triangular roots; where rounding spoilt one, the diagonal's roots stand in."""
    index = np.arange(WIDTH)
    scale = np.sqrt(np.maximum(cov[:, index, index], 1e-18))
    unit = cov / scale[:, :, None] / scale[:, None, :]
    unit[:, index, index] += 1e-9
    try:
        root = np.linalg.cholesky(unit)
    except np.linalg.LinAlgError:
        root = np.stack([_root_of_one(one) for one in unit])
    return np.asarray(root * scale[:, :, None])


def _root_of_one(unit: Floats) -> Floats:
    try:
        return np.asarray(np.linalg.cholesky(unit))
    except np.linalg.LinAlgError:
        values, vectors = np.linalg.eigh(unit)
        return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def _days(weather: Floats, job: Floats, widen: Floats, out: tuple[Floats, Floats]) -> None:
    """Fill in the log factors of each day ahead (days, n, draws): weather wanders back, jobs change daily."""
    for course, first, keep, sd, z in (
        (out[0], weather, DAY_KEEP, WEATHER_SD, WEATHER_Z),
        (out[1], job, JOB_KEEP, JOB_SD, JOB_Z),
    ):
        course[0] = first
        spread = (sd * np.sqrt(1.0 - keep**2) * widen)[:, None]
        for day in range(1, len(course)):
            np.multiply(course[day - 1], keep, out=course[day])
            course[day] += spread * z[:, day]
