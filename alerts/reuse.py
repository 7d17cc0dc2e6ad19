"""Using set-aside rich fluid instead of fresh concentrate: the same filling, its strength out of a container.

A bucket gets so much of the rich fluid and water to the brim: `s = b m / r` litres of strength r in a bucket of b at
the mix m. The share is rounded to what a jug measures, so the mix is what that share makes. Where the container does
not reach, the buckets it does fill come first and the rest is mixed from concentrate.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from alerts.bench import Bench
from alerts.landing import Round, carry_out
from alerts.plans import Plan
from alerts.setaside import Container
from alerts.types import RecipeKind

RICHER: Final = 1.15  # times the mix: leaner fluid is not worth carrying
_MOST_OFF: Final = 0.25  # share by which rounding the jug may move a mix


def use_set_aside(fill: Plan, kept: Iterable[Container]) -> Plan | None:
    """Return the filling made from set-aside fluid as far as it reaches, the oldest first; None where none serves.

    Only what is clearly richer than the mix is used, and only where whole buckets can be made of it.
    """
    (whole,) = fill.rounds
    bench, left_l = fill.bench, whole.add_l
    rounds: list[Round] = []
    for container in kept:
        if container.serves(bench.sump) and left_l > 0.0:
            one = _from(bench, container, left_l, whole.mix_pct)
            if one is not None:
                rounds.append(one)
                left_l = round(left_l - one.add_l, 2)
    if not rounds:
        return None
    rest = (Round(0.0, left_l, whole.mix_pct),) if left_l > 0.0 else ()
    parts = (*rounds, *rest)
    return Plan(RecipeKind.USE_SET_ASIDE, bench, parts, carry_out(bench.start, parts))


def _from(bench: Bench, container: Container, wanted_l: float, mix_pct: float) -> Round | None:
    measures, strong = bench.measures, container.strength_pct
    if strong < RICHER * mix_pct:
        return None
    share_l = measures.jug_l(measures.bucket_l * mix_pct / strong)
    if share_l <= 0.0:
        return None
    mix = round(share_l * strong / measures.bucket_l, 4)
    fluid = bench.sump.fluid
    if not fluid.leanest_make_up_pct <= mix <= fluid.richest_make_up_pct or abs(mix - mix_pct) > _MOST_OFF * mix_pct:
        return None
    buckets = int(container.volume_l / share_l + 1e-6)
    litres = min(wanted_l, round(buckets * measures.bucket_l, 2))
    if litres < min(measures.bucket_l, wanted_l):
        return None
    used = round(litres * mix / strong, 2)
    return Round(0.0, litres, mix, container=container.id, set_aside_l=used, set_aside_pct=strong)
