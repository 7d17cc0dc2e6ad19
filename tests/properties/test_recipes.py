"""Laws every recipe keeps, whatever the sump, the fluid, the units and the state."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from itertools import pairwise
from typing import Any

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from alerts.balance import Charge
from alerts.bench import bench_now
from alerts.containers import Measures
from alerts.landing import Round, State, carry_out
from alerts.plans import take_out_and_refill, top_up
from alerts.recipes import make_recipe, plan_recipe
from alerts.types import Recipe, RecipeKind
from monitor.model.types import Estimate, Forecast
from monitor.plant.quantity import L_PER_US_GAL
from monitor.plant.tank import Cone, HorizontalCylinder, PerHeight, Tank
from monitor.plant.types import Fluid, Plant, Sump, UnitSystem
from tests.unit.alerts.hall import HOUR, MONDAY, a_fluid, a_forecast, a_plant, a_sump, an_estimate

Case = tuple[Plant, Sump, Estimate, Forecast | None]
BARE = (RecipeKind.LEAVE_ALONE, RecipeKind.CHECK_FIRST, RecipeKind.LOOK_FOR_LEAK)


@st.composite
def fluids(draw: st.DrawFn) -> Fluid:
    low = draw(st.floats(2.0, 8.0))
    high = low + draw(st.floats(1.0, 6.0))
    target = low + draw(st.floats(0.2, 0.8)) * (high - low)
    leanest = draw(st.floats(0.2, 0.6)) * low
    richest = min(high * draw(st.floats(1.2, 3.0)), 60.0)
    return a_fluid(band_pct=(low, high), target_pct=target, leanest_make_up_pct=leanest, richest_make_up_pct=richest)


def tanks(full_l: float) -> st.SearchStrategy[Tank]:
    side = (full_l * 1.2e6) ** (1 / 3)
    return st.sampled_from(
        (PerHeight(full_l / 400.0), HorizontalCylinder(1.1 * side, 1.5 * side), Cone(2.2 * side, 1.5 * side))
    )


@st.composite
def cases(draw: st.DrawFn, units: st.SearchStrategy[str] | None = None) -> Case:
    full = draw(st.floats(60.0, 4000.0))
    sump = a_sump(full_l=full, lowest_l=full * draw(st.floats(0.2, 0.8)), tank=draw(tanks(full)), fluid=draw(fluids()))
    unit_system: Any = draw(st.sampled_from(("metric", "us")) if units is None else units)
    bucket = draw(st.sampled_from((5 * L_PER_US_GAL, 3 * L_PER_US_GAL) if unit_system == "us" else (20.0, 12.0, 10.0)))
    plant = a_plant(sump, units=unit_system, bucket_l=bucket)
    estimate = an_estimate(
        full * draw(st.floats(0.1, 1.05)),
        draw(st.floats(0.5, 30.0)),
        MONDAY + HOUR * draw(st.floats(0.0, 168.0)),
        volume_sd_l=full * draw(st.floats(0.0, 0.1)),
        concentration_sd_pct=draw(st.floats(0.01, 1.5)),
        correlation=draw(st.floats(-0.9, 0.9)),
    )
    day_l = full * draw(st.floats(0.0, 0.15))
    share = draw(st.floats(0.0, 1.0))
    forecast = a_forecast(estimate, sump, evaporation=day_l * share, drag_out=day_l * (1 - share))
    return plant, sump, estimate, draw(st.sampled_from((forecast, None)))


def all_of(recipe: Recipe) -> list[Recipe]:
    return [recipe] if recipe.instead is None else [recipe, *all_of(recipe.instead)]


def walk(recipe: dict[str, Any]) -> list[tuple[str, float, float]]:
    """Redo a recipe's arithmetic from its JSON: after each step its name, litres and percent."""
    volume, pct = recipe["from"]["volume_l"], recipe["from"]["concentration_pct"]
    states = [("from", volume, pct)]
    for step in recipe["steps"]:
        if step["do"] == "take_out":
            volume -= step["volume_l"]
        if step["do"] == "add":
            total = volume + step["volume_l"]
            pct = (volume * pct + step["volume_l"] * step["mix_pct"]) / total
            volume = total
        states.append((step["do"], volume, pct))
    return states


@settings(max_examples=300, deadline=None)
@given(cases())
def test_a_reader_can_redo_the_arithmetic_to_a_hundredth(case: Case) -> None:
    plant, sump, estimate, forecast = case
    for recipe in all_of(make_recipe(plant, sump, estimate, forecast, estimate.time_s)):
        said = json.loads(json.dumps(recipe.as_json(), allow_nan=False))
        _, volume, pct = walk(said)[-1]
        assert math.isclose(volume, said["lands"]["volume_l"], abs_tol=0.011)
        assert math.isclose(pct, said["lands"]["concentration_pct"], abs_tol=0.01)
        adds = [step for step in said["steps"] if step["do"] == "add"]
        for step in adds:
            assert math.isclose(step["concentrate_l"], step["volume_l"] * step["mix_pct"] / 100, abs_tol=0.001)
        assert math.isclose(said["concentrate_l"], sum(step["concentrate_l"] for step in adds), abs_tol=0.001)
        total = sum(step["volume_l"] for step in adds)
        assert math.isclose(said["water_l"], total - said["concentrate_l"], abs_tol=0.002)
        out = sum(step["volume_l"] for step in said["steps"] if step["do"] == "take_out")
        assert math.isclose(said["waste_l"] + said["set_aside_l"], out, abs_tol=0.011)


@settings(max_examples=300, deadline=None)
@given(cases())
def test_limits_are_never_broken(case: Case) -> None:
    plant, sump, estimate, forecast = case
    for recipe in all_of(make_recipe(plant, sump, estimate, forecast, estimate.time_s)):
        states = walk(recipe.as_json())
        for before, (done, volume, pct) in pairwise(states):
            if done == "add":
                assert volume <= sump.full_l
                assert pct >= 0.0
            if done == "take_out":
                assert volume >= min(sump.lowest_l, before[1]) - 0.005
        for step in recipe.steps:
            assert (step.volume_l or 1.0) > 0.0
            if step.mix_pct is not None:
                assert sump.fluid.leanest_make_up_pct <= step.mix_pct <= sump.fluid.richest_make_up_pct
        assert min(recipe.concentrate_l, recipe.water_l, recipe.waste_l, recipe.set_aside_l) >= 0.0
        assert 0.0 <= recipe.lands.p10 <= recipe.lands.concentration_pct + 0.005
        assert recipe.lands.concentration_pct <= recipe.lands.p90 + 0.005
        assert 0.0 <= recipe.lands.in_band_probability < 1.0


@settings(max_examples=200, deadline=None)
@given(cases())
def test_every_recipe_says_why_and_gives_its_cautions(case: Case) -> None:
    plant, sump, estimate, forecast = case
    for recipe in all_of(make_recipe(plant, sump, estimate, forecast, estimate.time_s)):
        assert recipe.why.strip()
        assert "safety data sheet" in recipe.cautions[-1]
        assert bool(recipe.concentrate_l) is (recipe.kind not in BARE)
        if recipe.kind not in BARE:
            assert any("never water into concentrate" in caution for caution in recipe.cautions)


@settings(max_examples=200, deadline=None)
@given(cases())
def test_an_unsure_landing_asks_for_a_check_unless_limits_are_the_reason(case: Case) -> None:
    plant, sump, estimate, forecast = case
    recipe = make_recipe(plant, sump, estimate, forecast, estimate.time_s)
    if recipe.kind in BARE or recipe.lands.in_band_probability >= 0.95:
        return
    sure = replace(estimate, volume_sd_l=0.0, concentration_sd_pct=0.0)
    known = make_recipe(plant, sump, sure, forecast, estimate.time_s)
    assert known.lands.in_band_probability < 0.95
    assert "limits" in recipe.why


@settings(max_examples=150, deadline=None)
@given(cases(), st.floats(0.0, 120.0))
def test_planned_recipes_keep_the_same_laws(case: Case, ahead_h: float) -> None:
    plant, sump, estimate, forecast = case
    at_s = estimate.time_s + HOUR * ahead_h
    recipe = plan_recipe(plant, sump, estimate, forecast, at_s, estimate.time_s)
    _, volume, pct = walk(recipe.as_json())[-1]
    assert recipe.for_s == at_s
    assert math.isclose(pct, recipe.lands.concentration_pct, abs_tol=0.01)
    assert volume <= max(sump.full_l, recipe.from_volume_l)


@settings(max_examples=200, deadline=None)
@given(cases(units=st.just("metric")), st.floats(0.3, 0.7), st.floats(0.3, 0.7))
def test_landing_rises_with_the_target(case: Case, one: float, other: float) -> None:
    plant, sump, estimate, _ = case
    low, high = sump.fluid.band_pct
    landed = []
    for share in sorted((one, other)):
        fluid = replace(sump.fluid, target_pct=low + share * (high - low))
        aimed = replace(sump, fluid=fluid)
        bench = bench_now(plant, aimed, estimate, None, estimate.time_s)
        plan = top_up(bench)
        assume(plan is not None)
        assert plan is not None
        landed.append(plan.end.concentration_pct)
    assert landed[0] <= landed[1] + 1e-6


@settings(max_examples=150, deadline=None)
@given(cases(units=st.just("metric")))
def test_metric_and_us_plants_get_the_same_physical_recipe(case: Case) -> None:
    plant, sump, estimate, _ = case
    assume(sump.full_l > 150.0)
    us = replace(plant, units="us", bucket_l=5 * L_PER_US_GAL)
    metric = replace(plant, bucket_l=20.0)
    plans = [top_up(bench_now(p, sump, estimate, None, estimate.time_s)) for p in (metric, us)]
    if None in plans:
        return
    adds = [plan.rounds[0] for plan in plans if plan is not None]
    assert abs(adds[0].add_l - adds[1].add_l) <= 5.0  # a coarse part of a bucket: five litres or a gallon
    ends = [plan.end for plan in plans if plan is not None]
    pours = 0.5 * (0.05 + L_PER_US_GAL / 128) / 18.9 * 100  # half a step of concentrate a bucket in both
    off = (5.0 * abs(adds[0].mix_pct - ends[0].concentration_pct) + pours * adds[0].add_l) / ends[0].volume_l
    assert abs(ends[0].concentration_pct - ends[1].concentration_pct) <= off + 0.05


@settings(max_examples=300, deadline=None)
@given(cases())
def test_taking_out_least_takes_out_no_more_than_to_target(case: Case) -> None:
    plant, sump, estimate, forecast = case
    bench = bench_now(plant, sump, estimate, forecast, estimate.time_s)
    plan = take_out_and_refill(bench)
    recipe = make_recipe(plant, sump, estimate, forecast, estimate.time_s)
    if plan is not None and recipe.kind is RecipeKind.TAKE_OUT_AND_REFILL:
        assert recipe.waste_l + recipe.set_aside_l <= plan.taken_out_l + 0.011


@given(
    st.floats(0.0, 5000.0),
    st.sampled_from((("metric", 20.0), ("metric", 12.0), ("us", 5 * L_PER_US_GAL), ("us", 2 * L_PER_US_GAL))),
)
def test_measurable_volumes_enclose_and_are_their_own(litres: float, kind: tuple[UnitSystem, float]) -> None:
    measures = Measures(*kind)
    low, high = measures.floor_l(litres), measures.ceil_l(litres)
    assert low <= litres + 0.011
    assert high >= litres - 0.011
    assert high - low <= measures.part_l(litres) + 0.021
    assert math.isclose(measures.floor_l(low), low, abs_tol=0.02)
    split = measures.split(low)
    assert math.isclose(split.whole * split.bucket_l + split.rest_l, low, abs_tol=0.02 * max(split.whole, 1) + 1e-9)


@given(
    st.floats(0.0, 20.0),
    st.floats(0.1, 5.0),
    st.floats(0.1, 30.0),
    st.sampled_from((("metric", 20.0), ("us", 5 * L_PER_US_GAL))),
)
def test_measurable_mixes_stay_within_their_limits(
    wanted: float, leanest: float, width: float, kind: tuple[UnitSystem, float]
) -> None:
    mix = Measures(*kind).measurable_mix(wanted, leanest, leanest + width)
    assert leanest <= mix <= leanest + width
    assert abs(mix - min(max(wanted, leanest), leanest + width)) <= 0.26


@given(
    st.floats(50.0, 4000.0),
    st.floats(0.5, 30.0),
    st.lists(st.tuples(st.floats(0.0, 0.5), st.floats(0.0, 2000.0), st.floats(0.1, 20.0)), max_size=3),
)
def test_carrying_out_conserves_water_and_concentrate(
    volume: float, pct: float, moves: list[tuple[float, float, float]]
) -> None:
    charge = Charge(volume, pct)
    rounds = []
    for share, add, mix in moves:
        rounds.append(Round(share * charge.volume_l, add, mix))
        charge = charge.minus(rounds[-1].take_out_l).plus(add, mix)
    end = carry_out(State(volume, pct, 5.0, 0.1, 0.3), tuple(rounds))
    left = volume * pct / 100
    total = volume
    for one in rounds:
        left += one.add_l * one.mix_pct / 100 - left * one.take_out_l / total
        total += one.add_l - one.take_out_l
    assert math.isclose(end.charge.concentrate_l, left, rel_tol=1e-9, abs_tol=1e-9)
    assert math.isclose(end.volume_l, total, rel_tol=1e-9)
    assert end.concentration_sd_pct >= 0.0
    assert -1.0 <= end.correlation <= 1.0
