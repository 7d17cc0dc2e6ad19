"""Why a recipe is what it is, in a sentence or two for the person who carries it out."""

from __future__ import annotations

from alerts.bench import SURE, Bench
from alerts.landing import Round
from alerts.plans import Plan
from alerts.types import RecipeKind
from alerts.watching import say_bias
from alerts.words import about, jug, level, mix, moment, percent, pour, quarter, volume
from monitor.model.types import Side

_SIDES = {Side.RICH: "rich", Side.LEAN: "lean", Side.LOW: "at its lowest level", Side.NONE: "out"}


def why_plan(plan: Plan) -> str:
    """Say where the sump stands, why this plan, and how each bucket is mixed."""
    parts = (stands(plan.bench), _because(plan), *_buckets(plan), plan.bench.water.why, _mixer(plan.bench))
    return " ".join(part for part in parts if part)


def why_leave_alone(bench: Bench) -> str:
    """Say that there is nothing to do, and until when that holds."""
    return f"{stands(bench)} {_outlook(bench)} Nothing to do now."


def why_stuck(bench: Bench) -> str:
    """Say that no correction is possible inside the limits, and what to do instead."""
    full, lowest = (about(bench.plant, litres) for litres in (bench.sump.full_l, bench.sump.lowest_l))
    return (
        f"{stands(bench)} Between lowest ({lowest}) and full ({full}) there is neither room to add nor fluid to take "
        "out. Read the gauge at rest, measure the strength and ask the person in charge of the fluid."
    )


def why_check_first(bench: Bench, doubt: str) -> str:
    """Say why a measurement has to come first."""
    return f"{stands(bench)} {doubt} Measure first, log the result, then follow the new recipe."


def stands(bench: Bench) -> str:
    """Say where the sump stands at the moment the recipe is for."""
    start, (low, high) = bench.start, bench.band
    where = "inside"
    if start.concentration_pct > high:
        where = "richer than"
    elif start.concentration_pct < low:
        where = "leaner than"
    return (
        f"{about(bench.plant, start.volume_l)} at {percent(start.concentration_pct)}, {where} the band of "
        f"{percent(low)} to {percent(high)}."
    )


def _outlook(bench: Bench) -> str:
    forecast = bench.forecast
    if forecast is None:
        return "No forecast yet."
    if forecast.exit_p10_h >= forecast.horizon_h:
        return f"It stays inside for at least {forecast.horizon_h / 24:.0f} days."
    early, likely = (
        moment(bench.plant, quarter(forecast.made_s + 3600.0 * hours), bench.now_s)
        for hours in (forecast.exit_p10_h, forecast.exit_p50_h)
    )
    side = _SIDES[forecast.side]
    if forecast.exit_p50_h >= forecast.horizon_h:
        return f"It may be {side} from {early}, more likely much later."
    return f"It is likely {side} around {likely}, from {early} at the earliest (one in ten)."


_BECAUSE = {
    RecipeKind.TOP_UP: "There is room, so the mix brings it to the target without taking anything out.",
    RecipeKind.ENRICH: "A premix brings it up; neat concentrate never goes into the sump.",
    RecipeKind.TOP_UP_IN_STEPS: (
        "It is found far down and rich: fill most of it, measure, choose the last litres by the reading."
    ),
    RecipeKind.USE_SET_ASIDE: (
        "Set-aside fluid brings the strength, so fresh concentrate is saved; the oldest goes first."
    ),
    RecipeKind.RUN_DOWN_THEN_FILL: (
        "Now there is too little room: let it run down, then fill, and nothing has to be taken out."
    ),
    RecipeKind.TAKE_OUT_AND_REFILL: (
        "Filling alone does not do it within the room there is, so some fluid has to come out first."
    ),
}


def _because(plan: Plan) -> str:
    because = _BECAUSE.get(plan.kind, "")
    if plan.kind is RecipeKind.TOP_UP and _is_beside_target(plan):
        because = "Filling the room there is brings it as near the target as the mix limits allow."
    return because if plan.is_sure else f"{because} {_doubt(plan)}"


def _mixer(bench: Bench) -> str:
    """Say how the usual mixes come out, and that the setting allows for it."""
    return "" if bench.mixer is None else f"{say_bias(*bench.mixer)} The setting allows for it."


def _doubt(plan: Plan) -> str:
    if plan.chance_if_measured >= SURE:
        return "The estimate is unsure: measure before you start."
    return "The limits of level and mix allow no better landing: measure afterwards and correct again."


def _is_beside_target(plan: Plan) -> bool:
    low, high = plan.bench.band
    return abs(plan.end.concentration_pct - plan.bench.sump.fluid.target_pct) > 0.1 * (high - low)


def _buckets(plan: Plan) -> tuple[str, ...]:
    """Say how one bucket is mixed; rounds of the same mix are said once."""
    mixes = {(one.mix_pct, one.container): one for one in plan.rounds if one.add_l > 0.0}
    return tuple(say_bucket(plan.bench, one) for one in mixes.values())


def say_bucket(bench: Bench, one: Round) -> str:
    """Say the water and the concentrate of one bucket of a mix."""
    bucket = min(bench.measures.bucket_l, one.add_l)
    strong = bucket * one.mix_pct / 100.0
    if one.container:
        rich = one.set_aside_l * bucket / one.add_l
        return (
            f"Each {volume(bench.plant, bucket)}: {volume(bench.plant, bucket - rich)} water, then "
            f"{jug(bench.plant, rich)} from container {one.container} into it ({mix(one.mix_pct)})."
        )
    return (
        f"Each {volume(bench.plant, bucket)}: {volume(bench.plant, bucket - strong)} water, then "
        f"{pour(bench.plant, strong)} concentrate into it ({mix(one.mix_pct)})."
    )


def say_level(bench: Bench, litres: float) -> str:
    """Say the level on the gauge for so many litres, or the litres where the gauge has none."""
    height = bench.level_mm(litres)
    return volume(bench.plant, litres) if height is None else level(bench.plant, height)
