"""The batch plan: the fewest mixes that serve every sump, then the leanest of these, set-aside fluid first.

Each sump accepts a range of mixes. One mix serves a group of sumps if it lies in all their ranges, so the fewest mixes
are the fewest points that stab all ranges (greedy by the upper ends, which is exact). Among all choices of so few mixes
the one with the least concentrate is found by dynamic programming over the lower ends: a mix can always be made leaner
until it meets the lower end of one of its sumps, and a sump is always best served by the leanest chosen mix that its
range holds. Both are exact and take no solver. Set-aside fluid then replaces concentrate: what may go into a strong mix
may go into every leaner one, so going from the strongest mix down uses as much as can be used, the oldest first.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from alerts.setaside import Container
from alerts.station import BatchMix, BatchPlan, FromContainer, Portion
from alerts.watching import MixBias
from monitor.plant.types import Station

_DIGITS: Final = 4
_LEAST_USED_L: Final = 0.5


@dataclass(frozen=True, slots=True)
class Need:
    """One sump's litres and the mixes it accepts, percent; both ends are accepted, `low_pct` may equal `high_pct`."""

    sump: str
    volume_l: float
    low_pct: float
    high_pct: float


@dataclass(frozen=True, slots=True)
class Chosen:
    """A mix and the sumps it serves."""

    mix_pct: float
    needs: tuple[Need, ...]

    @property
    def volume_l(self) -> float:
        """Litres of it."""
        return math.fsum(need.volume_l for need in self.needs)


def on_steps(low_pct: float, high_pct: float, station: Station) -> tuple[float, float]:
    """Return the settings of the station inside a range; one that holds none stays as it is, to be mixed by hand."""
    step = station.mix_step_pct
    low = math.ceil(max(low_pct, station.leanest_pct) / step - 1e-9) * step
    high = math.floor(min(high_pct, station.richest_pct) / step + 1e-9) * step
    return (round(low, _DIGITS), round(high, _DIGITS)) if low <= high + 1e-9 else (low_pct, high_pct)


def fewest_points(needs: Iterable[Need]) -> int:
    """Return how few mixes can serve all: take the lowest upper end that is not served yet, again and again."""
    count, last = 0, -math.inf
    for need in sorted(needs, key=lambda need: need.high_pct):
        if need.low_pct > last:
            count, last = count + 1, need.high_pct
    return count


def choose_mixes(needs: Sequence[Need]) -> tuple[Chosen, ...]:
    """Return the fewest mixes, of all such choices the one with the least concentrate, the leanest first."""
    if not needs:
        return ()
    lows = sorted({need.low_pct for need in needs})
    groups = [[need for need in needs if need.low_pct == low] for low in lows]
    litres = [math.fsum(need.volume_l for need in group) for group in groups]
    highs = [min(need.high_pct for need in group) for group in groups]
    points = _least(lows, highs, litres, fewest_points(needs))
    chosen: dict[float, list[Need]] = {point: [] for point in points}
    for need in needs:
        chosen[next(point for point in points if point >= need.low_pct)].append(need)
    return tuple(Chosen(point, tuple(served)) for point, served in chosen.items())


def _least(lows: list[float], highs: list[float], litres: list[float], count: int) -> list[float]:
    """Choose `count` lower ends so that each group has one in its range and the sum of mix times litres is least.

    `best[k]` is the least for groups 0…k served by the points so far, the last of which is `lows[k]`.
    """
    best: list[tuple[float, list[float]] | None] = [_first(lows, highs, litres, k) for k in range(len(lows))]
    for _ in range(count - 1):
        best = [_next(best, lows, highs, litres, k) for k in range(len(lows))]
    last = best[-1]
    if last is None:  # the stabbing number says that there is one
        raise ValueError("no choice of so few mixes serves all")
    return last[1]


def _first(lows: list[float], highs: list[float], litres: list[float], k: int) -> tuple[float, list[float]] | None:
    if min(highs[: k + 1]) < lows[k]:
        return None
    return lows[k] * math.fsum(litres[: k + 1]), [lows[k]]


def _next(
    best: list[tuple[float, list[float]] | None], lows: list[float], highs: list[float], litres: list[float], k: int
) -> tuple[float, list[float]] | None:
    found: tuple[float, list[float]] | None = None
    served = 0.0
    for j in range(k, 0, -1):
        if highs[j] < lows[k]:
            break
        served += litres[j]
        before = best[j - 1]
        if before is not None and (found is None or before[0] + lows[k] * served < found[0]):
            found = before[0] + lows[k] * served, [*before[1], lows[k]]
    return found


def plan_batches(
    needs: Sequence[Need], station: Station, kept: Iterable[Container] = (), bias: MixBias | None = None
) -> BatchPlan:
    """Plan what the station makes; `kept` is set-aside fluid of this product, `bias` how the station mixes."""
    fitted = [Need(need.sump, need.volume_l, *on_steps(need.low_pct, need.high_pct, station)) for need in needs]
    chosen = choose_mixes(fitted)
    used = _blend(chosen, [one for one in kept if not one.blocked and not one.not_lent])
    mixes = tuple(_mix(one, used[one.mix_pct], station, bias) for one in chosen)
    return BatchPlan(
        mixes,
        round(math.fsum(one.concentrate_l for one in mixes), 3),
        round(math.fsum(one.water_l for one in mixes), 3),
        round(math.fsum(part.volume_l for one in mixes for part in one.set_aside), 2),
    )


def _blend(chosen: tuple[Chosen, ...], kept: list[Container]) -> dict[float, list[FromContainer]]:
    """Give set-aside fluid to the mixes, the strongest mix first, the oldest fluid first; never leaner than the mix."""
    left = {one.id: one.volume_l for one in kept}
    given: dict[float, list[FromContainer]] = {}
    for one in sorted(chosen, key=lambda one: -one.mix_pct):
        wanted, parts = one.volume_l * one.mix_pct, []
        for container in kept:
            if container.strength_pct >= one.mix_pct:
                litres = math.floor(min(left[container.id], wanted / container.strength_pct) * 10.0) / 10.0
                if litres >= _LEAST_USED_L:
                    parts.append(FromContainer(container.id, litres, container.strength_pct))
                    left[container.id] -= litres
                    wanted -= litres * container.strength_pct
        given[one.mix_pct] = parts
    return given


def _mix(one: Chosen, parts: list[FromContainer], station: Station, bias: MixBias | None) -> BatchMix:
    volume = round(one.volume_l, 2)
    count = max(math.ceil(volume / station.batch_l - 1e-9), 1)
    strong = math.fsum(part.volume_l * part.strength_pct for part in parts)
    concentrate = round(max(volume * one.mix_pct - strong, 0.0) / 100.0, 3)
    rich = math.fsum(part.volume_l for part in parts)
    steps = one.mix_pct / station.mix_step_pct
    makeable = abs(steps - round(steps)) < 1e-6 and station.leanest_pct <= one.mix_pct <= station.richest_pct
    return BatchMix(
        mix_pct=one.mix_pct,
        volume_l=volume,
        batches=count,
        batch_l=round(volume / count, 2),
        by_hand=not makeable or volume / count < station.smallest_batch_l - 1e-6,
        concentrate_l=concentrate,
        water_l=round(volume - concentrate - rich, 3),
        set_aside=tuple(parts),
        portions=tuple(
            Portion(need.sump, need.volume_l, max(math.ceil(need.volume_l / station.cart_l - 1e-9), 1))
            for need in sorted(one.needs, key=lambda need: need.sump)
        ),
        setting_pct=round(bias.setting_pct(one.mix_pct), 2) if bias is not None and bias.matters else None,
    )
