"""What the mixing station has to make for the coming attended window and the one after: per fluid, from the forecasts.

Each sump is looked at on its forecast: by the last moment of the window, or an hour before its early (10 %) exit if
that comes first. It is in the demand where it would leave its band (early exit) before the attended window after the
next one begins, or where a quarter of it is free; it can wait where the early exit lies behind the beginning of the
next window. The quantity is the recipe's for that moment. A demand is advice and expires; it never exceeds the free
volume: fluid that a recipe wants taken out first is not counted on.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from alerts.attendance import window_after
from alerts.balance import make_up_that_holds
from alerts.batches import Need, plan_batches
from alerts.bench import at, bench_at, still_valid
from alerts.recipes import plan_recipe
from alerts.setaside import Container
from alerts.station import BatchPlan, PastPlans
from alerts.tolerance import mix_range
from alerts.types import LaterDemand, MixingDemand, Recipe, SumpDemand
from alerts.watching import MixBias
from alerts.words import number
from monitor.model.types import Estimate, Forecast
from monitor.plant.types import Plant, Station, Sump

BEFORE_EXIT_S = 3600.0
BEFORE_END_S = 1800.0
DAY_S = 86400.0
_FREE_SHARE = 0.25
_LEAST_WINDOW_S = 3600.0


@dataclass(frozen=True, slots=True)
class Known:
    """What else bears on a demand: set-aside fluid, how the station mixes, how earlier demands of a fluid came out."""

    kept: tuple[Container, ...] = ()
    bias: MixBias | None = None
    past: Mapping[str, PastPlans] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Windows:
    """The coming attended window and the beginnings of the two after it; where there is none, days stand in."""

    from_s: float
    to_s: float
    next_s: float
    after_next_s: float

    @classmethod
    def of(cls, plant: Plant, now_s: float) -> Windows:
        """Look at the attended calendar from `now_s`; a window under way counts from now on, its last hour no more."""
        start, end = window_after(plant.attended, now_s)
        if math.isfinite(end) and end - now_s < _LEAST_WINDOW_S:
            start, end = window_after(plant.attended, end)
        if not math.isfinite(start) or not math.isfinite(end):
            return cls(now_s, now_s + DAY_S, now_s + DAY_S, now_s + 2 * DAY_S)
        following, following_end = window_after(plant.attended, end)
        return cls(start, end, following, window_after(plant.attended, following_end)[0])


def make_demand(
    plant: Plant,
    views: Iterable[tuple[Sump, Estimate, Forecast | None]],
    now_s: float,
    sequence: int,
    known: Known | None = None,
) -> dict[str, MixingDemand]:
    """Return the demand of every fluid of the plant for the coming attended window, by fluid id.

    A fluid nobody needs has an empty demand: that too is said, so that an older one does not stand. The totals' 90 %
    volume is the sum of the sumps' own, which is more than the 90 % point of the sum. `known` is what else bears on it.
    """
    windows = Windows.of(plant, now_s)
    after = Windows.of(plant, windows.next_s)
    needs: dict[str, list[SumpDemand]] = defaultdict(list)
    later: dict[str, list[SumpDemand]] = defaultdict(list)
    for sump, estimate, forecast in views:
        need = sump_demand(plant, sump, estimate, forecast, windows, now_s)
        if need is not None:
            needs[sump.fluid.id].append(need)
            again = _again(sump, estimate, forecast, need, after)
        else:
            again = sump_demand(plant, sump, estimate, forecast, after, now_s)
        if again is not None:
            later[sump.fluid.id].append(again)
    made = {fluid: _demand(fluid, needs[fluid], windows, now_s, sequence) for fluid in plant.fluids}
    known = known or Known()
    return {
        fluid: replace(
            demand,
            plan=_plan(plant, fluid, demand.sumps, known),
            later=_later(later[fluid], after),
            past=known.past.get(fluid),
        )
        for fluid, demand in made.items()
    }


def _plan(plant: Plant, fluid: str, needs: tuple[SumpDemand, ...], known: Known) -> BatchPlan:
    station = plant.station or Station(math.inf, plant.bucket_l, math.inf)
    half = station.mix_step_pct / 2.0
    leanest, richest = plant.fluids[fluid].leanest_make_up_pct, plant.fluids[fluid].richest_make_up_pct
    asked = []
    for need in needs:
        low, high = need.mix_low_pct or need.mix_pct, need.mix_high_pct or need.mix_pct
        low, high = min(low, max(need.mix_pct - half, leanest)), max(high, min(need.mix_pct + half, richest))
        asked.append(Need(need.sump, need.volume_l, low, high))
    return plan_batches(asked, station, [one for one in known.kept if one.fluid == fluid], known.bias)


def _again(
    sump: Sump, estimate: Estimate, forecast: Forecast | None, need: SumpDemand, after: Windows
) -> SumpDemand | None:
    """Return the make-up for what a sump that is served loses until the end of the window after.

    None where that is less than a quarter of it.
    """
    if forecast is None:
        return None
    path, by_s = forecast.path, max(after.to_s - BEFORE_END_S, after.from_s)
    hours = [(time_s - forecast.made_s) / 3600.0 for time_s in (need.by_s, by_s)]
    lost, most = (
        at(path.hours, ys, hours[0]) - at(path.hours, ys, hours[1]) for ys in (path.volume_p50_l, path.volume_p10_l)
    )
    if lost < _FREE_SHARE * sump.full_l:
        return None
    litres = math.floor(min(lost, sump.full_l) * 10) / 10
    evaporation, drag_out = (max(rate, 0.0) for rate in (estimate.evaporation_l_per_day, estimate.drag_out_l_per_day))
    fluid = sump.fluid
    held = (
        make_up_that_holds(fluid.target_pct, evaporation, drag_out)
        if evaporation + drag_out > 0.0
        else fluid.target_pct
    )
    mix = round(min(max(held, fluid.leanest_make_up_pct), fluid.richest_make_up_pct), 2)
    return _need(
        sump, litres, (litres, max(math.floor(min(most, sump.full_l) * 10) / 10, litres)), mix, by_s, can_wait=False
    )


def _later(needs: list[SumpDemand], windows: Windows) -> LaterDemand:
    ordered = tuple(sorted(needs, key=lambda need: (need.can_wait, need.by_s, need.sump)))
    return LaterDemand(
        windows.from_s,
        windows.to_s,
        ordered,
        round(math.fsum(need.volume_l for need in ordered), 2),
        round(math.fsum(need.volume_p90_l for need in ordered), 2),
    )


def sump_demand(
    plant: Plant,
    sump: Sump,
    estimate: Estimate,
    forecast: Forecast | None,
    windows: Windows,
    now_s: float,
) -> SumpDemand | None:
    """Return what one sump is predicted to need in the coming window; None where it needs nothing."""
    if not estimate.known:
        return None
    exit_s = _early_exit_s(forecast)
    by_s = max(min(windows.to_s - BEFORE_END_S, exit_s - BEFORE_EXIT_S), windows.from_s, now_s)
    free_p50, free_p90 = _free_l(plant, sump, estimate, forecast, by_s, now_s)
    can_wait = exit_s >= windows.next_s
    if can_wait and exit_s >= windows.after_next_s and free_p50 < _FREE_SHARE * sump.full_l:
        return None
    recipe = plan_recipe(plant, sump, estimate, forecast, by_s, now_s)
    need = _from_recipe(sump, recipe, (free_p50, free_p90), by_s, can_wait=can_wait)
    if need is None:
        return None
    bench = bench_at(plant, sump, estimate, still_valid(forecast, estimate, sump), by_s, now_s)
    low, high = mix_range(bench, recipe)
    return replace(need, mix_low_pct=round(min(low, need.mix_pct), 3), mix_high_pct=round(max(high, need.mix_pct), 3))


def _from_recipe(
    sump: Sump, recipe: Recipe, free_l: tuple[float, float], by_s: float, *, can_wait: bool
) -> SumpDemand | None:
    adds = [step for step in recipe.steps if step.do == "add"]
    wanted = math.fsum(step.volume_l or 0.0 for step in adds)
    litres = math.floor(min(wanted, free_l[0]) * 10) / 10
    if litres <= 0.0:
        return None
    more = math.floor(min(litres + max(free_l[1] - free_l[0], 0.0), free_l[1]) * 10) / 10
    return _need(sump, litres, (litres, max(more, litres)), _blended(recipe), by_s, can_wait=can_wait)


def _need(
    sump: Sump, litres: float, spread_l: tuple[float, float], mix: float, by_s: float, *, can_wait: bool
) -> SumpDemand:
    concentrate = round(litres * mix / 100.0, 3)
    return SumpDemand(
        sump=sump.id,
        volume_l=litres,
        volume_p90_l=spread_l[1],
        mix_pct=mix,
        concentrate_l=concentrate,
        water_l=round(litres - concentrate, 3),
        by_s=by_s,
        can_wait=can_wait,
    )


def _blended(recipe: Recipe) -> float:
    """Strength of all that a recipe adds, one mix for the station (percent, two decimals)."""
    adds = [(step.volume_l or 0.0, step.mix_pct or 0.0) for step in recipe.steps if step.do == "add"]
    return round(math.fsum(litres * mix for litres, mix in adds) / math.fsum(litres for litres, _ in adds), 2)


def _free_l(
    plant: Plant,
    sump: Sump,
    estimate: Estimate,
    forecast: Forecast | None,
    by_s: float,
    now_s: float,
) -> tuple[float, float]:
    """Free litres at a moment: likely, and 90 % (the level then lower than likely)."""
    state = bench_at(plant, sump, estimate, forecast, by_s, now_s).start
    low = state.volume_l - 1.2816 * state.volume_sd_l
    if forecast is not None:
        low = at(forecast.path.hours, forecast.path.volume_p10_l, (by_s - forecast.made_s) / 3600.0)
    likely = max(sump.full_l - state.volume_l, 0.0)
    return likely, max(sump.full_l - low, likely)


def _early_exit_s(forecast: Forecast | None) -> float:
    if forecast is None or forecast.exit_p10_h >= forecast.horizon_h:
        return math.inf
    return forecast.made_s + 3600.0 * forecast.exit_p10_h


def _demand(fluid: str, needs: list[SumpDemand], windows: Windows, now_s: float, sequence: int) -> MixingDemand:
    ordered = tuple(sorted(needs, key=lambda need: (need.can_wait, need.by_s, need.sump)))
    return MixingDemand(
        fluid=fluid,
        sequence=sequence,
        made_s=now_s,
        valid_until_s=windows.to_s,
        window_from_s=windows.from_s,
        window_to_s=windows.to_s,
        sumps=ordered,
        totals=_totals(ordered),
    )


def _totals(needs: tuple[SumpDemand, ...]) -> dict[str, float]:
    """Sum up litres, concentrate and water; and litres a mix, as `mix_1.25_pct_l`."""
    totals = {
        "volume_l": round(math.fsum(need.volume_l for need in needs), 2),
        "volume_p90_l": round(math.fsum(need.volume_p90_l for need in needs), 2),
        "concentrate_l": round(math.fsum(need.concentrate_l for need in needs), 3),
        "water_l": round(math.fsum(need.water_l for need in needs), 3),
        "cannot_wait_l": round(math.fsum(need.volume_l for need in needs if not need.can_wait), 2),
    }
    for mix in sorted({need.mix_pct for need in needs}):
        litres = math.fsum(need.volume_l for need in needs if need.mix_pct == mix)
        totals[f"mix_{number(mix, 2)}_pct_l"] = round(litres, 2)
    return totals
