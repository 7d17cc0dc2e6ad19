"""`python -m tests.benchmarks recipes [--halls DIR …]`: follow every recipe inside the truth of a recording, and count.

Three parts. *Landings*: the pipeline runs over the readings; every six hours, while somebody is there, each sump's
recipe is carried out on what was true then, with the hands' errors, and the truth is set against the interval that the
recipe stated. A recipe that asks for a measurement first gets one (hand check, gauge at rest) and is made anew. A
recipe that waits cannot be followed here (the recording's own people went on working) and is only counted.
*Weeks*: the losses of the recording drive sumps that are served by recipes, or by the habit "fill up with a 5 % mix",
at the same moments: concentrate, waste, share of moments inside the band. *Plans*: mixes a demand needs against one
mix a sump, and the seconds for 500 sumps.
"""

from __future__ import annotations

import argparse
import math
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np

from alerts.balance import Charge
from alerts.mixing import Known, make_demand
from alerts.recipes import make_recipe
from alerts.types import Recipe, RecipeKind
from monitor.model.types import Estimate, Forecast
from monitor.pipeline import Pipeline
from monitor.plant.file import load_plant
from monitor.plant.reading import Reading
from monitor.plant.types import Plant, Sump
from monitor.record.csv_in import read_entries, read_readings
from tests.benchmarks.accuracy import default_halls
from tests.benchmarks.recording import DAY_S, HOUR_S, Recording, number, seconds
from tests.unit.alerts.hall import a_forecast, an_estimate

EVERY_S: Final = 6 * HOUR_S
TAKE_OUT_SD: Final = 0.02
ADD_SD: Final = 0.02
MIX_SD: Final = 0.04
CHECK_SD: Final = 0.13
GAUGE_SHARE: Final = 0.007
HABIT_PCT: Final = 5.0
HABIT_AT: Final = 0.75
HABIT_TO: Final = 0.95
MANY: Final = 500

View = tuple[Sump, Estimate, Forecast | None]
Truth = dict[tuple[str, float], Charge]


@dataclass
class Landings:
    """What came of following recipes."""

    followed: int = 0
    inside: int = 0
    outside_band: int = 0
    worst_pct: float = 0.0
    overfilled: int = 0
    concentrate_l: float = 0.0
    waste_l: float = 0.0
    set_aside_l: float = 0.0
    kinds: Counter[str] = field(default_factory=Counter)


@dataclass
class Service:
    """Weeks of one way to serve a sump: litres of concentrate, waste and set aside; moments inside the band."""

    concentrate_l: float = 0.0
    waste_l: float = 0.0
    set_aside_l: float = 0.0
    fillings: int = 0
    inside: int = 0
    moments: int = 0


def truth_of(recording: Recording) -> Truth:
    """Return litres and strength of each sump at each moment of the truth file."""
    return {
        (row["sump"], seconds(row["time"])): Charge(number(row["volume_l"]), number(row["concentration_pct"]))
        for row in recording.table("exits")
    }


def pictures(plant: Plant, recording: Recording, moments: Sequence[float]) -> Iterator[tuple[float, list[View]]]:
    """Run the pipeline over a recording and yield what is believed at each moment, with what was told by then."""
    pipeline = Pipeline(plant, calm_too=False)
    entries = sorted(read_entries(recording.entries_file, plant, lambda _: None), key=lambda e: (e.time_s, e.id))
    readings, told = iter(read_readings(recording.readings_file, plant, lambda _: None)), 0
    ahead: list[Reading] = []
    for moment_s in moments:
        batch, ahead = ahead, []
        for reading in readings:
            if reading.time_s > moment_s:
                ahead = [reading]
                break
            batch.append(reading)
        until = next((i for i, e in enumerate(entries[told:], told) if e.time_s > moment_s), len(entries))
        pipeline.take(batch, entries[told:until])
        told = until
        for _ in pipeline.run_until(moment_s):
            pass
        made = pipeline.refreshed_forecasts()
        seen = pipeline.snapshot.sumps
        yield moment_s, [(plant.sumps[name], view.estimate, made.get(name)) for name, view in seen.items()]


def carried_out(recipe: Recipe, truth: Charge, draw: np.random.Generator) -> Charge:
    """Do what a recipe says to what is really there, as hands do it."""
    for step in recipe.steps:
        if step.do == "take_out":
            out = (step.volume_l or 0.0) * draw.normal(1.0, TAKE_OUT_SD)
            truth = truth.minus(min(max(out, 0.0), truth.volume_l))
        elif step.do == "add":
            litres = (step.volume_l or 0.0) * draw.normal(1.0, ADD_SD)
            truth = truth.plus(max(litres, 0.0), max((step.mix_pct or 0.0) * draw.normal(1.0, MIX_SD), 0.0))
    return truth


def measured(estimate: Estimate, truth: Charge, sump: Sump, draw: np.random.Generator) -> Estimate:
    """Return the estimate after somebody measured strength and level by hand."""
    level_sd = GAUGE_SHARE * sump.full_l
    return replace(
        estimate,
        known=True,
        volume_l=truth.volume_l + draw.normal(0.0, level_sd),
        volume_sd_l=level_sd,
        concentration_pct=max(truth.concentration_pct + draw.normal(0.0, CHECK_SD), 0.1),
        concentration_sd_pct=CHECK_SD,
        correlation=0.0,
        last_heard_s=dict.fromkeys(sump.signals, estimate.time_s),
    )


def adds(recipe: Recipe) -> bool:
    return any(step.do == "add" for step in recipe.steps)


def waits(recipe: Recipe) -> bool:
    return any(step.do == "wait_until" for step in recipe.steps)


def follow(plant: Plant, view: View, truth: Charge, now_s: float, out: Landings, draw: np.random.Generator) -> None:
    """Make the recipe of one sump, follow it and note where it lands."""
    sump, estimate, forecast = view
    recipe = make_recipe(plant, sump, estimate, forecast, now_s)
    out.kinds[recipe.kind.value] += 1
    if recipe.kind is RecipeKind.CHECK_FIRST:
        recipe = make_recipe(plant, sump, measured(estimate, truth, sump, draw), forecast, now_s)
    if not adds(recipe) or waits(recipe):
        return
    end, (low, high) = carried_out(recipe, truth, draw), sump.fluid.band_pct
    out.followed += 1
    out.inside += recipe.lands.p10 <= end.concentration_pct <= recipe.lands.p90
    beyond = max(low - end.concentration_pct, end.concentration_pct - high, 0.0)
    out.outside_band += beyond > 0.0
    out.worst_pct = max(out.worst_pct, beyond)
    out.overfilled += end.volume_l > 1.005 * sump.full_l
    out.concentrate_l += recipe.concentrate_l
    out.waste_l += recipe.waste_l
    out.set_aside_l += recipe.set_aside_l


@dataclass(frozen=True)
class Losses:
    """What a sump lost between two moments of the truth: water, and fluid at its own strength (litres)."""

    from_s: float
    water_l: float
    fluid_l: float


def losses_of(recording: Recording, truth: Truth) -> dict[str, list[Losses]]:
    """Return each sump's losses between moments in which nobody filled or emptied it."""
    served = {
        (row["sump"], math.floor(seconds(row["time"]) / EVERY_S))
        for name in ("services", "removals")
        for row in recording.table(name)
    }
    found: dict[str, list[Losses]] = {}
    for (sump, time_s), before in truth.items():
        after = truth.get((sump, time_s + EVERY_S))
        slot = math.floor(time_s / EVERY_S)
        if after is None or not {(sump, slot), (sump, slot + 1)}.isdisjoint(served):
            continue
        mean = (before.concentration_pct + after.concentration_pct) / 200.0
        fluid = max((before.concentrate_l - after.concentrate_l) / mean, 0.0)
        water = before.volume_l - after.volume_l - fluid
        if water >= 0.0 and fluid + water < 0.2 * before.volume_l:
            found.setdefault(sump, []).append(Losses(time_s, water, fluid))
    return found


def weeks(plant: Plant, losses: dict[str, list[Losses]], *, by_recipe: bool) -> Service:
    """Serve every sump over its losses, by recipes or by habit, at the moments somebody is there."""
    total, draw = Service(), np.random.default_rng(4)
    for name, spans in losses.items():
        sump = plant.sumps[name]
        charge = Charge(0.9 * sump.full_l, sump.fluid.target_pct)
        days = len(spans) * EVERY_S / DAY_S
        per_day = math.fsum(s.water_l for s in spans) / days, math.fsum(s.fluid_l for s in spans) / days
        for span in spans:
            if plant.attended.covers(span.from_s):
                serve = _by_recipe if by_recipe else _by_habit
                charge = serve(plant, sump, charge, span.from_s, per_day, total, draw)
            strength = charge.concentration_pct
            kept = max(charge.volume_l - span.water_l - span.fluid_l, 0.05 * sump.full_l)
            charge = Charge(kept, 100.0 * max(charge.concentrate_l - span.fluid_l * strength / 100.0, 0.0) / kept)
            low, high = sump.fluid.band_pct
            total.inside += low <= charge.concentration_pct <= high and charge.volume_l >= sump.lowest_l
            total.moments += 1
    return total


def _by_recipe(
    plant: Plant,
    sump: Sump,
    charge: Charge,
    now_s: float,
    per_day: tuple[float, float],
    total: Service,
    draw: np.random.Generator,
) -> Charge:
    believed = an_estimate(
        charge.volume_l + draw.normal(0.0, 0.006 * sump.full_l),
        charge.concentration_pct + draw.normal(0.0, 0.1),
        now_s,
        sump=sump.id,
        volume_sd_l=0.006 * sump.full_l,
        evaporation_l_per_day=per_day[0],
        drag_out_l_per_day=per_day[1],
    )
    ahead = a_forecast(believed, sump, evaporation=max(per_day[0], 0.01), drag_out=max(per_day[1], 0.01))
    recipe = make_recipe(plant, sump, believed, ahead, now_s)
    if recipe.kind is RecipeKind.CHECK_FIRST:
        recipe = make_recipe(plant, sump, measured(believed, charge, sump, draw), ahead, now_s)
    if not adds(recipe) or waits(recipe):
        return charge
    total.fillings += 1
    total.concentrate_l += recipe.concentrate_l
    total.waste_l += recipe.waste_l
    total.set_aside_l += recipe.set_aside_l
    return carried_out(recipe, charge, draw)


def _by_habit(
    plant: Plant,
    sump: Sump,
    charge: Charge,
    now_s: float,
    per_day: tuple[float, float],
    total: Service,
    draw: np.random.Generator,
) -> Charge:
    """Fill up with a 5 % mix when a quarter is gone; empty and fill anew what has gone out by more than half a band."""
    low, high = sump.fluid.band_pct
    half = (high - low) / 2.0
    if not low - half <= charge.concentration_pct <= high + half:
        total.waste_l += charge.volume_l
        total.concentrate_l += HABIT_TO * sump.full_l * sump.fluid.target_pct / 100.0
        total.fillings += 1
        return Charge(HABIT_TO * sump.full_l, sump.fluid.target_pct)
    if charge.volume_l >= HABIT_AT * sump.full_l:
        return charge
    litres = HABIT_TO * sump.full_l - charge.volume_l
    total.fillings += 1
    total.concentrate_l += litres * HABIT_PCT / 100.0
    return charge.plus(litres, HABIT_PCT * draw.normal(1.0, MIX_SD))


def many(views: Sequence[View], plant: Plant, now_s: float) -> tuple[float, float, int]:
    """Return the seconds for 500 recipes and for the demand with its batch plan, and the mixes of that plan."""
    copies = []
    for i in range(MANY):
        sump, estimate, forecast = views[i % len(views)]
        name = f"{sump.id}-{i}"
        ahead = None if forecast is None else replace(forecast, sump=name)
        copies.append((replace(sump, id=name), replace(estimate, sump=name), ahead))
    hall = replace(plant, sumps={sump.id: sump for sump, _, _ in copies})
    started = time.perf_counter()
    for sump, estimate, ahead in copies:
        make_recipe(hall, sump, estimate, ahead, now_s)
    between = time.perf_counter()
    demand = make_demand(hall, copies, now_s, 1, Known())
    ended = time.perf_counter()
    mixes = sum(len(one.plan.mixes) for one in demand.values() if one.plan is not None)
    return between - started, ended - between, mixes


def run(recording: Recording) -> dict[str, float]:
    """Return the figures of one recording."""
    plant, truth, draw = load_plant(recording.plant_file), truth_of(recording), np.random.default_rng(7)
    served = {(row["sump"], seconds(row["time"])) for row in recording.table("services")}
    moments = sorted({time_s for _, time_s in truth})
    landings, mixes, asked, last = Landings(), 0, 0, (0.0, list[View]())
    for at_s, views in pictures(plant, recording, moments):
        last = (at_s, views)
        if not plant.attended.covers(at_s):
            continue
        for view in views:
            there = truth.get((view[0].id, at_s))
            if there is not None and not any((view[0].id, at_s - ago) in served for ago in (0.0, 300.0, 600.0, 900.0)):
                follow(plant, view, there, at_s, landings, draw)
        for demand in make_demand(plant, views, at_s, 1).values():
            mixes += 0 if demand.plan is None else len(demand.plan.mixes)
            asked += len(demand.sumps)
    losses = losses_of(recording, truth)
    ours, habit = weeks(plant, losses, by_recipe=True), weeks(plant, losses, by_recipe=False)
    recipes_s, demand_s, many_mixes = many(last[1], plant, last[0])
    print(f"  kinds: {dict(landings.kinds)}")
    return {
        "recipes followed": landings.followed,
        "landed inside the stated 10-90 %": landings.inside / max(landings.followed, 1),
        "landed outside the band": landings.outside_band,
        "… worst, points beyond": landings.worst_pct,
        "overfilled": landings.overfilled,
        "weeks by recipe: concentrate, L": ours.concentrate_l,
        "weeks by recipe: waste, L": ours.waste_l,
        "weeks by recipe: set aside, L": ours.set_aside_l,
        "weeks by recipe: fillings": ours.fillings,
        "weeks by recipe: inside": ours.inside / max(ours.moments, 1),
        "weeks by habit: concentrate, L": habit.concentrate_l,
        "weeks by habit: waste, L": habit.waste_l,
        "weeks by habit: fillings": habit.fillings,
        "weeks by habit: inside": habit.inside / max(habit.moments, 1),
        "mixes in all demands": mixes,
        "one mix a sump would be": asked,
        f"{MANY} recipes, seconds": recipes_s,
        f"{MANY} sumps demand and plan, seconds": demand_s,
        f"{MANY} sumps, mixes": many_mixes,
    }


def main(arguments: Sequence[str]) -> int:
    """Run over recordings and print the figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks recipes")
    parser.add_argument("--halls", nargs="+", type=Path, default=default_halls(), help="folders of recordings")
    options = parser.parse_args(arguments)
    if not options.halls:
        parser.error("no recordings: name some with --halls")
    for hall in options.halls:
        started = time.perf_counter()
        print(hall.name, flush=True)
        for name, value in run(Recording(hall)).items():
            print(f"  {name:42} {value:10.3f}")
        print(f"  {'all of it, seconds':42} {time.perf_counter() - started:10.1f}", flush=True)
    return 0
