"""From the estimator's arrays to what the rest of the house reads: one `Estimate` and one `Forecast` a sump."""

from __future__ import annotations

from array import array
from collections.abc import Callable
from itertools import compress, product
from typing import Final

import numpy as np

from monitor.model.courses import LEAN_SIDE, LOW_SIDE, NO_SIDE, RICH_SIDE
from monitor.model.forecast import DRAWS, EDGES_H, HORIZON_H, PATH_STEPS, Exits
from monitor.model.layout import (
    BIAS,
    BINS_A_DAY,
    HOLD_UP,
    JOB,
    LEAK,
    LN_DRAG,
    LN_IDLE,
    LN_RUN,
    STRENGTH,
    VOLUME,
    WEATHER,
    WIDTH,
    Fixed,
    Floats,
    added,
)
from monitor.model.silence import Silence
from monitor.model.state import State
from monitor.model.types import Estimate, Forecast, Path, Side
from monitor.model.warmth import LEVEL
from monitor.plant.reading import Signal

SIDES: Final = {LOW_SIDE: Side.LOW, RICH_SIDE: Side.RICH, LEAN_SIDE: Side.LEAN, NO_SIDE: Side.NONE}
DOTS: Final = 20
DOT_SHARES: Final[Floats] = (np.arange(DOTS) + 0.5) / DOTS
EXIT_SHARES: Final[Floats] = np.array([0.1, 0.5, 0.9])
PATH_HOURS: Final = tuple(float(EDGES_H[s]) for s in PATH_STEPS)
DOUBTED: Final = (Signal.LEVEL, Signal.REFRACTOMETER, Signal.RUNNING)
DOUBTS: Final = {doubts: tuple(compress(DOUBTED, doubts)) for doubts in product((False, True), repeat=len(DOUBTED))}


def estimates(state: State, fixed: Fixed, silence: Silence, now_s: float) -> dict[str, Estimate]:
    """Return each sump's estimate at `now_s`."""
    numbers = zip(*(column.tolist() for column in _columns(state)), strict=True)
    judged = zip(
        (state.level_known | state.strength_known).tolist(),
        np.where(state.bins_done > 0, state.run_belief >= 0.5, -1).tolist(),
        (state.said > 0).tolist(),
        strict=True,
    )
    make: Callable[..., Estimate] = Estimate
    found = {}
    for sump, own, (known, running, doubts) in zip(fixed.ids, numbers, judged, strict=True):
        doubtful = DOUBTS[tuple(doubts)]
        heard, silent = dict(silence.heard[sump]), silence.silent(sump, now_s)
        found[sump] = make(sump, now_s, known, *own, None if running < 0 else running > 0, heard, silent, doubtful)
    return found


def _columns(state: State) -> tuple[Floats, ...]:
    """Return the numbers of `Estimate` from `volume_l` to `hold_up_sd_l` in its order, (n,) each."""
    mean, cov = state.mean, state.cov
    index = np.arange(WIDTH)
    sd = np.sqrt(np.maximum(cov[:, index, index], 0.0))
    days = np.maximum(state.bins_done, 1.0) / BINS_A_DAY
    evaporated, dragged = (added(state.losses) / days[:, None]).T
    air = np.exp(mean[:, WEATHER] + state.warmth[:, LEVEL])
    both = sd[:, VOLUME] * sd[:, STRENGTH]
    correlation = np.where(both > 0.0, cov[:, VOLUME, STRENGTH] / np.where(both > 0.0, both, 1.0), 0.0)
    return (
        mean[:, VOLUME],
        sd[:, VOLUME],
        mean[:, STRENGTH],
        sd[:, STRENGTH],
        correlation,
        evaporated,
        evaporated * np.hypot(np.minimum(sd[:, LN_RUN], sd[:, LN_IDLE]), sd[:, WEATHER]),
        dragged,
        dragged * np.hypot(sd[:, LN_DRAG], sd[:, JOB]) + 24.0 * sd[:, LEAK],
        np.exp(mean[:, LN_IDLE]) * air,
        np.exp(mean[:, LN_RUN]) * air,
        np.exp(mean[:, LN_DRAG] + mean[:, JOB]),
        mean[:, BIAS],
        sd[:, BIAS],
        mean[:, HOLD_UP],
        sd[:, HOLD_UP],
    )


def forecasts(exits: Exits, fixed: Fixed, made_s: float) -> dict[str, Forecast]:
    """Return each sump's forecast made at `made_s`."""
    exits_h = np.sort(exits.hours, axis=1)
    early, middle, late = quantiles(exits_h, EXIT_SHARES).T.tolist()
    dots = quantiles(exits_h, DOT_SHARES)
    courses = np.ascontiguousarray(exits.path).reshape(len(exits_h), -1)
    shares = _sides(exits)
    return {
        sump: Forecast(
            sump=sump,
            made_s=made_s,
            horizon_h=HORIZON_H,
            exit_p10_h=early[i],
            exit_p50_h=middle[i],
            exit_p90_h=late[i],
            side=_side(shares[i]),
            side_share=shares[i],
            dots_h=array("d", dots[i]),
            path=Path(PATH_HOURS, array("d", courses[i])),
        )
        for i, sump in enumerate(fixed.ids)
    }


def quantiles(rising: Floats, shares: Floats) -> Floats:
    """Return quantiles of rows that rise (n, m): (n, shares), between neighbours on a straight line."""
    at = shares * (rising.shape[1] - 1)
    below = np.minimum(at.astype(np.int64), rising.shape[1] - 2)
    part, low, high = at - below, rising[:, below], rising[:, below + 1]
    step = high - low
    return np.asarray(np.where(part < 0.5, low + step * part, high - step * (1.0 - part)))


def _sides(exits: Exits) -> list[dict[Side, float]]:
    """Return each sump's chance of each side."""
    counts = np.stack([(exits.side == code).sum(axis=1) for code in SIDES]).T / DRAWS
    return [dict(zip(SIDES.values(), row, strict=True)) for row in counts.tolist()]


def _side(share: dict[Side, float]) -> Side:
    """Return the likeliest side a sump leaves by, none where it is likelier to stay."""
    leaving = {side: part for side, part in share.items() if side is not Side.NONE}
    return max(leaving, key=lambda side: leaving[side]) if share[Side.NONE] <= 0.5 else Side.NONE
