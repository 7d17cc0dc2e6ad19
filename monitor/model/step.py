"""One bin through the estimator: what passed, what was seen, what jumped. A function of (state, bin, moment) only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.model import (
    balance,
    crosswise,
    duty,
    filling,
    jumps,
    leaks,
    losses,
    nights,
    rough,
    signs,
    sparse,
    suspects,
    swaps,
    toggles,
    trust,
    valves,
    warmth,
    watch,
)
from monitor.model.bins import Bin
from monitor.model.kalman import decay, measure, take_in
from monitor.model.layout import (
    BIAS,
    BINS_A_DAY,
    CARRY,
    HOLD_UP,
    JOB,
    LEAK,
    LN_DRAG,
    LN_IDLE,
    LN_RUN,
    STRENGTH,
    VALVE_MIX,
    VOLUME,
    WEATHER,
    WIDTH,
    Fixed,
    Flags,
    Floats,
)
from monitor.model.state import BRIX_IDLE, BRIX_RUN, JOB_SD, LEVEL_IDLE, LEVEL_RUN, WEATHER_SD, State

HOURS: Final = 0.25
WEATHER_HOURS: Final = 108.0
JOB_KEEP: Final = 0.3
BIAS_DRIFT_A_WEEK: Final = 0.15
LEAK_DRIFT: Final = 4e-6  # of full an hour, a square root of an hour
HOLD_UP_STRAYS: Final = 0.45
HOLD_UP_TOLD_TO: Final = 0.0005
"""Of full: nobody tells a hold-up better than that, and one of nothing is not known exactly either."""
LOUDER: Final = 5.0
RATE_DRIFT_A_DAY: Final = 0.008


@dataclass(frozen=True, slots=True)
class Moment:
    """What the calendars say of a bin: its number, local hour, a new day, duty shares and told running shares (n,)."""

    k: int
    hour: float
    new_day: bool
    slot: int  # the hour of the week, see monitor.model.duty
    day: int  # the local date's ordinal
    on_duty: Floats
    expected: Floats
    hours: float = HOURS


@dataclass(slots=True)
class Stepped:
    """What one bin brought: jumps just confirmed, leaks just begun (flags over sumps), what changed places and is off.

    `swapped`: pairs of rows whose levels, whose refractometers changed places. `off`: how far each gauge's showing lies
    off the estimate, the level's in litres, the refractometer's in its unit; NaN where it showed nothing.
    """

    jumped: Flags
    leaked: Flags
    swapped: tuple[swaps.Pairs, swaps.Pairs]
    off: tuple[Floats, Floats]


def step(state: State, fixed: Fixed, seen: Bin, moment: Moment, logged_mix: Floats) -> Stepped:
    """Move `state` over one bin, in place; `logged_mix` is the mix of a top-up logged about now, else NaN."""
    losses.open_day(state, moment.day)
    switched, seen = seen.running, trust.unsorted(state, seen)
    told, fixed = trust.heard(state, fixed, seen)
    _drift(state, fixed, moment)
    chance = duty.chance(state, moment.on_duty[:, None], moment.expected, np.array([moment.slot]))[:, 0]
    likely = watch.likely_running(state, chance)
    running = watch.believe_running(state, told, likely)
    duty.learn(state, running, watch.told_of_running(told, moment.hours), moment.on_duty, moment.slot, chance)
    curve = warmth.factor(state, fixed, seen.temperature, running, moment.k, moment.hour, moment.hours)
    suspects.begin(state, running, moment.k)
    gone, rows = _pass_time(state, fixed, running, moment, curve)
    shown = signs.shown(state, seen, running, switched)
    level, brix = trust.level_heard(state, shown.level), watch.brix_seen(state, told, running)
    half_lost = 0.5 * gone.net_l
    look = jumps.look_at_level(state, fixed, level.value, level.running, level.var, level.there, half_lost)
    look, filled = filling.fill(state, fixed, running, look, level, gone, moment.hours)
    _book_filling(state, moment, filled.litres)
    suspects.carry(state, *rows, gone.net_l - filled.litres, filled.done)
    stand = losses.Stand.of(state)
    look_b = jumps.look_at_brix(state, fixed, brix.value, brix.var, brix.there)
    at = level.value - half_lost, told, np.where(np.isnan(told.running), likely, level.running)
    look, look_b, poured = sparse.look(state, fixed, (look, look_b), at, moment.k)
    jumps.count_odd(state.level_odd, look, moment.k)
    jumps.count_odd(state.brix_odd, look_b, moment.k)
    _learn(state, fixed, told, level, look, brix, look_b, moment.k)
    signs.note(state, fixed, shown, running, gone.net_l - filled.litres, moment.k)
    swapped = swaps.look_at_pairs(state, fixed, look, level.value, look_b, brix.value)
    look = swaps.set_aside(state.level_odd, look, swapped[0])
    look_b = swaps.set_aside(state.brix_odd, look_b, swapped[1])
    before = state.mean[:, [VOLUME, STRENGTH]].copy()
    by_level, jumped = _jump(state, fixed, look, look_b, poured, moment.k, logged_mix)
    toggles.note_jump(state, by_level, before, moment.k)
    crossed = _crossed(state, fixed, by_level, before[:, 0], moment.k)
    toggles.watch(state, fixed, moment.k)
    _take_in(state, fixed, level, look, brix, look_b, jumped, half_lost, filled, moment.k)
    crosswise.put_right(state, fixed, trust.level_last_heard(state), running, crossed)
    losses.book_jumps(state, moment.day, before[:, 0], jumped)
    if jumped.any():
        suspects.bridge(state, fixed, np.flatnonzero(jumped), level.running, brix.there, moment.k)
    calm = look.there & ~look.odd & ~jumped & state.level_known & valves.quiet(state, fixed, running)
    valves.note(state, level.value, level.running, look.there & ~look.odd, moment.k)
    valves.judge(state, fixed, moment.k)
    watch.learn_draining(state, told, half_lost, calm)
    _tether_hold_up(state, fixed)
    slow = _watch_losses(state, fixed, level, look, running, calm, jumped, moment.k)
    losses.book_corrections(state, fixed, moment.day, stand, jumped)
    leaked = _judge_leaks(state, fixed, slow, moment.k)
    state.lay_out()
    exchanged = sorted({*swapped[0], *crossed}), swapped[1]
    return Stepped(jumped, leaked, exchanged, signs.off(state, fixed, shown))


def _crossed(state: State, fixed: Fixed, jumped: Flags, before_l: Floats, k: int) -> swaps.Pairs:
    if not jumped.any():
        return []
    crosswise.note(state, fixed, jumped, before_l, k)
    return crosswise.pairs(state, jumped, k)


def _watch_losses(
    state: State,
    fixed: Fixed,
    level: watch.Seen,
    look: jumps.Look,
    running: Floats,
    calm: Flags,
    jumped: Flags,
    k: int,
) -> Flags:
    """Watch what is lost beyond the rates; tell who has just begun to lose too much while standing."""
    leaks.keep_positive(state, fixed)
    leaks.watch_losses(state, fixed, look.residual / np.sqrt(look.total), calm, running < nights.STANDS, k)
    slow = nights.watch(state, fixed, level, running, calm, jumped | (state.valve[:, valves.FLAG] > 0), k)
    leaks.begin_slow(state, slow)
    return slow


def _judge_leaks(state: State, fixed: Fixed, slow: Flags, k: int) -> Flags:
    """Tell who has just begun to leak; what a leak did to the estimate is no fault of a gauge once it is over."""
    was = state.leak_watch[:, leaks.LEAKING] >= 1.0
    began = leaks.judge_leaks(state, fixed, slow, k)
    ended = was & (state.leak_watch[:, leaks.LEAKING] == 0.0)
    if ended.any():
        suspects.forget(state, np.flatnonzero(ended), k + 1)
    return began


def _tether_hold_up(state: State, fixed: Fixed) -> None:
    """Keep the hold-up near what is told: far off it, running was taken for standing or a filling missed."""
    off, least = state.mean[:, HOLD_UP] - fixed.hold_up_l, HOLD_UP_TOLD_TO * fixed.full_l
    astray = fixed.hold_up_told & (np.abs(off) > np.maximum(HOLD_UP_STRAYS * fixed.hold_up_l, 3.0 * least))
    if astray.any():
        rows = np.zeros((len(off), WIDTH))
        rows[:, HOLD_UP] = 1.0
        measure(state.mean, state.cov, rows, -off, np.maximum(0.15 * fixed.hold_up_l, least) ** 2, np.asarray(astray))


def _drift(state: State, fixed: Fixed, moment: Moment) -> None:
    cov, hours = state.cov, moment.hours
    keep = float(np.exp(-hours / WEATHER_HOURS))
    suspects.fade(state, JOB_KEEP if moment.new_day else 1.0, keep)
    if moment.new_day:
        filling.new_day(state, fixed)
        decay(state.mean, cov, JOB, JOB_KEEP, JOB_SD**2 * (1.0 - JOB_KEEP**2))
    decay(state.mean, cov, WEATHER, keep, WEATHER_SD**2 * (1.0 - keep**2))
    cov[:, VOLUME, VOLUME] += (0.0004 * fixed.full_l) ** 2 * hours
    cov[:, STRENGTH, STRENGTH] += 0.004**2 * hours
    for column in (LN_IDLE, LN_RUN, LN_DRAG):
        cov[:, column, column] += RATE_DRIFT_A_DAY**2 * hours / 24.0
    cov[:, BIAS, BIAS] += BIAS_DRIFT_A_WEEK**2 * hours / 168.0
    trust.drift(state, hours)
    cov[:, HOLD_UP, HOLD_UP] += (0.01 * fixed.hold_up_l) ** 2 * hours / 24.0
    cov[:, LEAK, LEAK] += (LEAK_DRIFT * fixed.full_l) ** 2 * hours
    cov[:, VALVE_MIX, VALVE_MIX] += 0.3**2 * hours / 24.0


def _pass_time(
    state: State, fixed: Fixed, running: Floats, moment: Moment, curve: Floats
) -> tuple[balance.Losses, tuple[Floats, Floats, Floats]]:
    """Let the losses happen, in place; return them, and gradients and strength before for the suspects."""
    strength = state.mean[:, STRENGTH].copy()
    gone = balance.losses(state.mean, running, moment.hours, curve)
    least_l = 0.01 * fixed.full_l
    gone = balance.no_more_than_there_is(gone, state.mean[:, VOLUME], least_l)
    rows = balance.advance(state.mean, state.cov, gone, moment.hours, least_l)
    losses.book_losses(state, moment.day, gone)
    slot = moment.k % BINS_A_DAY
    state.losses[:, slot, 0] = gone.evaporated_l
    state.losses[:, slot, 1] = gone.drag_l
    state.bins_done = np.minimum(state.bins_done + 1.0, float(BINS_A_DAY))
    state.unseen_lost += gone.net_l
    weighed = state.jump[:, jumps.KIND] > 0
    state.jump[:, jumps.LOST] += np.where(weighed, gone.net_l, 0.0)
    carried = state.mean[:, STRENGTH] * (CARRY * gone.drag_l + gone.leak_l)
    state.jump[:, jumps.CONCENTRATE_LOST] += np.where(weighed, carried / 100.0, 0.0)
    return gone, (*rows, strength)


def _book_filling(state: State, moment: Moment, litres: Floats) -> None:
    losses.book_filling(state, moment.day, litres)
    state.unseen_lost -= litres
    weighed = state.jump[:, jumps.KIND] > 0
    state.jump[:, jumps.LOST] -= np.where(weighed, litres, 0.0)
    state.jump[:, jumps.CONCENTRATE_LOST] -= np.where(weighed, state.mean[:, VALVE_MIX] * litres / 100.0, 0.0)


def _learn(
    state: State,
    fixed: Fixed,
    seen: Bin,
    level: watch.Seen,
    look: jumps.Look,
    brix: watch.Seen,
    look_b: jumps.Look,
    k: int,
) -> None:
    known, few = np.where(state.level_known, 1.0, 0.0) > 0, sparse.sparse(fixed)
    count = seen.level_n.sum(axis=1)
    louder = np.where(state.said[:, :2] == trust.NOISY, LOUDER**2, 1.0)
    bounds = (0.0006 * fixed.full_l) ** 2, (0.02 * fixed.full_l) ** 2 * louder[:, 0]
    usable = watch.Seen(level.value, level.running, level.var, level.there & known & ~rough.unsure(state, 0))
    watch.learn_noise(state, (LEVEL_IDLE, LEVEL_RUN), usable, look.residual, look.known_var, count, bounds, few)
    bounds = np.full(len(count), 0.02**2), 0.4**2 * louder[:, 1]
    sure = brix.there & state.strength_known & ~rough.unsure(state, 1)
    usable = watch.Seen(brix.value, brix.running, brix.var, sure)
    watch.learn_noise(state, (BRIX_IDLE, BRIX_RUN), usable, look_b.residual, look_b.known_var, seen.brix_n, bounds, few)
    for column, there in ((0, level.there), (1, brix.there)):
        state.last_bin[:, column] = np.where(there, float(k), state.last_bin[:, column])
    for column, one in ((0, look), (1, look_b)):
        share = state.odd_share[:, column]
        state.odd_share[:, column] = np.where(one.there, share + (one.odd - share) / 64.0, share)


def _jump(
    state: State, fixed: Fixed, look: jumps.Look, look_b: jumps.Look, poured: Floats, k: int, logged_mix: Floats
) -> tuple[Flags, Flags]:
    certain = np.isfinite(poured)
    state.level_odd[:, 2] = np.where(certain, np.minimum(poured, state.level_odd[:, 2]), state.level_odd[:, 2])
    by_level = jumps.confirmed_level(state, fixed, look, look_b, certain)
    by_strength = jumps.confirmed_strength(state, fixed, look, look_b, k)
    if by_level.any():
        jumps.enter_level_jump(state, fixed, by_level, look_b, k, logged_mix)
    if by_strength.any():
        jumps.enter_strength_jump(state, fixed, by_strength, k)
    return by_level, np.asarray(by_level | by_strength)


def _take_in(
    state: State,
    fixed: Fixed,
    level: watch.Seen,
    look: jumps.Look,
    brix: watch.Seen,
    look_b: jumps.Look,
    jumped: Flags,
    half_lost: Floats,
    filled: filling.Filled,
    k: int,
) -> None:
    """Believe what is not odd; after a jump the new state is compared afresh."""
    if jumped.any():
        look = jumps.look_at_level(state, fixed, level.value, level.running, level.var, level.there, half_lost)
        filling.end(state, fixed, jumped)
    use = look.there & (~look.odd | jumped)
    trust.follow(state, look.residual, use & ~jumped, k)
    state.unseen_lost = np.where(use, 0.0, state.unseen_lost)
    use &= (jumped | ~filled.done) & (jumped | ~trust.followed(state))
    suspects.weigh_level(state, fixed, look, level.running, use & ~jumped, k)
    told_hold_up = state.mean[:, HOLD_UP].copy(), state.cov[:, HOLD_UP, HOLD_UP].copy()
    take_in(state.mean, state.cov, look.along, look.total, look.residual, use)
    sparse.keep_hold_up(state, fixed, *told_hold_up)
    state.level_known |= use
    # the level moved the strength with it: compare the refractometer with what is expected now
    again = jumps.look_at_brix(state, fixed, brix.value, brix.var, brix.there)
    held = (look.there & look.odd & ~jumped) | (look_b.odd & ~jumped)
    use_b = again.there & ~held & ~(again.odd & sparse.sparse(fixed))
    suspects.weigh_brix(state, fixed, again, use_b & ~jumped, k)
    take_in(state.mean, state.cov, again.along, again.total, again.residual, use_b)
    state.strength_known |= use_b
