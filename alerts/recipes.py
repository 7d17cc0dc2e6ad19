"""Which correction: the choice among the plans, made for the least waste that lands surely and holds.

The order is fixed: what is unknown is measured first, a known loss is looked for first, a sump that needs nothing is
left alone; then filling comes before waiting for room, waiting before taking out, and taking out little before taking
out much. A plan is good when it lands inside the band with at least 95 % and stays there with at least 90 % until
somebody is back.
"""

from __future__ import annotations

import math
from dataclasses import replace

from alerts.bench import SURE, Bench, bench_at, bench_now, still_valid
from alerts.plans import Plan, in_steps, run_down_then_fill, take_out_and_refill, take_out_least, top_up
from alerts.reasons import why_check_first, why_leave_alone, why_plan, why_stuck
from alerts.reuse import use_set_aside
from alerts.setaside import Container
from alerts.sheet import bare_recipe, measure_step, recipe_from
from alerts.types import Recipe, RecipeKind, Step
from alerts.watching import MixBias
from alerts.words import about, duration, moment
from monitor.model.types import Estimate, Event, Forecast
from monitor.plant.reading import Signal
from monitor.plant.types import Plant, Sump

STALE_S = 86400.0
_BESIDE_TARGET = 0.1  # share of the band
_EMPTY_SHARE = 0.05  # of full
_NO_STRENGTH = 0.1  # of the band's lower end
_LEAK_PLACES = (
    "hoses, seals, the pump, the chip conveyor, the make-up valve, the overflow and the floor round the machine"
)


def make_recipe(
    plant: Plant,
    sump: Sump,
    estimate: Estimate,
    forecast: Forecast | None,
    now_s: float,
    *,
    loss_jump: Event | None = None,
    kept: tuple[Container, ...] = (),
    mixer: tuple[str, MixBias] | None = None,
) -> Recipe:
    """Return the recipe for this moment. There is always one: where nothing can or need be done it says so and why.

    `loss_jump`: a loss noticed lately and not yet explained; it is looked for before anything is filled in. `kept`:
    set-aside fluid, the oldest first. `mixer`: who usually mixes for this sump and how the mixes come out.
    """
    doubt = _doubt(plant, estimate, sump, now_s)
    if not _is_usable(estimate):
        return _unknown(plant, sump, estimate, now_s)
    bench = bench_now(plant, sump, estimate, still_valid(forecast, estimate, sump), now_s)
    bench = replace(bench, kept=kept, mixer=mixer)
    found = _choose(bench, estimate)
    if loss_jump is not None:
        return _look_for_leak(bench, loss_jump, found)
    doubt = doubt or _strange(bench)
    if doubt:
        return _check_first(bench, doubt, found)
    return found


def plan_recipe(
    plant: Plant,
    sump: Sump,
    estimate: Estimate,
    forecast: Forecast | None,
    at_s: float,
    now_s: float,
    *,
    kept: tuple[Container, ...] = (),
) -> Recipe:
    """Return the top-up or correction for a planned moment, from the forecast's state then.

    It is worked out even if the sump could wait longer; `leave_alone` means that nothing can be added with use.
    """
    if not _is_usable(estimate):
        return _unknown(plant, sump, estimate, now_s)
    bench = bench_at(plant, sump, estimate, still_valid(forecast, estimate, sump), at_s, now_s)
    bench = replace(bench, kept=kept)
    if bench.is_sure_inside and bench.measures.floor_l(bench.room_l) < bench.useful_l:
        return bare_recipe(bench, RecipeKind.LEAVE_ALONE, (), why_leave_alone(bench))
    return _best(bench, _options(bench, None), is_plan=True)


def _choose(bench: Bench, estimate: Estimate) -> Recipe:
    if _needs_nothing(bench):
        return _leave_alone(bench, estimate)
    return _best(bench, _options(bench, estimate), is_plan=False)


def _needs_nothing(bench: Bench) -> bool:
    """Tell whether the sump is surely inside and stays so until somebody is back, with a level that is not low."""
    if not bench.is_sure_inside or bench.is_low:
        return False
    if bench.forecast is None:
        return bench.room_l < 0.15 * bench.sump.full_l
    return bench.leaves_before_back < 0.05


def _leave_alone(bench: Bench, estimate: Estimate) -> Recipe:
    """Leave it alone; if waiting for room is worth planning, that is the recipe, else the top-up that could be made."""
    later = run_down_then_fill(bench, estimate) if _wants_room(bench) else None
    if later is not None:
        alone = bare_recipe(bench, RecipeKind.LEAVE_ALONE, (), why_leave_alone(bench))
        return recipe_from(later, why_plan(later), alone)
    plan = top_up(bench)
    instead = None if plan is None or not plan.is_sure else recipe_from(plan, why_plan(plan))
    return bare_recipe(bench, RecipeKind.LEAVE_ALONE, (), why_leave_alone(bench), instead)


def _wants_room(bench: Bench) -> bool:
    """Tell whether the sump is on the rich side and filling now would leave it there."""
    target, (low, high) = bench.sump.fluid.target_pct, bench.band
    aside = bench.start.concentration_pct - target
    plan = top_up(bench)
    landed = aside if plan is None else plan.end.concentration_pct - target
    return aside > 0.0 and landed > _BESIDE_TARGET * (high - low)


def _options(bench: Bench, estimate: Estimate | None) -> list[Plan]:
    """Return the plans in the order of their waste."""
    fill, exchange = top_up(bench), take_out_and_refill(bench)
    options = [] if fill is None else [*_present(use_set_aside(fill, bench.kept)), _stepped(fill)]
    if estimate is not None and _wants_room(bench):
        options += _present(run_down_then_fill(bench, estimate))
    if exchange is not None:
        options += _present(take_out_least(bench, exchange))
        options.append(exchange)
    return options


def _present(plan: Plan | None) -> list[Plan]:
    return [] if plan is None else [plan]


def _stepped(plan: Plan) -> Plan:
    """Fill a rich sump found under half full in two goes, with a measurement between."""
    bench = plan.bench
    is_rich = bench.start.concentration_pct > bench.band[1]
    if (
        is_rich
        and bench.start.volume_l < 0.5 * bench.sump.full_l
        and plan.rounds[0].add_l > 2 * bench.measures.bucket_l
    ):
        return in_steps(plan)
    return plan


def _best(bench: Bench, options: list[Plan], *, is_plan: bool) -> Recipe:
    """Write the best plan; what else serves goes with it. Where it is unsure, it asks for a check first."""
    if not options:
        if bench.is_sure_inside:
            return bare_recipe(bench, RecipeKind.LEAVE_ALONE, (), why_leave_alone(bench))
        return bare_recipe(bench, RecipeKind.CHECK_FIRST, (measure_step(),), why_stuck(bench))
    best = _pick(options)
    second = _second(bench, best, options)
    recipe = recipe_from(best, why_plan(best), None if second is None else recipe_from(second, why_plan(second)))
    return recipe if is_plan else _checked(bench, best, recipe)


def _pick(options: list[Plan]) -> Plan:
    """Pick the first good plan, else the sure one that holds best, else the likeliest.

    Nothing is taken out only because the estimate is unsure: a plan with less waste that a measurement would make sure
    comes first (and then asks for the measurement).
    """
    sure = [plan for plan in options if plan.is_sure]
    best = next((plan for plan in options if plan.is_good), None) or max(sure, key=_hold, default=None)
    cheaper = (
        plan
        for plan in options
        if not plan.is_sure
        and plan.chance_if_measured >= SURE
        and (best is None or plan.taken_out_l < best.taken_out_l)
    )
    return next(cheaper, best) or max(options, key=lambda plan: plan.chance)


def _hold(plan: Plan) -> float:
    return plan.bench.chance_to_hold(plan.end)


def _second(bench: Bench, best: Plan, options: list[Plan]) -> Plan | None:
    """Choose what else serves: beside a landing off target the way to target, beside one on target what wastes less."""
    target, (low, high) = bench.sump.fluid.target_pct, bench.band
    others = [plan for plan in options if plan is not best and plan.is_sure]
    if best.kind is RecipeKind.USE_SET_ASIDE:
        return next((plan for plan in others if plan.taken_out_l <= best.taken_out_l), None)
    if abs(best.end.concentration_pct - target) <= _BESIDE_TARGET * (high - low):
        others = [plan for plan in others if plan.taken_out_l < best.taken_out_l]
    return min(others, key=lambda plan: abs(plan.end.concentration_pct - target), default=None)


def _checked(bench: Bench, plan: Plan, recipe: Recipe) -> Recipe:
    """Ask for a measurement first where the landing is unsure.

    Where it would make the landing sure, the recipe waits for it; where the limits stand in the way, it is the first
    step.
    """
    if plan.is_sure:
        return recipe
    if not (plan.chance_if_measured >= SURE or _is_sure_once_known(bench)):
        return replace(recipe, steps=(measure_step(), *recipe.steps))
    chance = math.floor(100 * recipe.lands.in_band_probability)
    doubt = f"The estimate is too unsure for a correction: the landing would be inside the band with only {chance} %."
    return _check_first(bench, doubt, recipe)


def _is_sure_once_known(bench: Bench) -> bool:
    """Tell whether some plan would land surely if strength and level were known."""
    known = replace(bench, start=replace(bench.start, volume_sd_l=0.0, concentration_sd_pct=0.0))
    return any(plan.is_sure for plan in _options(known, None))


def _check_first(bench: Bench, doubt: str, tentative: Recipe) -> Recipe:
    steps = (measure_step(),)
    instead = replace(tentative, instead=None) if tentative.kind is not RecipeKind.CHECK_FIRST else tentative.instead
    return bare_recipe(bench, RecipeKind.CHECK_FIRST, steps, why_check_first(bench, doubt), instead)


def _look_for_leak(bench: Bench, jump: Event, then: Recipe) -> Recipe:
    steps = (Step("look", what=f"Look for the loss: {_LEAK_PLACES}."), measure_step())
    since = moment(bench.plant, jump.time_s, bench.now_s)
    rate = "" if jump.volume_l is None else f" of about {about(bench.plant, jump.volume_l)} a day"
    why = f"It loses more than before{rate} since {since}: find and stop the loss before filling."
    instead = then if then.kind is not RecipeKind.LEAVE_ALONE else None
    return bare_recipe(bench, RecipeKind.LOOK_FOR_LEAK, steps, why, instead)


def _is_usable(estimate: Estimate) -> bool:
    numbers = (
        estimate.volume_l,
        estimate.concentration_pct,
        estimate.volume_sd_l,
        estimate.concentration_sd_pct,
        estimate.correlation,
    )
    return estimate.known and all(math.isfinite(value) for value in numbers)


def _unknown(plant: Plant, sump: Sump, estimate: Estimate, now_s: float) -> Recipe:
    """Say that there is no recipe because nothing was ever heard; every number of it is 0."""
    nothing = replace(
        estimate, volume_l=0.0, concentration_pct=0.0, volume_sd_l=0.0, concentration_sd_pct=0.0, correlation=0.0
    )
    bench = bench_now(plant, sump, nothing, None, now_s)
    why = (
        "Neither level nor strength of this sump is known yet, so there is no recipe. Read the gauge at rest, measure "
        "the strength and log both; check that the sensors send."
    )
    return bare_recipe(bench, RecipeKind.CHECK_FIRST, (measure_step(),), why)


def _strange(bench: Bench) -> str:
    """Say what no sump in use is like: next to empty, or next to no strength; empty where it is not so."""
    if bench.start.volume_l < min(_EMPTY_SHARE * bench.sump.full_l, bench.sump.lowest_l):
        return "It is next to empty: see whether the gauge is right and where the fluid went before you fill it."
    if bench.start.concentration_pct < _NO_STRENGTH * bench.band[0]:
        return "So little strength is more likely the instrument than the fluid."
    return ""


def _doubt(plant: Plant, estimate: Estimate, sump: Sump, now_s: float) -> str:
    """Say what has not been heard for a day; empty where all is fresh."""
    heard = [when for when in estimate.last_heard_s.values() if math.isfinite(when)]
    if not heard or now_s - max(heard) > STALE_S:
        since = f"since {moment(plant, max(heard), now_s)}" if heard else "yet"
        return f"Nothing was heard of this sump {since}, so the estimate is only carried on."
    for signal in (Signal.LEVEL, Signal.REFRACTOMETER):
        age = now_s - estimate.last_heard_s.get(signal, -math.inf)
        if signal in sump.signals and age > STALE_S:
            ago = "not heard yet" if math.isinf(age) else f"silent for {duration(age / 3600.0)}"
            return f"The {signal.value} signal is {ago}."
    return ""
