"""Score what a replay said against what really happened: every figure of both accuracy tables.

`Figures` maps a figure's name to its value. Readings of the definitions that the tables leave open:

- *Cases* of exit errors: moments whose true exit lies 4 to 240 h ahead. Strength and volume: every moment.
- *Unlogged top-ups*: an event is right if a top-up that nobody logged properly (`logged` 0 or 2) of the same sump has
  between half and twice its volume and the event's time lies within an hour of the stretch between the last reading
  before the top-up and the first after it; each top-up takes one event, nearest in time first. Only `logged` 0 counts
  for recall. Change-outs may be called top-ups: neither right nor wrong.
- *Loss jump*: the delay runs from the leak's start to the first time it was said; any loss jump outside a leak and the
  day after it is false.
- *Leaves before somebody is back*: on attended moments around 18:00 local, until attendance starts again after the
  window that is open; true if the sump is inside now and leaves before then, said if the 10 % exit lies before then.
- *Lean side told*: the cases of exit errors; true if the sump leaves on the lean side, said if the forecast's side is
  lean. "Stayers counted too" adds the moments whose true exit lies beyond the horizon.
- *Losses*: the forecast made at the end of a day (its rates are means over the last 24 h) against that day's litres.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from itertools import pairwise
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.events import event_figures
from tests.benchmarks.proper import crps_normal, interval_score, pinball
from tests.benchmarks.recording import (
    DAY_S,
    HOUR_S,
    Cases,
    Floats,
    Recording,
    Row,
    back_at,
    cases,
    seconds,
)

Figures = dict[str, float]
SHARE: Final = 0.8
Z80: Final = 1.2815515655446004
SHORTEST_H: Final = 4.0
FLOOR_H: Final = 6.0
BUCKETS_H: Final = (4.0, 12.0, 24.0, 48.0, 96.0, 168.0, 240.0001)


def ratio(part: float, whole: float) -> float:
    """Return a share, NaN of nothing."""
    return part / whole if whole else float("nan")


def quantile(values: Floats, level: float) -> float:
    """Return a quantile, NaN of nothing."""
    return float(np.quantile(values, level)) if len(values) else float("nan")


def scored(table: Cases) -> Cases:
    """Return the cases that count for exit errors."""
    return table.pick(~table.beyond & (table.true_h >= SHORTEST_H))


def relative_errors(table: Cases) -> Floats:
    """Return exit errors relative to the true exit, or to six hours where it is nearer."""
    return np.abs(table.p50 - table.true_h) / np.maximum(table.true_h, FLOOR_H)


def inside(table: Cases) -> NDArray[np.bool_]:
    """Return where the 10-90 % interval holds the truth."""
    return (table.p10 <= table.true_h + 1e-9) & (table.true_h <= table.p90 + 1e-9)


def exit_figures(table: Cases) -> Figures:
    """Return the exit errors and the interval's truth, of cases already picked by `scored`."""
    error = np.abs(table.p50 - table.true_h)
    relative = relative_errors(table)
    soon = error[table.true_h <= 24.0]
    return {
        "cases": float(len(table)),
        "relative error, median": quantile(relative, 0.5),
        "relative error, 90th": quantile(relative, 0.9),
        "absolute error h, median": quantile(error, 0.5),
        "absolute error h, mean": float(error.mean()) if len(table) else float("nan"),
        "within 24 h: error h, median": quantile(soon, 0.5),
        "within 24 h: error h, 90th": quantile(soon, 0.9),
        "truth inside 10-90 %": ratio(float(inside(table).sum()), len(table)),
        "truth before the 10 %": ratio(float((table.true_h < table.p10 - 1e-9).sum()), len(table)),
        "truth after the 90 %": ratio(float((table.true_h > table.p90 + 1e-9).sum()), len(table)),
        "signed error h, median": quantile(table.p50 - table.true_h, 0.5),
        "side right": ratio(float((table.side == table.true_side).sum()), len(table)),
    }


def sharpness_figures(table: Cases) -> Figures:
    """Return the proper scores of the exit quantiles in hours (moments inside the band, horizon included)."""
    ahead = table.pick(table.true_h >= SHORTEST_H)
    if not len(ahead):
        return {}
    losses = [pinball(ahead.true_h, q, level) for q, level in ((ahead.p10, 0.1), (ahead.p50, 0.5), (ahead.p90, 0.9))]
    return {
        "pinball h, mean": float(np.mean(losses)),
        "interval score h, mean": float(interval_score(ahead.true_h, ahead.p10, ahead.p90, SHARE).mean()),
        "inside 10-90 %, over 240 h too": ratio(float(inside(ahead).sum()), len(ahead)),
        "width of 10-90 % / true, median": quantile((ahead.p90 - ahead.p10) / np.maximum(ahead.true_h, FLOOR_H), 0.5),
    }


def state_figures(table: Cases) -> Figures:
    """Return the errors of strength (points) and volume (share of full), and whether their deviations are honest."""
    known = table.pick(np.isfinite(table.pct) & np.isfinite(table.volume_l))
    off = np.abs(known.pct - known.true_pct)
    volume = np.abs(known.volume_l - known.true_volume_l)
    figures = {
        "strength error points, median": quantile(off, 0.5),
        "strength error points, 95th": quantile(off, 0.95),
        "volume error of full, median": quantile(volume / known.full_l, 0.5),
        "volume error of full, 95th": quantile(volume / known.full_l, 0.95),
        "forecasts missing": ratio(float(table.missing.sum()), len(table)),
    }
    if np.isfinite(known.pct_sd).all() and len(known):
        sd = np.maximum(known.pct_sd, 1e-6)
        figures["strength inside its own 80 %"] = float((off <= Z80 * known.pct_sd).mean())
        figures["volume inside its own 80 %"] = float((volume <= Z80 * known.volume_sd_l).mean())
        figures["strength CRPS points, mean"] = float(crps_normal(known.true_pct, known.pct, sd).mean())
    return figures


def evening_figures(table: Cases, recording: Recording) -> Figures:
    """Return how well "leaves before somebody is back" was said on attended evenings."""
    zone = ZoneInfo(recording.plant()["plant"]["zone"])
    spans = recording.attended_s(float(table.time_s.min()), float(table.time_s.max()))
    gap = {moment: _hours_until_back(moment, spans, zone) for moment in np.unique(table.time_s)}
    away = np.array([gap[moment] for moment in table.time_s])
    asked = np.isfinite(away) & (table.true_h > 0)
    true, said = asked & (table.true_h < away), asked & (table.p10 < away)
    return {
        "evenings: leaves, cases": float(true.sum()),
        "evenings: recall": ratio(float((true & said).sum()), float(true.sum())),
        "evenings: false share": ratio(float((said & ~true).sum()), float(said.sum())),
    }


def _hours_until_back(moment_s: float, spans: Sequence[tuple[float, float]], zone: ZoneInfo) -> float:
    """Return hours until somebody is back, NaN where the moment is no attended evening."""
    back = back_at(spans, moment_s)
    if back is None or not 15 <= datetime.fromtimestamp(moment_s, zone).hour < 21:
        return float("nan")
    return (back - moment_s) / HOUR_S


def lean_figures(table: Cases) -> Figures:
    """Return how well exits on the lean side were told."""
    ahead = table.pick(table.true_h >= SHORTEST_H)
    true, said = ahead.true_side == "lean", ahead.side == "lean"
    leaves = said & ~ahead.beyond
    return {
        "lean side: cases": float(true.sum()),
        "lean side: recall": ratio(float((true & said).sum()), float(true.sum())),
        "lean side: false share": ratio(float((leaves & ~true).sum()), float(leaves.sum())),
        "lean side: false share, stayers counted too": ratio(float((said & ~true).sum()), float(said.sum())),
    }


def loss_figures(table: Cases, losses: Sequence[Row], full_l: Mapping[str, float]) -> Figures:
    """Return the mean error of evaporation and drag-out a sump-day in percent of full."""
    true = {
        (row["sump"], seconds(f"{row['day']}T00:00:00+00:00") + DAY_S): (
            float(row["evaporated_l"]),
            float(row["dragged_out_l"]),
        )
        for row in losses
    }
    keys = list(zip(table.sump.tolist(), table.time_s.tolist(), strict=True))
    hits = [i for i, key in enumerate(keys) if key in true]
    hits = [i for i in hits if np.isfinite(table.evaporation[i]) and np.isfinite(table.drag_out[i])]
    if not hits:
        return {}
    evaporated, dragged = np.array([true[keys[i]] for i in hits]).T
    scale = 100.0 / np.array([full_l[keys[i][0]] for i in hits])
    off_evaporation = (table.evaporation[hits] - evaporated) * scale
    off_drag_out = (table.drag_out[hits] - dragged) * scale
    return {
        "evaporation error % of full a day, mean": float(np.abs(off_evaporation).mean()),
        "drag-out error % of full a day, mean": float(np.abs(off_drag_out).mean()),
        "evaporation bias % of full a day": float(off_evaporation.mean()),
        "drag-out bias % of full a day": float(off_drag_out.mean()),
    }


def figures(recording: Recording, forecasts: Sequence[Row], events: Sequence[Row] | None) -> Figures:
    """Return every figure of one recording; without `events` only those of the forecasts."""
    table = cases(recording, forecasts)
    result = exit_figures(scored(table)) | sharpness_figures(table) | state_figures(table)
    result |= evening_figures(table, recording) | lean_figures(table)
    result |= loss_figures(table, recording.table("losses"), recording.full_l())
    if events is not None:
        result |= event_figures(recording, events)
    return result


def by_group(table: Cases, group: NDArray[np.str_]) -> dict[str, Figures]:
    """Return the exit and strength figures of each group of cases."""
    result = {}
    for name in np.unique(group):
        part = table.pick(group == name)
        result[str(name)] = exit_figures(part) | state_figures(part)
    return result


def by_horizon(table: Cases) -> dict[str, Figures]:
    """Return the exit figures by how far ahead the true exit lies."""
    edges = list(pairwise(BUCKETS_H))
    names = [f"{low:.0f}-{high:.0f} h" for low, high in edges]
    masks = [(table.true_h >= low) & (table.true_h < high) for low, high in edges]
    return {name: exit_figures(table.pick(mask)) for name, mask in zip(names, masks, strict=True)}
