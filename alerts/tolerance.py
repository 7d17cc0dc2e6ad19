"""Which mixes serve a sump: those that land within a tenth of its band of where its recipe lands, and are as good."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Final

from alerts.bench import SURE, Bench
from alerts.landing import Round, State, carry_out
from alerts.types import Recipe

TOLERANCE: Final = 0.1  # share of the band
_SHARES: Final = (1.0, 0.7, 0.4)


def mix_range(bench: Bench, recipe: Recipe) -> tuple[float, float]:
    """Return the leanest and the richest mix that still serve the recipe's litres; its own mix where nothing else does.

    Percent. A mix serves if it lands within tolerance, is as sure to land inside the band and to hold until somebody is
    back as the recipe's own, and keeps to the fluid's leanest and richest make-up.
    """
    rounds = rounds_of(recipe)
    litres = math.fsum(one.add_l for one in rounds)
    if litres <= 0.0:
        return 0.0, 0.0
    mix = math.fsum(one.add_l * one.mix_pct for one in rounds) / litres
    own = _end(bench, rounds, mix)
    serves = _judge(bench, own)
    if serves is None:
        return mix, mix
    (low, high), fluid = bench.band, bench.sump.fluid
    reach = TOLERANCE * (high - low) * own.volume_l / litres
    ends = (max(mix - reach, fluid.leanest_make_up_pct), min(mix + reach, fluid.richest_make_up_pct))
    lean, rich = (_furthest(bench, rounds, mix, end, serves) for end in ends)
    return lean, rich


def rounds_of(recipe: Recipe) -> tuple[Round, ...]:
    """Return what a recipe takes out and puts in."""
    rounds, out = [], 0.0
    for step in recipe.steps:
        if step.do == "take_out":
            out += step.volume_l or 0.0
        elif step.do == "add":
            rounds.append(Round(out, step.volume_l or 0.0, step.mix_pct or 0.0))
            out = 0.0
    return tuple(rounds)


def _end(bench: Bench, rounds: tuple[Round, ...], mix_pct: float) -> State:
    return carry_out(bench.start, tuple(replace(one, mix_pct=mix_pct) for one in rounds))


def _judge(bench: Bench, own: State) -> Callable[[State], bool] | None:
    """Return what another mix must be: good if the recipe's own is, else sure; None where it is not even that."""
    if bench.is_good(own):
        return bench.is_good
    return (lambda end: end.chance_inside(*bench.band) >= SURE) if own.chance_inside(*bench.band) >= SURE else None


def _furthest(
    bench: Bench, rounds: tuple[Round, ...], mix: float, end: float, serves: Callable[[State], bool]
) -> float:
    """Return the mix furthest towards `end` that serves, of a few."""
    tries = (mix + share * (end - mix) for share in _SHARES)
    return next((one for one in tries if serves(_end(bench, rounds, one))), mix)
