"""The mixing page as values: what each fluid needs, for which sump, by when."""

from __future__ import annotations

from dataclasses import dataclass

from alerts.station import BatchMix, Portion
from alerts.types import MixingDemand, SumpDemand
from alerts.watching import say_bias
from alerts.words import mix
from monitor.plant.show import show_small_volume, show_volume
from monitor.plant.types import Plant
from monitor.snapshot import Snapshot
from monitor.status.words import at, full


@dataclass(frozen=True, slots=True)
class DemandLine:
    """What one sump will need."""

    sump: str
    volume: str
    at_most: str
    mix: str
    concentrate: str
    water: str
    by: str
    wait: bool
    range: str


@dataclass(frozen=True, slots=True)
class MixLine:
    """One mix of the batch plan: how much of it, what goes in, who gets it."""

    what: str
    made_of: str
    portions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FluidDemand:
    """What one fluid's sumps will need."""

    fluid: str
    number: int
    window: str
    made: str
    valid: str
    lines: tuple[DemandLine, ...]
    total: str
    mixes: tuple[MixLine, ...]
    later: str
    past: str


def mixing_page(plant: Plant, snapshot: Snapshot) -> tuple[FluidDemand, ...]:
    """Return the demand of each fluid, in words."""
    return tuple(_fluid(demand, plant, snapshot.now_s) for demand in snapshot.mixing.values())


def _fluid(demand: MixingDemand, plant: Plant, now_s: float) -> FluidDemand:
    window = f"{at(demand.window_from_s, now_s, plant.zone)} to {at(demand.window_to_s, now_s, plant.zone)}"
    return FluidDemand(
        fluid=demand.fluid,
        number=demand.sequence,
        window=window,
        made=full(demand.made_s, plant.zone),
        valid=full(demand.valid_until_s, plant.zone),
        lines=tuple(_lines(demand, plant, now_s)),
        total=say_total(demand, plant),
        mixes=() if demand.plan is None else tuple(_mix(one, plant) for one in demand.plan.mixes),
        later=say_later(demand, plant, now_s),
        past=say_past(demand, plant),
    )


def _lines(demand: MixingDemand, plant: Plant, now_s: float) -> list[DemandLine]:
    return [
        DemandLine(
            sump=need.sump,
            volume=show_volume(need.volume_l, plant.units),
            at_most=show_volume(need.volume_p90_l, plant.units),
            mix=mix(need.mix_pct),
            concentrate=show_small_volume(need.concentrate_l, plant.units),
            water=show_volume(need.water_l, plant.units),
            by=at(need.by_s, now_s, plant.zone),
            wait=need.can_wait,
            range=_range(need),
        )
        for need in demand.sumps
    ]


def say_total(demand: MixingDemand, plant: Plant) -> str:
    """Say the sum over the sumps: mix, and the concentrate and water in it."""
    plan = demand.plan
    volume = sum(need.volume_l for need in demand.sumps)
    concentrate = sum(need.concentrate_l for need in demand.sumps) if plan is None else plan.concentrate_l
    water = sum(need.water_l for need in demand.sumps) if plan is None else plan.water_l
    kept = (
        "" if plan is None or not plan.set_aside_l else f" and {show_volume(plan.set_aside_l, plant.units)} set aside"
    )
    strong = show_small_volume(concentrate, plant.units)
    return (
        f"{show_volume(volume, plant.units)} in all: {strong} of concentrate{kept} in "
        f"{show_volume(water, plant.units)} of water"
    )


def _range(need: SumpDemand) -> str:
    low, high = need.mix_low_pct, need.mix_high_pct
    return "" if low is None or high is None or high - low < 0.1 else f"{low:.1f} to {high:.1f} %"


def _mix(one: BatchMix, plant: Plant) -> MixLine:
    """Say a mix: `2 x 150 L at 4.5 %`, what goes into each batch, and for whom in how many carts."""
    count = f"{one.batches} x " if one.batches > 1 else ""
    setting = "" if one.setting_pct is None else f", set to {mix(one.setting_pct)}"
    how = " by hand, in buckets" if one.by_hand else ""
    parts = [show_volume(one.water_l / one.batches, plant.units) + " water"]
    parts += [
        f"{show_volume(part.volume_l / one.batches, plant.units)} from {part.container}" for part in one.set_aside
    ]
    if one.concentrate_l > 0.0:
        parts.append(show_small_volume(one.concentrate_l / one.batches, plant.units) + " concentrate")
    each = "Each: " if one.batches > 1 else ""
    return MixLine(
        what=f"{count}{show_volume(one.batch_l, plant.units)} at {mix(one.mix_pct)}{setting}{how}",
        made_of=f"{each}{', then '.join(parts)}.",
        portions=tuple(_portion(portion, plant) for portion in one.portions),
    )


def _portion(portion: Portion, plant: Plant) -> str:
    carts = f" in {portion.carts} carts" if portion.carts > 1 else ""
    return f"{show_volume(portion.volume_l, plant.units)} to {portion.sump}{carts}"


def say_later(demand: MixingDemand, plant: Plant, now_s: float) -> str:
    """Say what the window after is predicted to need; empty where that is not known."""
    later = demand.later
    if later is None:
        return ""
    when = f"{at(later.window_from_s, now_s, plant.zone)} to {at(later.window_to_s, now_s, plant.zone)}"
    if not later.sumps:
        return f"The window after, {when}, needs nothing more."
    names = ", ".join(f"{need.sump} {show_volume(need.volume_l, plant.units)}" for need in later.sumps)
    total, most = show_volume(later.volume_l, plant.units), show_volume(later.volume_p90_l, plant.units)
    return f"The window after, {when}: {total} (at most {most}) for {names}."


def say_past(demand: MixingDemand, plant: Plant) -> str:
    """Say how the demands of the last weeks came out; empty where there is nothing to compare."""
    past = demand.past
    if past is None:
        return ""
    asked, must, used = (show_volume(litres, plant.units) for litres in (past.asked_l, past.cannot_wait_l, past.used_l))
    windows = f"the last {past.windows} windows" if past.windows > 1 else "the last window"
    off = f"off by {past.off_share:.0%}" if past.off_share else "as asked"
    return f"In {windows} {asked} were asked for ({must} could not wait) and {used} went in: {off}."


def say_mixers(snapshot: Snapshot) -> tuple[str, ...]:
    """Say whose mixes come out beside what was asked, as far as that is sure."""
    return tuple(say_bias(who, bias) for who, bias in sorted(snapshot.mixers.items()) if bias.matters)
