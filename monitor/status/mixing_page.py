"""The mixing page as values: what each fluid needs, for which sump, by when."""

from __future__ import annotations

from dataclasses import dataclass

from alerts.types import MixingDemand
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
        )
        for need in demand.sumps
    ]


def say_total(demand: MixingDemand, plant: Plant) -> str:
    """Say the sum over the sumps: mix, and the concentrate and water in it."""
    volume = sum(need.volume_l for need in demand.sumps)
    concentrate = sum(need.concentrate_l for need in demand.sumps)
    water = sum(need.water_l for need in demand.sumps)
    return (
        f"{show_volume(volume, plant.units)} in all: {show_small_volume(concentrate, plant.units)} of concentrate in "
        f"{show_volume(water, plant.units)} of water"
    )
