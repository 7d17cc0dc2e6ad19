"""The corrections that could be carried out on a bench, in measurable quantities and inside every limit.

A plan never fills above the ceiling, never takes out below the lowest level, never adds a mix leaner than the leanest
or richer than the richest make-up. Where a limit stands in the way it comes as near to the aim as it may.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from alerts.balance import litres_to_keep, mix_to_fill
from alerts.bench import HOLDS_Z, SURE, SURE_Z, Bench, bench_at
from alerts.landing import Round, State, carry_out
from alerts.types import RecipeKind
from monitor.model.types import Estimate, Side

_NEAR_AIM = 0.02  # share of the band: this near the aim is on it
_MARGIN = 0.1  # share of the band a least correction stays off its edge in any case
_MOST_ROUNDS = 3
_MOST_NUDGES = 4
_FIRST_SHARE = 0.8  # first share of a top-up in steps
_EARLIEST_WAIT_S = 2 * 3600.0
_BEFORE_EXIT_S = 3600.0
_BEFORE_END_S = 1800.0


@dataclass(frozen=True, slots=True)
class Plan:
    """What to do on a bench, and where it ends. `waits` tells that the bench stands at a later moment."""

    kind: RecipeKind
    bench: Bench
    rounds: tuple[Round, ...]
    end: State
    waits: bool = False

    @property
    def taken_out_l(self) -> float:
        """Litres taken out in all."""
        return sum(one.take_out_l for one in self.rounds)

    @property
    def is_good(self) -> bool:
        """Tell whether the plan surely lands inside the band and holds until somebody is back."""
        return self.bench.is_good(self.end)

    @property
    def chance(self) -> float:
        """Chance to land inside the band."""
        return self.end.chance_inside(*self.bench.band)

    @property
    def chance_if_measured(self) -> float:
        """Chance to land inside the band if strength and level were known: only the carrying-out errs."""
        exact = replace(self.bench.start, volume_sd_l=0.0, concentration_sd_pct=0.0)
        return carry_out(exact, self.rounds).chance_inside(*self.bench.band)

    @property
    def is_sure(self) -> bool:
        """Tell whether it surely lands inside the band."""
        return self.chance >= SURE


def top_up(bench: Bench) -> Plan | None:
    """Fill to the ceiling with the mix that lands on the aim; None where there is no room worth it."""
    if bench.measures.floor_l(bench.room_l) < bench.useful_l:
        return None
    return _aimed(bench, lambda aim: _top_up(bench, aim))


def take_out_and_refill(bench: Bench) -> Plan | None:
    """Take out just what is needed to land on the aim, and refill; None where nothing may be taken out."""
    plan = _aimed(bench, lambda aim: _exchange(bench, aim))
    return plan if plan.taken_out_l > 0.0 else None


def take_out_least(bench: Bench, to_target: Plan) -> Plan | None:
    """Take out as little as lands inside the band with margin and holds; None where that is no less than to target."""
    edge = _edge(bench, to_target.end)
    target, (low, high) = bench.sump.fluid.target_pct, bench.band
    if abs(edge - target) < 0.1 * (high - low) or (edge - target) * (bench.start.concentration_pct - edge) <= 0.0:
        return None
    plan = _exchange(bench, edge)
    if not plan.is_good:
        plan = _exchange(bench, 0.75 * edge + 0.25 * target)
    return plan if 0.0 < plan.taken_out_l < to_target.taken_out_l else None


def in_steps(plan: Plan) -> Plan:
    """Turn a plain top-up into one with a measurement before the last litres; the sum stays the same."""
    (whole,) = plan.rounds
    first = plan.bench.measures.floor_l(_FIRST_SHARE * whole.add_l)
    last = round(whole.add_l - first, 2)
    if first <= 0.0 or last <= 0.0:
        return plan
    rounds = (Round(0.0, first, whole.mix_pct), Round(0.0, last, whole.mix_pct))
    return _plan(RecipeKind.TOP_UP_IN_STEPS, plan.bench, rounds)


def run_down_then_fill(bench: Bench, estimate: Estimate) -> Plan | None:
    """Wait while the level falls, then fill: the latest attended moment before the early exit at which filling is good.

    None without a forecast, for a sump that is outside its band already and where no such moment comes.
    """
    if bench.forecast is None or not bench.is_sure_inside:
        return None
    exit_s = bench.forecast.made_s + 3600.0 * bench.forecast.exit_p10_h - _BEFORE_EXIT_S
    for moment_s in reversed(_attended_moments(bench, exit_s)):
        later = bench_at(bench.plant, bench.sump, estimate, bench.forecast, moment_s, bench.now_s)
        later = replace(later, kept=bench.kept, mixer=bench.mixer)
        plan = top_up(later) if later.start.volume_l >= bench.sump.lowest_l else None
        if plan is not None and plan.is_good:
            return replace(plan, kind=RecipeKind.RUN_DOWN_THEN_FILL, waits=True)
    return None


def _attended_moments(bench: Bench, exit_s: float) -> list[float]:
    """Half an hour before each attended window ends, or the exit if that comes first, over the next three days."""
    first, last = bench.for_s + _EARLIEST_WAIT_S, min(exit_s, bench.for_s + 72 * 3600.0)
    windows = bench.plant.attended.intervals(bench.for_s, last + _BEFORE_END_S)
    moments = (min(end - _BEFORE_END_S, last) for start, end in windows if min(end - _BEFORE_END_S, last) >= start)
    return [moment for moment in moments if moment >= first]


def _plan(kind: RecipeKind, bench: Bench, rounds: tuple[Round, ...]) -> Plan:
    return Plan(kind, bench, rounds, carry_out(bench.start, rounds))


def _aimed(bench: Bench, make: Callable[[float], Plan]) -> Plan:
    """Aim at the target, or beside it where the drift until somebody is back asks for that.

    Drift and spread are judged on a landing in the middle of the band, so that a higher target never lands lower.
    """
    low, high = bench.band
    return make(_aim(bench, make((low + high) / 2).end))


def _aim(bench: Bench, end: State) -> float:
    """Return the target, moved just so far that the sump holds, and never so far that the landing is unsure."""
    target, (low, high) = bench.sump.fluid.target_pct, bench.band
    drift, spread = bench.drift_pct(end), HOLDS_Z * bench.spread_when_back_pct(end)
    held = min(max(target, low + spread - drift), high - spread - drift)
    edge = min(SURE_Z * end.concentration_sd_pct, 0.5 * (high - low))
    return min(max(held, min(low + edge, target)), max(high - edge, target))


def _edge(bench: Bench, end: State) -> float:
    """Strength just inside the band's near edge: surely inside, and still so when somebody is back."""
    low, high = bench.band
    drift = bench.drift_pct(end)
    spread = HOLDS_Z * bench.spread_when_back_pct(end)
    margin = max(SURE_Z * end.concentration_sd_pct, _MARGIN * (high - low))
    if bench.start.concentration_pct > bench.sump.fluid.target_pct:
        return high - max(margin, drift + spread)
    return low + max(margin, spread - drift)


def _top_up(bench: Bench, aim_pct: float) -> Plan:
    start = bench.start
    litres = bench.measures.floor_l(bench.room_l)
    mix = _mix(bench, mix_to_fill(start.charge, start.volume_l + litres, aim_pct))
    enriches = start.concentration_pct < aim_pct < mix and bench.side is Side.LEAN
    kind = RecipeKind.ENRICH if enriches else RecipeKind.TOP_UP
    return _plan(kind, bench, (Round(0.0, litres, mix),))


def _exchange(bench: Bench, aim_pct: float) -> Plan:
    """Take out and refill towards the aim, in up to three rounds where the lowest level allows no more at once."""
    rounds: list[Round] = []
    state, (low, high) = bench.start, bench.band
    for _ in range(_MOST_ROUNDS):
        one = _exchange_once(bench, state, aim_pct)
        if one is None:
            break
        rounds.append(one)
        state = carry_out(bench.start, tuple(rounds))
        if abs(state.concentration_pct - aim_pct) <= _NEAR_AIM * (high - low):
            break
        if len(rounds) == 1 and bench.is_good(state) and one.take_out_l > 0.0:
            break
    return Plan(RecipeKind.TAKE_OUT_AND_REFILL, bench, tuple(rounds), state)


def _exchange_once(bench: Bench, state: State, aim_pct: float) -> Round | None:
    fluid, measures = bench.sump.fluid, bench.measures
    strength = state.concentration_pct
    mix = _mix(bench, fluid.leanest_make_up_pct if strength > aim_pct else fluid.richest_make_up_pct)
    keep = _keep(strength, bench.ceiling_l, mix, aim_pct)
    most = measures.floor_l(state.volume_l - bench.sump.lowest_l)
    out = min(measures.ceil_l(state.volume_l - keep), most)
    one = _refill(bench, state, out, aim_pct)
    for _ in range(_MOST_NUDGES):  # whole buckets fill a little less than the ceiling, so a little more has to come out
        if out >= most or one is None or _reaches(state, one, aim_pct):
            break
        out = min(measures.ceil_l(out + measures.part_l(out)), most)
        one = _refill(bench, state, out, aim_pct)
    return one


def _refill(bench: Bench, state: State, out_l: float, aim_pct: float) -> Round | None:
    """Take out so much and fill to the ceiling; None where that adds too little to be worth it."""
    charge = state.charge.minus(out_l)
    add = bench.measures.floor_l(bench.ceiling_l - charge.volume_l)
    if add < bench.useful_l:
        return None
    return Round(out_l, add, _mix(bench, mix_to_fill(charge, charge.volume_l + add, aim_pct)))


def _reaches(state: State, one: Round, aim_pct: float) -> bool:
    """Tell whether a round gets as far as the aim, to 0.02 points."""
    end = state.charge.minus(one.take_out_l).plus(one.add_l, one.mix_pct).concentration_pct
    sign = 1.0 if state.concentration_pct > aim_pct else -1.0
    return sign * (end - aim_pct) <= 0.02


def _keep(strength_pct: float, full_l: float, mix_pct: float, aim_pct: float) -> float:
    """Litres that may stay: none where even a whole new fill would not reach the aim, all where nothing is off."""
    if strength_pct == mix_pct:
        return 0.0
    if (strength_pct - aim_pct) * (aim_pct - mix_pct) <= 0.0:
        return 0.0 if abs(strength_pct - aim_pct) > abs(mix_pct - aim_pct) else full_l
    return litres_to_keep(strength_pct, full_l, mix_pct, aim_pct)


def _mix(bench: Bench, wanted_pct: float) -> float:
    fluid = bench.sump.fluid
    return bench.measures.measurable_mix(wanted_pct, fluid.leanest_make_up_pct, fluid.richest_make_up_pct)
