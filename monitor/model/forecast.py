"""When each sump leaves its band if nobody touches it: many futures drawn from the estimate, the same draws every time.

A future is a state drawn from the estimate's covariance, then days of weather, jobs and running drawn as the sump's own
past had them. The same balance as in the filter carries volume and strength along; the first crossing of the lowest
level or of a side of the band is the exit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.model.balance import day_curve
from monitor.model.duty import stands_for
from monitor.model.layout import (
    CARRY,
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
    Floats,
    Ints,
)
from monitor.model.state import JOB_SD, WEATHER_SD, State
from monitor.model.valves import mains_chance

HORIZON_H: Final = 240.0
DRAWS: Final = 200
CHUNK: Final = 16
DAYS: Final = 12
DAY_KEEP: Final = float(np.exp(-24.0 / 108.0))
JOB_KEEP: Final = 0.3
SHARE_SD: Final = 0.1
LEAKS_FROM: Final = 2e-4  # of full an hour: smaller leaks are noise
HIGHEST_LN: Final = 4.6
RUNS_SOME: Final = 0.05
LOW_SIDE, RICH_SIDE, LEAN_SIDE, NO_SIDE = range(4)

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
WATER_RANKS: Final[Floats] = (np.random.default_rng(19600201).permutation(DRAWS) + 0.5) / DRAWS


@dataclass(frozen=True, slots=True)
class Ahead:
    """The steps ahead: local hour of day, the day it belongs to (0 = today), each machine's running share."""

    hour: Floats  # (steps,)
    day: Ints  # (steps,)
    share: Floats  # (n, steps)


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
    n = len(fixed.ids)
    hours, side = np.empty((n, DRAWS)), np.empty((n, DRAWS), dtype=np.int64)
    path, strength = np.empty((n, 2, 3, len(PATH_STEPS))), np.empty((n, DRAWS))
    for begin in range(0, n, CHUNK):
        rows = np.arange(begin, min(begin + CHUNK, n))
        part = _Futures(
            state.take(rows), fixed.take(rows), Ahead(ahead.hour, ahead.day, ahead.share[rows]), widen[rows]
        )
        hours[rows], side[rows] = part.exits()
        path[rows] = part.path()
        strength[rows] = np.exp(part.ln_strength[:, :, 0])
    return Exits(hours, side, path, strength)


class _Futures:
    """One chunk of sumps carried along together; courses have the shape (n, draws, edges)."""

    def __init__(self, state: State, fixed: Fixed, ahead: Ahead, widen: Floats) -> None:
        self._state, self._fixed, self._ahead = state, fixed, ahead
        drawn = state.mean[:, None, :] + widen[:, None, None] * np.einsum("nij,mj->nmi", _root(state.cov), STATE_Z)
        _water_or_mix(drawn, state, fixed)
        self._least = 0.02 * fixed.full_l[:, None]
        self._first_volume = np.clip(drawn[:, :, VOLUME], self._least, 1.2 * fixed.full_l[:, None])
        self._first_ln = np.log(np.maximum(drawn[:, :, STRENGTH], 0.1))
        leaks = state.mean[:, LEAK, None] > LEAKS_FROM * fixed.full_l[:, None]
        self._leak = np.where(leaks, np.maximum(drawn[:, :, LEAK], 0.0), 0.0)
        self._mix = np.clip(drawn[:, :, VALVE_MIX], 0.0, 20.0)
        weather, job = _days(drawn[:, :, WEATHER], drawn[:, :, JOB], widen)
        most = 1.0 / np.maximum(ahead.share.max(axis=1), 0.05)
        runs = np.minimum(1.0 + SHARE_SD * widen[:, None, None] * SHARE_Z, most[:, None, None])
        stands = stands_for(state, STAND_RANKS)
        runs = np.where(stands[:, :, None] > self._day_middles(), 0.0, runs)
        air, idle, run = np.exp(weather), np.exp(drawn[:, :, LN_IDLE]), np.exp(drawn[:, :, LN_RUN])
        self._by_hour = air * idle[:, :, None]
        self._by_running = air * (run - idle)[:, :, None] * runs
        self._by_drag = np.exp(drawn[:, :, LN_DRAG, None] + job) * runs
        self.volume, self.ln_strength = self._courses()

    def _day_middles(self) -> Floats:
        """Return hours from now to the middle of each local day ahead."""
        middles = 0.5 * (EDGES_H[1:] + EDGES_H[:-1])
        today = self._ahead.day == 0
        last = float(middles[today][-1]) if today.any() else 0.0
        return np.concatenate([[0.5 * last], last + 12.0 + 24.0 * np.arange(DAYS - 1)])

    def _courses(self) -> tuple[Floats, Floats]:
        vapour, drag = self._losses()
        gone = vapour + drag + self._leak[:, :, None] * STEP_H
        volume = np.concatenate([self._first_volume[:, :, None], -gone], axis=2)
        np.cumsum(volume, axis=2, out=volume)
        np.maximum(volume, self._least[:, :, None], out=volume)
        richer = vapour - (CARRY - 1.0) * drag
        richer /= 0.5 * (volume[:, :, 1:] + volume[:, :, :-1])
        ln_strength = np.concatenate([self._first_ln[:, :, None], richer], axis=2)
        np.cumsum(ln_strength, axis=2, out=ln_strength)
        for i in np.flatnonzero(self._state.valve[:, 0] > 0):
            self._with_valve(int(i), vapour[i], drag[i], gone[i], volume[i], ln_strength[i])
        return volume, ln_strength

    def _losses(self) -> tuple[Floats, Floats]:
        """Return litres of vapour and drag-out in each step ((n, draws, steps))."""
        ahead = self._ahead
        hours = STEP_H * np.array([day_curve(float(hour)) for hour in ahead.hour])
        running, draining = ahead.share * hours, ahead.share * STEP_H
        shape = (len(self._fixed.ids), DRAWS, len(STEP_H))
        vapour, drag = np.empty(shape), np.empty(shape)
        for day in range(int(ahead.day[-1]) + 1):
            begin, end = (int(edge) for edge in np.searchsorted(ahead.day, (day, day + 1)))
            part = slice(begin, end)
            np.multiply(self._by_running[:, :, day, None], running[:, None, part], out=vapour[:, :, part])
            vapour[:, :, part] += self._by_hour[:, :, day, None] * hours[part]
            np.multiply(self._by_drag[:, :, day, None], draining[:, None, part], out=drag[:, :, part])
        return vapour, drag

    def _with_valve(
        self, i: int, vapour: Floats, drag: Floats, gone: Floats, volume: Floats, ln_strength: Floats
    ) -> None:
        """Go over one sump's courses again with the valve that keeps its gauge at a mark ((draws, steps), in place)."""
        mark = self._state.valve[i, 1] + np.where(self._ahead.share[i] > RUNS_SOME, self._state.mean[i, HOLD_UP], 0.0)
        least, strength = float(self._least[i, 0]), np.exp(ln_strength[:, 0])
        for s in range(len(STEP_H)):
            left = volume[:, s] - gone[:, s]
            filled = np.maximum(mark[s] - left, 0.0)
            middle = np.maximum(volume[:, s] - 0.5 * (gone[:, s] - filled), least)
            growth = (vapour[:, s] - (CARRY - 1.0) * drag[:, s] - filled) / middle
            strength = strength * np.exp(growth) + self._mix[i] * filled / middle
            volume[:, s + 1] = np.maximum(left + filled, least)
            ln_strength[:, s + 1] = np.log(np.maximum(strength, 0.02))

    def exits(self) -> tuple[Floats, Ints]:
        """Return hours to the first crossing and its side (n, draws); within a step it lies on a straight line."""
        fixed = self._fixed
        limits = (
            (LOW_SIDE, self.volume, fixed.lowest_l, -1.0),
            (RICH_SIDE, self.ln_strength, np.log(fixed.high_pct), 1.0),
            (LEAN_SIDE, self.ln_strength, np.log(fixed.low_pct), -1.0),
        )
        out = self.volume < fixed.lowest_l[:, None, None]
        out |= self.ln_strength > limits[1][2][:, None, None]
        out |= self.ln_strength < limits[2][2][:, None, None]
        first = out.argmax(axis=2)
        gone = np.take_along_axis(out, first[:, :, None], axis=2)[:, :, 0]
        before = np.maximum(first - 1, 0)
        best = np.full(first.shape, np.inf)
        side = np.full(first.shape, NO_SIDE, dtype=np.int64)
        for name, course, limit, sign in limits:
            new = np.take_along_axis(course, first[:, :, None], axis=2)[:, :, 0]
            old = np.take_along_axis(course, before[:, :, None], axis=2)[:, :, 0]
            crossed = gone & (sign * (new - limit[:, None]) > 0.0)
            moved = np.where(new == old, 1.0, new - old)
            at = np.where(crossed, np.clip((limit[:, None] - old) / moved, 0.0, 1.0), np.inf)
            side = np.where(at < best, name, side)
            best = np.minimum(best, at)
        hours = EDGES_H[before] + np.where(gone, best, 0.0) * (EDGES_H[first] - EDGES_H[before])
        return np.where(gone, hours, HORIZON_H), side

    def path(self) -> Floats:
        """Return 10, 50, 90 % of volume and strength at PATH_STEPS (n, 2, 3, ·)."""
        ranks = [round(share * (DRAWS - 1)) for share in (0.1, 0.5, 0.9)]
        found = []
        for course in (self.volume, self.ln_strength):
            part = np.partition(course[:, :, PATH_STEPS], ranks, axis=1)[:, ranks]
            found.append(part)
        found[1] = np.exp(np.minimum(found[1], HIGHEST_LN))
        return np.stack(found, axis=1)


def _water_or_mix(drawn: Floats, state: State, fixed: Fixed) -> None:
    """Let a share of the futures of a sump with a valve be filled with plain water, the rates moved along; in place."""
    with_valve = np.flatnonzero(state.valve[:, 0] > 0)
    if not len(with_valve):
        return
    chance = mains_chance(state, fixed)
    for i in with_valve:
        water = chance[i] > WATER_RANKS
        off = np.where(
            water, -drawn[i, :, VALVE_MIX], np.maximum(0.15 * fixed.target_pct[i] - drawn[i, :, VALVE_MIX], 0.0)
        )
        var = max(float(state.cov[i, VALVE_MIX, VALVE_MIX]), 1e-6)
        drawn[i] += off[:, None] * (state.cov[i, :, VALVE_MIX] / var)


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


def _days(weather: Floats, job: Floats, widen: Floats) -> tuple[Floats, Floats]:
    """Return the log factors of each day ahead (n, draws, days): weather wanders back, jobs change daily."""
    w, j = np.empty((*weather.shape, DAYS)), np.empty((*job.shape, DAYS))
    w[:, :, 0], j[:, :, 0] = weather, job
    w_sd, j_sd = WEATHER_SD * np.sqrt(1.0 - DAY_KEEP**2), JOB_SD * np.sqrt(1.0 - JOB_KEEP**2)
    for day in range(1, DAYS):
        w[:, :, day] = DAY_KEEP * w[:, :, day - 1] + w_sd * widen[:, None] * WEATHER_Z[None, :, day]
        j[:, :, day] = JOB_KEEP * j[:, :, day - 1] + j_sd * widen[:, None] * JOB_Z[None, :, day]
    return w, j


def quantile(exits: Floats, share: float) -> Floats:
    """Return a quantile over the futures (n,), between neighbours on a straight line."""
    return np.asarray(np.quantile(exits, share, axis=1))
