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

HORIZON_H: Final = 240.0
DRAWS: Final = 200
CHUNK: Final = 64
DAYS: Final = 12
DAY_KEEP: Final = float(np.exp(-24.0 / 108.0))
JOB_KEEP: Final = 0.3
SHARE_SD: Final = 0.12
LOW_SIDE, RICH_SIDE, LEAN_SIDE, NO_SIDE = range(4)

EDGES_H: Final[Floats] = np.concatenate([np.arange(0.0, 48.0, 1.0), np.arange(48.0, HORIZON_H + 1.0, 3.0)])
PATH_STEPS: Final[Ints] = np.flatnonzero(
    (EDGES_H % 3.0 == 0.0) & (EDGES_H <= 48.0) | (EDGES_H % 12.0 == 0.0)
)


def _draws() -> tuple[Floats, Floats, Floats, Floats]:
    """Return fixed standard normal draws: states, weather, jobs, running ((draws, ·) each), mirrored in pairs."""
    rng = np.random.default_rng(19580815)

    def pairs(width: int) -> Floats:
        half = rng.standard_normal((DRAWS // 2, width))
        return np.concatenate([half, -half])

    return pairs(WIDTH), pairs(DAYS)[rng.permutation(DRAWS)], pairs(DAYS)[rng.permutation(DRAWS)], pairs(DAYS)[rng.permutation(DRAWS)]


STATE_Z, WEATHER_Z, JOB_Z, SHARE_Z = _draws()


@dataclass(frozen=True, slots=True)
class Ahead:
    """The hours ahead: per step its local hour of day, the day it belongs to (0 = today), and each machine's running share."""

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


def forecast(state: State, fixed: Fixed, ahead: Ahead, widen: Floats) -> Exits:
    """Draw the futures of all sumps. `widen` (n,) scales the spread of each sump's futures (1: as the model has it)."""
    n = len(fixed.ids)
    hours, side = np.empty((n, DRAWS)), np.empty((n, DRAWS), dtype=np.int64)
    path = np.empty((n, 2, 3, len(PATH_STEPS)))
    for begin in range(0, n, CHUNK):
        rows = np.arange(begin, min(begin + CHUNK, n))
        part = _Futures(state.take(rows), fixed.take(rows), Ahead(ahead.hour, ahead.day, ahead.share[rows]), widen[rows])
        part.run()
        hours[rows], side[rows], path[rows] = part.exit_h, part.side, part.path
    return Exits(hours, side, path)


class _Futures:
    """One chunk of sumps carried along together."""

    def __init__(self, state: State, fixed: Fixed, ahead: Ahead, widen: Floats) -> None:
        self._fixed, self._ahead, self._widen = fixed, ahead, widen
        drawn = state.mean[:, None, :] + widen[:, None, None] * np.einsum("nij,mj->nmi", _root(state.cov), STATE_Z)
        self._volume = np.clip(drawn[:, :, VOLUME], 0.02 * fixed.full_l[:, None], 1.2 * fixed.full_l[:, None])
        self._strength = np.maximum(drawn[:, :, STRENGTH], 0.1)
        self._idle, self._run = np.exp(drawn[:, :, LN_IDLE]), np.exp(drawn[:, :, LN_RUN])
        self._drag, self._leak = np.exp(drawn[:, :, LN_DRAG]), np.maximum(drawn[:, :, LEAK], 0.0)
        self._leak = np.where(state.mean[:, LEAK, None] > 2e-4 * fixed.full_l[:, None], self._leak, 0.0)
        self._hold_up, self._mix = state.mean[:, HOLD_UP, None], np.clip(drawn[:, :, VALVE_MIX], 0.0, 20.0)
        self._valve_on, self._valve_at = state.valve[:, 0, None] > 0, state.valve[:, 1, None]
        self._weather, self._job = _days(drawn[:, :, WEATHER], drawn[:, :, JOB], widen)
        n = len(fixed.ids)
        self.exit_h, self.side = np.full((n, DRAWS), HORIZON_H), np.full((n, DRAWS), NO_SIDE, dtype=np.int64)
        self.path = np.empty((n, 2, 3, len(PATH_STEPS)))

    def run(self) -> None:
        """Carry all futures to the horizon."""
        self._leave(self._volume, self._strength, 0.0, 0.0)
        self._note(0)
        noted = 1
        for s in range(len(EDGES_H) - 1):
            before = self._volume, self._strength
            self._step(s)
            self._leave(*before, float(EDGES_H[s]), float(EDGES_H[s + 1] - EDGES_H[s]))
            if noted < len(PATH_STEPS) and PATH_STEPS[noted] == s + 1:
                self._note(noted)
                noted += 1

    def _step(self, s: int) -> None:
        hours, day = float(EDGES_H[s + 1] - EDGES_H[s]), int(self._ahead.day[s])
        share = self._ahead.share[:, s, None]
        spread = 1.0 + SHARE_SD * self._widen[:, None] * SHARE_Z[None, :, day]
        running = np.clip(share * spread, 0.0, 1.0)
        air = np.exp(self._weather[:, :, day]) * (hours * day_curve(float(self._ahead.hour[s])))
        vapour = (self._idle * (1.0 - running) + self._run * running) * air
        drag = self._drag * np.exp(self._job[:, :, day]) * running * hours
        net = vapour + drag + self._leak * hours
        gauge = self._volume - running * self._hold_up - net
        filled = np.where(self._valve_on, np.maximum(self._valve_at - gauge, 0.0), 0.0)
        least = 0.02 * self._fixed.full_l[:, None]
        middle = np.maximum(self._volume - 0.5 * (net - filled), least)
        self._strength = self._strength * np.exp((vapour - (CARRY - 1.0) * drag - filled) / middle) + self._mix * filled / middle
        self._volume = np.maximum(self._volume - net + filled, least)

    def _leave(self, volume: Floats, strength: Floats, start_h: float, hours: float) -> None:
        """Note the futures whose first crossing lies in this step; the crossing is found on a straight line."""
        limits = (
            (LOW_SIDE, volume, self._volume, self._fixed.lowest_l[:, None], -1.0),
            (RICH_SIDE, strength, self._strength, self._fixed.high_pct[:, None], 1.0),
            (LEAN_SIDE, strength, self._strength, self._fixed.low_pct[:, None], -1.0),
        )
        still = self.side == NO_SIDE
        best = np.full(still.shape, np.inf)
        best_side = np.full(still.shape, NO_SIDE, dtype=np.int64)
        for side, old, new, limit, sign in limits:
            out = still & (sign * (new - limit) > 0.0)
            moved = new - old
            part = np.where(np.abs(moved) > 0.0, (limit - old) / np.where(moved == 0.0, 1.0, moved), 0.0)
            at = np.where(out, np.clip(part, 0.0, 1.0), np.inf)
            best_side = np.where(at < best, side, best_side)
            best = np.minimum(best, at)
        gone = np.isfinite(best)
        self.exit_h = np.where(gone, start_h + hours * np.where(gone, best, 0.0), self.exit_h)
        self.side = np.where(gone, best_side, self.side)

    def _note(self, i: int) -> None:
        for row, values in enumerate((self._volume, self._strength)):
            ranked = np.sort(values, axis=1)
            for q, share in enumerate((0.1, 0.5, 0.9)):
                self.path[:, row, q, i] = ranked[:, round(share * (DRAWS - 1))]


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
    """Return the log factors of each day ahead ((n, draws, days)): weather wanders back to normal, jobs change daily."""
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
