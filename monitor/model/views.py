"""From the estimator's arrays to what the rest of the house reads: one `Estimate` and one `Forecast` a sump."""

from __future__ import annotations

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
    Fixed,
)
from monitor.model.silence import Silence
from monitor.model.state import State
from monitor.model.types import Estimate, Forecast, Path, Side
from monitor.plant.reading import Signal

SIDES: Final = {LOW_SIDE: Side.LOW, RICH_SIDE: Side.RICH, LEAN_SIDE: Side.LEAN, NO_SIDE: Side.NONE}
DOTS: Final = 20


def estimates(state: State, fixed: Fixed, silence: Silence, now_s: float) -> dict[str, Estimate]:
    """Return each sump's estimate at `now_s`."""
    return {sump: _estimate(state, fixed, silence, now_s, i) for i, sump in enumerate(fixed.ids)}


def _estimate(state: State, fixed: Fixed, silence: Silence, now_s: float, i: int) -> Estimate:
    mean, cov, sump = state.mean[i], state.cov[i], fixed.ids[i]
    sd = np.sqrt(np.maximum(np.diagonal(cov), 0.0))
    days = max(float(state.bins_done[i]), 1.0) / BINS_A_DAY
    evaporated, dragged = (float(x) / days for x in state.losses[i].sum(axis=0))
    air = float(np.exp(mean[WEATHER]))
    product = sd[VOLUME] * sd[STRENGTH]
    doubtful = tuple(
        signal for column, signal in ((0, Signal.LEVEL), (1, Signal.REFRACTOMETER)) if state.said[i, column] > 0
    )
    return Estimate(
        sump=sump,
        time_s=now_s,
        known=bool(state.level_known[i] or state.strength_known[i]),
        volume_l=float(mean[VOLUME]),
        volume_sd_l=float(sd[VOLUME]),
        concentration_pct=float(mean[STRENGTH]),
        concentration_sd_pct=float(sd[STRENGTH]),
        correlation=float(cov[VOLUME, STRENGTH] / product) if product > 0 else 0.0,
        evaporation_l_per_day=evaporated,
        evaporation_sd_l_per_day=evaporated * float(np.hypot(min(sd[LN_RUN], sd[LN_IDLE]), sd[WEATHER])),
        drag_out_l_per_day=dragged,
        drag_out_sd_l_per_day=dragged * float(np.hypot(sd[LN_DRAG], sd[JOB])) + 24.0 * float(sd[LEAK]),
        evaporation_idle_l_per_h=float(np.exp(mean[LN_IDLE])) * air,
        evaporation_running_l_per_h=float(np.exp(mean[LN_RUN])) * air,
        drag_out_running_l_per_h=float(np.exp(mean[LN_DRAG] + mean[JOB])),
        refractometer_bias_degbx=float(mean[BIAS]),
        refractometer_bias_sd_degbx=float(sd[BIAS]),
        hold_up_l=float(mean[HOLD_UP]),
        hold_up_sd_l=float(sd[HOLD_UP]),
        running=bool(state.run_belief[i] >= 0.5) if state.bins_done[i] > 0 else None,
        last_heard_s=dict(silence.heard[sump]),
        silent=silence.silent(sump, now_s),
        doubtful=doubtful,
    )


def forecasts(exits: Exits, fixed: Fixed, made_s: float) -> dict[str, Forecast]:
    """Return each sump's forecast made at `made_s`."""
    quantiles = np.quantile(exits.hours, (0.1, 0.5, 0.9), axis=1)
    dots = np.quantile(exits.hours, (np.arange(DOTS) + 0.5) / DOTS, axis=1)
    hours = tuple(float(EDGES_H[s]) for s in PATH_STEPS)
    return {
        sump: _forecast(exits, sump, made_s, hours, quantiles[:, i].tolist(), dots[:, i].tolist(), i)
        for i, sump in enumerate(fixed.ids)
    }


def _forecast(
    exits: Exits, sump: str, made_s: float, hours: tuple[float, ...], quantiles: list[float], dots: list[float], i: int
) -> Forecast:
    share = {SIDES[code]: float((exits.side[i] == code).sum()) / DRAWS for code in SIDES}
    leaving = {side: part for side, part in share.items() if side is not Side.NONE}
    likely = max(leaving, key=lambda side: leaving[side])
    path = exits.path[i]
    rows = [tuple(path[row, q].tolist()) for row in (0, 1) for q in (0, 1, 2)]
    return Forecast(
        sump=sump,
        made_s=made_s,
        horizon_h=HORIZON_H,
        exit_p10_h=quantiles[0],
        exit_p50_h=quantiles[1],
        exit_p90_h=quantiles[2],
        side=likely if share[Side.NONE] <= 0.5 else Side.NONE,
        side_share=share,
        dots_h=tuple(dots),
        path=Path(hours, *rows),
    )
