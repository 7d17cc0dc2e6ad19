"""From a plan to the recipe that is printed: steps, costs, landing, cautions."""

from __future__ import annotations

import math
from collections.abc import Iterable

from alerts.bench import Bench
from alerts.cautions import cautions_for
from alerts.landing import Round, State
from alerts.plans import Plan
from alerts.types import Landing, Recipe, RecipeKind, Step
from alerts.words import number
from monitor.plant.quantity import L_PER_US_GAL

CIRCULATE_MINUTES = 20
_SAMPLE = "refractometer on a filtered sample from the moving fluid, and the gauge at rest"


def recipe_from(plan: Plan, why: str, instead: Recipe | None = None) -> Recipe:
    """Write a plan out as a recipe; its numbers are the rounded ones, so that a reader can redo the arithmetic."""
    adds = [one.add_l for one in plan.rounds]
    concentrate = [concentrate_l(one) for one in plan.rounds]
    out, used = round(plan.taken_out_l, 2), [one.set_aside_l for one in plan.rounds]
    keeps = plan.bench.start.concentration_pct >= plan.bench.sump.fluid.target_pct
    return Recipe(
        sump=plan.bench.sump.id,
        kind=plan.kind,
        made_s=plan.bench.now_s,
        for_s=plan.bench.for_s,
        from_volume_l=plan.bench.start.volume_l,
        from_concentration_pct=plan.bench.start.concentration_pct,
        steps=tuple(_steps(plan)),
        lands=landing(plan.bench, plan.end),
        concentrate_l=round(math.fsum(concentrate), 3),
        water_l=round(math.fsum(adds) - math.fsum(concentrate) - math.fsum(used), 3),
        waste_l=0.0 if keeps else out,
        set_aside_l=out if keeps else 0.0,
        set_aside_used_l=round(math.fsum(used), 2),
        why=why,
        cautions=cautions_for(_topics(out, keeps=keeps) | ({"reuse"} if any(used) else set())),
        instead=instead,
    )


def bare_recipe(
    bench: Bench, kind: RecipeKind, steps: tuple[Step, ...], why: str, instead: Recipe | None = None
) -> Recipe:
    """Write a recipe that adds and takes out nothing: it lands where the sump is."""
    topics = {
        RecipeKind.LOOK_FOR_LEAK: ("skin", "lock_out", "slips", "leak"),
        RecipeKind.CHECK_FIRST: ("skin", "circulate"),
    }
    return Recipe(
        sump=bench.sump.id,
        kind=kind,
        made_s=bench.now_s,
        for_s=bench.for_s,
        from_volume_l=bench.start.volume_l,
        from_concentration_pct=bench.start.concentration_pct,
        steps=steps,
        lands=landing(bench, bench.start),
        concentrate_l=0.0,
        water_l=0.0,
        waste_l=0.0,
        set_aside_l=0.0,
        why=why,
        cautions=cautions_for(topics.get(kind, ())),
        instead=instead,
    )


def measure_step() -> Step:
    """Return the step that measures strength and level."""
    return Step("measure", what=_SAMPLE)


def landing(bench: Bench, end: State) -> Landing:
    """Round a landing: litres and percent to two decimals, the chance down to three, at most 0.999."""
    early, late = end.interval()
    return Landing(
        volume_l=round(end.volume_l, 2),
        concentration_pct=round(end.concentration_pct, 2),
        p10=round(early, 2),
        p90=round(late, 2),
        in_band_probability=min(math.floor(end.chance_inside(*bench.band) * 1000 + 1e-9) / 1000, 0.999),
    )


def concentrate_l(one: Round) -> float:
    """Litres of fresh concentrate in what a round adds, to the millilitre."""
    return max(round((one.add_l * one.mix_pct - one.set_aside_l * one.set_aside_pct) / 100.0, 3), 0.0)


def containers(bench: Bench, litres: float) -> str:
    """Say a volume in buckets: `8 x 20 L + 5 L`, in a US plant `3 x 5 US gal + 1.25 US gal`."""
    split = bench.measures.split(litres)
    parts = [f"{split.whole} x {_size(bench, split.bucket_l)}"] if split.whole else []
    if split.rest_l or not parts:
        parts.append(_size(bench, split.rest_l))
    return " + ".join(parts)


def _size(bench: Bench, litres: float) -> str:
    if bench.measures.units == "us":
        return f"{number(litres / L_PER_US_GAL, 2)} US gal"
    return f"{number(litres, 2)} L"


def _steps(plan: Plan) -> Iterable[Step]:
    if plan.waits:
        yield Step("wait_until", time_s=plan.bench.for_s, until_level_mm=plan.bench.level_mm(plan.bench.start.volume_l))
    left = plan.bench.start.volume_l
    for i, one in enumerate(plan.rounds):
        if i and plan.kind is not RecipeKind.USE_SET_ASIDE:
            yield measure_step()
        yield from _round_steps(plan.bench, one, left)
        left += one.add_l - one.take_out_l
        if plan.kind is not RecipeKind.USE_SET_ASIDE or one is plan.rounds[-1]:
            yield Step("circulate", minutes=CIRCULATE_MINUTES)
    yield measure_step()


def _round_steps(bench: Bench, one: Round, before_l: float) -> Iterable[Step]:
    left = before_l - one.take_out_l
    if one.take_out_l > 0.0:
        yield Step("take_out", volume_l=one.take_out_l, until_level_mm=bench.level_mm(left))
    if one.add_l > 0.0:
        yield Step(
            "add",
            volume_l=one.add_l,
            mix_pct=one.mix_pct,
            water=None if bench.water.water is None else bench.water.water.id,
            concentrate_l=concentrate_l(one),
            containers=containers(bench, one.add_l),
            until_level_mm=bench.level_mm(left + one.add_l),
            setting_pct=None if bench.mixer is None else round(bench.mixer[1].setting_pct(one.mix_pct), 2),
            container=one.container or None,
            set_aside_l=one.set_aside_l or None,
            set_aside_pct=one.set_aside_pct or None,
        )


def _topics(taken_out_l: float, *, keeps: bool) -> set[str]:
    topics = {"stir", "premix", "skin", "slips", "circulate"}
    if taken_out_l > 0.0:
        topics |= {"lock_out", "store" if keeps else "waste"}
    return topics
